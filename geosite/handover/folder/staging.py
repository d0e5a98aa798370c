"""The output folder: built beside its place and swapped in whole, so that nothing is half-written.

Everything is written into a staging folder next to the target, flushed to the disk and read back
(`geosite.handover.folder.read_back`); then the two folders change places in one step
(``renameat2`` with ``RENAME_EXCHANGE``, Linux 3.15 and later). A kill at any moment leaves the
earlier folder or the new one. Files of other people that were in the folder are carried over as
hard links before the swap.

Where the system or the file system has no exchange, the earlier folder is renamed aside and the
new one renamed in: between these two steps a kill leaves no folder at that name, and the next run
puts the earlier one back before it starts.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from geosite.base.errors import GeositeError, OutputRefused, Problem
from geosite.base.file_lock import lock
from geosite.base.interrupt import stop_if_asked
from geosite.handover.folder.output_place import (
    cannot_write,
    disk_full,
    refusal,
    refuse_taken,
    resolved,
)
from geosite.handover.folder.read_back import faults

__all__ = ["MANIFEST", "file_digest", "refuse_among", "staged"]

MANIFEST = "MANIFEST.json"

# What other programs leave beside a file and what would be wrong beside a new one: a journal
# would be rolled back into the new database, statistics would be those of the earlier raster.
_COMPANIONS = ("-wal", "-shm", "-journal", ".aux.xml", ".ovr", ".msk")

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2


@contextmanager
def staged(out: Path) -> Iterator[Path]:
    """Yield an empty folder to write into; on success it takes the place of `out` in one step.

    Parameters
    ----------
    out
        The folder to write. It may exist; a symbolic link to a folder is followed. Missing
        parents are made.

    Yields
    ------
    Path
        The staging folder.

    Raises
    ------
    OutputRefused
        The folder cannot be written, swapped or locked, the disk is full, or a file did not come
        out whole. What was in `out` is as it was.

    Notes
    -----
    When a manifest was written, files that an earlier one lists and nobody changed are the earlier
    run's own and go. Everything else in `out` stays. Two runs into one folder: the second is
    refused.
    """
    target = resolved(out)
    refuse_taken(out, target)
    made = _make_parents(out, target.parent)
    key = hashlib.sha256(os.fsencode(target.name)).hexdigest()[:12]
    done = False
    try:
        with _only_one(out, target.parent / f".geosite-{key}.lock") as locked:
            if locked:
                _recover(out, target, key)
            staging = target.parent / f".geosite-{key}-{os.getpid()}-{os.urandom(4).hex()}"
            try:
                os.mkdir(staging)
                yield staging
                _guard(out, target, staging)
                _flush(staging)
                _read_back(out, staging)
                _carry(target, staging)
                if target.is_dir():
                    os.chmod(staging, os.stat(target).st_mode & 0o7777)
                _fsync(staging)
                stop_if_asked()
                _swap(staging, target)
                done = True
                with contextlib.suppress(OSError):
                    _fsync(target.parent)
                    # what somebody put into the earlier folder while the swap was on its way
                    _carry(staging, target)
            except GeositeError:
                raise
            except Exception as error:
                full = _is_full(staging)
                if not full and not isinstance(error, OSError) and not _of_writer(error):
                    raise
                raise OutputRefused(disk_full(out) if full else cannot_write(out, error)) from error
            finally:
                _remove(staging)
    finally:
        if not done:
            for folder in reversed(made):
                with contextlib.suppress(OSError):
                    os.rmdir(folder)


def refuse_among(out: Path, sources: Iterable[Path]) -> None:
    """Refuse to mix a hand-over with what it is made of, unless an earlier one lies there.

    Raises
    ------
    OutputRefused
        A source lies in the folder, and no manifest does.

    Examples
    --------
    >>> refuse_among(Path("yard"), [Path("yard/site.toml")])  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    geosite.base.errors.OutputRefused: yard: the files would lie among the sources, beside ...
    """
    for path in sources:
        if path.resolve().parent == resolved(out) and not _listed(out):
            raise refusal(
                out,
                "output-among-sources",
                f"the files would lie among the sources, beside {path.name}",
                "a folder of its own for the results",
                f"write for example --out {out / 'map'}",
            )


def _listed(folder: Path) -> set[str]:
    """Return the names in an earlier run's manifest, changed since or not."""
    try:
        entries = json.loads((folder / MANIFEST).read_bytes())["files"]
        return {MANIFEST, *(os.path.normpath(entry["file"]) for entry in entries)}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return set()


