"""The place of a hand-over folder: whether it can be taken, and what is said where it cannot."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path

from geosite.base.errors import OutputRefused, Problem

__all__ = [
    "cannot_write",
    "disk_full",
    "reason_of",
    "refusal",
    "refuse_place",
    "refuse_taken",
    "resolved",
]


def refuse_place(out: Path) -> None:
    """Refuse a folder that could not be written; touch nothing.

    Raises
    ------
    OutputRefused
        As `staged` would: it is a file, is not ours to write, or cannot be swapped. Whether the
        disk has room, or a file of somebody's stands in the way, shows only when it is written.
    """
    target = resolved(out)
    refuse_taken(out, target)
    folder = target.parent
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    if not folder.is_dir():
        raise OutputRefused(cannot_write(out, NotADirectoryError(errno.ENOTDIR, "Not a directory")))
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputRefused(cannot_write(out, PermissionError(errno.EACCES, "Permission denied")))


def resolved(out: Path) -> Path:
    """Return the real place of a folder.

    Raises
    ------
    OutputRefused
        No folder can have that name.

    Examples
    --------
    >>> resolved(Path("/tmp/../tmp/./out")) == Path("/tmp/out").resolve()
    True
    """
    try:
        return Path(os.path.realpath(out))
    except (OSError, ValueError) as error:  # a NUL in the name
        raise OutputRefused(cannot_write(out, error)) from error


def refuse_taken(out: Path, target: Path) -> None:
    """Refuse targets whose place cannot be taken by another folder.

    Raises
    ------
    OutputRefused
        It is a file, cannot be written, or is the top of a disk.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile() as file:  # doctest: +ELLIPSIS
    ...     refuse_taken(Path("out"), Path(file.name))
    Traceback (most recent call last):
    ...
    geosite.base.errors.OutputRefused: out: is a file; expected a folder; ...
    """
    try:
        exists = target.exists()
        is_folder = target.is_dir()
    except OSError as error:
        raise OutputRefused(cannot_write(out, error)) from error
    if exists and not is_folder:
        raise refusal(
            out, "output-is-a-file", "is a file", "a folder", "choose another name with --out"
        )
    if exists and not (os.access(target, os.W_OK) and os.stat(target).st_mode & 0o222):
        raise OutputRefused(cannot_write(out, PermissionError(errno.EACCES, "Permission denied")))
    if exists and os.path.ismount(target):
        raise refusal(
            out,
            "output-is-a-mount",
            "is the top of a disk and cannot be swapped in one step",
            "a folder inside it",
            "add a folder name to --out",
        )
    with contextlib.suppress(OSError):
        here = Path(os.path.realpath(os.getcwd()))
        if target == here or target in here.parents:
            raise refusal(
                out,
                "output-is-where-you-stand",
                "holds the folder you work in, which cannot be swapped under you",
                "another folder",
                "add a folder name to --out",
            )


def refusal(out: Path, code: str, what: str, expected: str, remedy: str) -> OutputRefused:
    """Return the error of a place that cannot be taken.

    Examples
    --------
    >>> print(refusal(Path("out"), "output-is-a-file", "is a file", "a folder", "choose another"))
    out: is a file; expected a folder; choose another
    """
    return OutputRefused(Problem(code, what, expected, remedy, file=str(out)))


def cannot_write(out: Path, error: Exception) -> Problem:
    """Return what is said of an error in writing."""
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.EFBIG:
        return Problem(
            "file-too-large",
            "a file would be larger than this process may write, nothing was changed",
            "room for the output",
            "raise the limit (ulimit -f) or choose another disk",
            file=str(out),
        )
    if number in (errno.ENOSPC, errno.EDQUOT) or "disk is full" in str(error):
        return disk_full(out)
    remedy = "change the permissions or choose another folder with --out"
    if sys.platform == "win32" and number == errno.EACCES:
        # there no folder moves while any file in it is open
        remedy = f"close the programs that have files of it open, {remedy}"
    return Problem(
        "output-not-writable",
        f"cannot be written ({reason_of(out, error)}), nothing was changed",
        "a folder that can be written, in a folder that can be written",
        remedy,
        file=str(out),
    )


def reason_of(out: Path, error: Exception) -> str:
    """Return why a file or folder cannot be written; of a file in its way, which one that is.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile(prefix="notes") as file:  # doctest: +ELLIPSIS
    ...     reason_of(Path(file.name) / "map", NotADirectoryError(errno.ENOTDIR, "Not a directory"))
    '...notes... is a file, no folder'
    >>> reason_of(Path("map"), PermissionError(errno.EACCES, "Permission denied"))
    'Permission denied'
    """
    number = error.errno if isinstance(error, OSError) else None
    if number in (errno.ENOTDIR, errno.EEXIST):
        # making a folder below a file is told as either, by how deep below
        places = [out, *out.parents]
        if isinstance(error, OSError) and isinstance(error.filename, str):
            tried = Path(error.filename)
            # where one is moved, what is named is the file that was to be moved
            places[:0] = [tried, *tried.parents] if number == errno.EEXIST else tried.parents
        in_the_way = next((place for place in places if place.is_file()), None)
        if in_the_way is not None:
            return f"{in_the_way} is a file, no folder"
    return os.strerror(number) if number else str(error)


def disk_full(out: Path) -> Problem:
    """Return what is said of a full disk."""
    return Problem(
        "disk-full",
        "the disk or the quota is full, nothing was changed",
        "room for the output",
        "free some space or choose another disk",
        file=str(out),
    )