def _guard(out: Path, target: Path, staging: Path) -> None:
    """Refuse to replace a file that no earlier run wrote: it may be the field book itself."""
    if not (staging / MANIFEST).is_file() or not target.is_dir():
        return
    known = _listed(target)
    written = (Path(folder, name) for folder, _, names in os.walk(staging) for name in names)
    names = sorted(os.path.relpath(path, staging) for path in written)
    strange = [n for n in names if n not in known and os.path.lexists(target / n)]
    if strange:
        raise refusal(
            out,
            "file-in-the-way",
            f"it holds {', '.join(strange[:5])}, which geosite did not write and would replace",
            "a folder of its own for the results",
            "choose another folder with --out, or move the file away",
        )


def _read_back(out: Path, staging: Path) -> None:
    """Refuse files that are not whole, all of them, or what kept them from being so."""
    found = list(faults(staging))
    if found and not _is_full(staging):
        raise OutputRefused(
            Problem(
                "output-not-whole",
                f"{name} did not come out whole ({reason}), nothing was changed",
                "a file that reads back as it was written",
                "run it again; if it happens again, choose another disk with --out",
                file=str(out),
            )
            for name, reason in found
        )
    if found:
        raise OutputRefused(disk_full(out))


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file, hexadecimal.

    Examples
    --------
    Of an empty file (NIST FIPS 180-4, the digest of no bytes):

    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile() as empty:
    ...     file_digest(Path(empty.name))[:16]
    'e3b0c44298fc1c14'
    """
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


# fiona, rasterio and SQLite report what they cannot write by errors of their own
_WRITERS = ("fiona", "rasterio", "sqlite3")


def _of_writer(error: Exception) -> bool:
    return type(error).__module__.partition(".")[0] in _WRITERS


def _is_full(folder: Path) -> bool:
    """Tell whether 64 KiB no longer fit; asked while the unfinished files are still there."""
    try:
        with tempfile.TemporaryFile(dir=folder) as probe:
            probe.write(bytes(2**16))
            probe.flush()
    except OSError as error:
        return error.errno in (errno.ENOSPC, errno.EDQUOT)
    return False


def _make_parents(out: Path, parent: Path) -> list[Path]:
    """Make missing parents; return those made, outermost first."""
    missing = []
    folder = parent
    made: list[Path] = []
    try:
        while not folder.exists():
            missing.append(folder)
            folder = folder.parent
        for folder in reversed(missing):
            os.mkdir(folder)
            made.append(folder)
    except OSError as error:
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                os.rmdir(folder)
        raise OutputRefused(cannot_write(out, error)) from error
    return made


_PLAIN = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
"""No link, and no other process's: Windows knows neither flag."""


@contextmanager
def _only_one(out: Path, path: Path) -> Iterator[bool]:
    """Hold the lock of a target; yields whether it is held (some file systems have no locks)."""
    # a run that was killed a moment ago lets go when the system has cleared it away
    patience = time.monotonic() + 0.5
    while True:
        try:
            handle = os.open(path, os.O_RDONLY | os.O_CREAT | _PLAIN, 0o666)
        except OSError as error:
            raise OutputRefused(cannot_write(out, error)) from error
        try:
            lock(handle)
        except BlockingIOError:
            os.close(handle)
            if time.monotonic() < patience:
                time.sleep(0.02)
                continue
            raise refusal(
                out,
                "output-in-use",
                "another run is writing this folder",
                "one run at a time",
                "wait for it or choose another folder with --out",
            ) from None
        except OSError:
            held = False
        else:
            held = True
            # the run before may have removed the file between our open and our lock
            try:
                same = os.path.samestat(os.fstat(handle), os.stat(path))
            except FileNotFoundError:
                same = False
            if not same:
                os.close(handle)
                continue
        break
    try:
        yield held
    finally:
        if sys.platform == "win32":  # what is open stays there
            os.close(handle)
        with contextlib.suppress(OSError):
            os.unlink(path)
        if sys.platform != "win32":
            os.close(handle)


def _recover(out: Path, target: Path, key: str) -> None:
    """Clear what killed runs left; only called while the lock is held, so none of it is in use."""
    aside = _aside(target, key)
    if aside.is_dir() and not target.exists():
        try:
            os.rename(aside, target)
        except OSError as error:
            raise OutputRefused(cannot_write(out, error)) from error
    for left in target.parent.glob(f".geosite-{key}-*"):
        _remove(left)


def _aside(target: Path, key: str) -> Path:
    return target.parent / f".geosite-{key}-aside"


def _remove(folder: Path) -> None:
    """Remove a folder as far as that goes, with folders in it that somebody made read-only."""
    shutil.rmtree(folder, ignore_errors=True)
    if folder.is_dir():
        for base, _, _ in os.walk(folder):
            with contextlib.suppress(OSError):
                os.chmod(base, 0o700)
        shutil.rmtree(folder, ignore_errors=True)


def _own_files(folder: Path) -> set[str]:
    """Return the files an earlier run wrote here and nobody changed since."""
    own = {MANIFEST}
    try:
        listed = json.loads((folder / MANIFEST).read_bytes())["files"]
        for entry in listed:
            path = folder / entry["file"]
            if (
                not path.is_symlink()
                and path.is_file()
                and path.stat().st_size == entry["size"]
                and file_digest(path) == entry["sha256"]
            ):
                own.add(os.path.normpath(entry["file"]))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        # no manifest, or not one of ours: nothing here is known to be ours
        return own if (folder / MANIFEST).is_file() and len(own) > 1 else set()
    return own


def _carry(old: Path, new: Path) -> None:
    """Give the new folder every file of the old one that is not geosite's to replace."""
    if not old.is_dir():
        return
    # a run without a manifest, of a single process, adds to what is there
    own = _own_files(old) if (new / MANIFEST).is_file() else set()

    def companion(relative: str) -> bool:
        for ending in _COMPANIONS:
            base = relative.removesuffix(ending)
            if base != relative and (base in own or (new / base).exists()):
                return True
        return False

    pending = [""]
    made: list[str] = []
    while pending:
        inner = pending.pop()
        with os.scandir(old / inner) as entries:
            for entry in sorted(entries, key=lambda e: e.name):
                relative = os.path.join(inner, entry.name)
                there = new / relative
                if entry.is_dir(follow_symlinks=False):
                    if not os.path.lexists(there):
                        os.mkdir(there)
                        made.append(relative)
                    if there.is_dir() and not there.is_symlink():
                        pending.append(relative)
                elif not os.path.lexists(there) and relative not in own and not companion(relative):
                    _link(Path(entry.path), there)
    for relative in reversed(made):  # inner ones first
        source, there = old / relative, new / relative
        if os.listdir(there) or not os.listdir(source):
            _fsync(there)
            shutil.copystat(source, there)
        else:
            os.rmdir(there)  # held only files of the earlier run


def _link(source: Path, there: Path) -> None:
    try:
        os.link(source, there, follow_symlinks=False)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise
        shutil.copy2(source, there, follow_symlinks=False)


def _flush(folder: Path) -> None:
    """Force every file and folder below to the disk, innermost first."""
    for base, _, files in os.walk(folder, topdown=False):
        for name in files:
            path = os.path.join(base, name)
            if os.path.isfile(path) and not os.path.islink(path):
                _fsync(Path(path))
        _fsync(Path(base))


def _fsync(path: Path) -> None:
    is_folder = path.is_dir()
    if is_folder and sys.platform == "win32":
        return
    # Windows flushes only what may be written (FlushFileBuffers asks for GENERIC_WRITE)
    handle = os.open(path, os.O_RDONLY if is_folder else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change places in one step; False where the system cannot."""
    if sys.platform != "linux":
        return False
    try:
        renameat2 = ctypes.CDLL(None, use_errno=True).renameat2
    except AttributeError:
        return False
    failed = renameat2(
        ctypes.c_int(_AT_FDCWD),
        ctypes.c_char_p(os.fsencode(one)),
        ctypes.c_int(_AT_FDCWD),
        ctypes.c_char_p(os.fsencode(other)),
        ctypes.c_uint(_RENAME_EXCHANGE),
    )
    if not failed:
        return True
    code = ctypes.get_errno()
    if code in (errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP):
        return False
    raise OSError(code, os.strerror(code), str(other))


def _swap(staging: Path, target: Path) -> None:
    """Put the staging folder in the target's place; the earlier one ends up as `staging`."""
    try:
        os.rename(staging, target)  # no folder or an empty one there
        return
    except OSError as error:
        # EACCES: Windows, where a folder never takes the place of another
        if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.EACCES) or not target.is_dir():
            raise
    if not _exchange(staging, target):
        aside = _aside(target, staging.name.split("-")[1])
        _remove(aside)
        os.rename(target, aside)
        try:
            os.rename(staging, target)
        except OSError:
            os.rename(aside, target)
            raise
        os.rename(aside, staging)
