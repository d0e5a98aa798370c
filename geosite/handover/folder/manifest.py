"""``MANIFEST.json``: what is in a hand-over, what each file is for, and proof that it is whole."""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path, PurePosixPath
from typing import IO, Any

from geosite.base.errors import InputError, Problem
from geosite.handover.folder.staging import MANIFEST, file_digest

__all__ = ["HANDOVER_ZIP", "unlisted", "verify", "write_manifest", "write_zip"]

HANDOVER_ZIP = "handover.zip"
_KEYS = {"file": str, "purpose": str, "size": int, "sha256": str}


def write_manifest(
    folder: Path, about: Mapping[str, str], files: Sequence[tuple[str, str]]
) -> None:
    """Write the manifest of a folder.

    Parameters
    ----------
    folder
        Where the files are.
    about
        Title, date, ... of the survey.
    files
        Name relative to the folder, with ``/``, and purpose of each file, in reading order.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name:
    ...     _ = (Path(name) / "a.txt").write_text("whole")
    ...     write_manifest(Path(name), {"title": "Yard"}, [("a.txt", "A letter")])
    ...     written = json.loads((Path(name) / MANIFEST).read_text())
    >>> written["files"][0]["file"], written["files"][0]["size"]
    ('a.txt', 5)
    """
    (folder / MANIFEST).write_bytes(_manifest(folder, about, files))


def _manifest(folder: Path, about: Mapping[str, str], files: Sequence[tuple[str, str]]) -> bytes:
    entries = []
    for name, purpose in files:
        path = folder / name
        entries.append(
            {
                "file": name,
                "purpose": purpose,
                "size": path.stat().st_size,
                "sha256": file_digest(path),
            }
        )
    whole = {**about, "files": entries}
    return json.dumps(whole, indent=2, ensure_ascii=False).encode("utf-8", "replace") + b"\n"


def write_zip(
    folder: Path, about: Mapping[str, str], files: Sequence[tuple[str, str]], date: str
) -> None:
    """Write ``handover.zip``: the files with a manifest of their own, one archive to send on.

    `date`, ISO 8601 or empty, stands as the time of every file in it, so that bytes repeat.
    """
    day = re.match(r"(\d{4})-(\d{2})-(\d{2})", date)
    year, month, of_month = (int(part) for part in day.groups()) if day else (1980, 1, 1)
    year = min(max(year, 1980), 2107)  # what a zip file can hold
    stamp = (year, month, of_month, 0, 0, 0)
    with zipfile.ZipFile(folder / HANDOVER_ZIP, "w") as archive:

        def add(name: str, content: bytes) -> None:
            entry = zipfile.ZipInfo(name, stamp)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            entry.create_system = 3
            archive.writestr(entry, content)

        for name, _ in files:
            add(name, (folder / name).read_bytes())
        add(MANIFEST, _manifest(folder, about, files))


def unlisted(place: Path) -> tuple[str, ...]:
    """Return the files of a hand-over folder that its manifest does not list, sorted.

    Parameters
    ----------
    place
        The folder; a zip file is not looked into.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name:
    ...     write_manifest(Path(name), {}, [])
    ...     _ = (Path(name) / "note.txt").write_text("mine")
    ...     unlisted(Path(name))
    ('note.txt',)
    """
    if not place.is_dir():
        return ()
    with _opened(place) as source:
        listed = {entry["file"] for entry in _entries(source.read(MANIFEST, 64 * 2**20), place)}
    there = (path.relative_to(place).as_posix() for path in place.rglob("*") if path.is_file())
    return tuple(sorted(name for name in there if name not in listed | {MANIFEST, HANDOVER_ZIP}))


def verify(place: Path) -> tuple[Problem, ...]:
    """Check a hand-over, a folder or a zip file, against its manifest.

    Parameters
    ----------
    place
        The folder or the zip file.

    Returns
    -------
    tuple of Problem
        One per file that is missing, changed or cut off; empty when everything is as it left.

    Raises
    ------
    InputError
        There is no manifest, or it cannot be read.

    Notes
    -----
    A checksum proves that nothing changed on the way, not who made it. Files that the manifest does
    not list are left alone.

    Examples
    --------
    A file that lost a letter after it was listed:

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name:
    ...     _ = (Path(name) / "a.txt").write_text("whole")
    ...     write_manifest(Path(name), {}, [("a.txt", "A letter")])
    ...     _ = (Path(name) / "a.txt").write_text("hole")
    ...     [problem.what for problem in verify(Path(name))]
    ['has 4 bytes']
    """
    try:
        with _opened(place) as source:
            entries = _entries(source.read(MANIFEST, 64 * 2**20), place)
            return tuple(
                problem
                for entry in entries
                if (problem := _check(source, entry, place)) is not None
            )
    except (OSError, zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError) as error:
        raise InputError(
            Problem(
                "manifest-not-readable",
                f"cannot be read ({getattr(error, 'strerror', None) or error})",
                f"a hand-over folder or zip file with {MANIFEST}",
                "name the folder that geosite wrote",
                file=str(place),
            )
        ) from error
    except RuntimeError as error:  # an encrypted archive
        raise InputError(
            Problem(
                "manifest-not-readable",
                f"cannot be read ({error})",
                "a zip file without a password",
                "unpack it and verify the folder",
                file=str(place),
            )
        ) from error


class _Source:
    """A folder or an archive that files are read from."""

    def __init__(self, folder: Path | None, archive: zipfile.ZipFile | None) -> None:
        self.folder = folder
        self.archive = archive

    def size(self, name: str) -> int | None:
        """Return the size of a file, None where there is none."""
        if self.archive is not None:
            try:
                return self.archive.getinfo(name).file_size
            except KeyError:
                return None
        assert self.folder is not None
        path = self.folder / name
        return path.stat().st_size if path.is_file() and not path.is_symlink() else None

    def open(self, name: str) -> IO[bytes]:
        if self.archive is not None:
            return self.archive.open(name)
        assert self.folder is not None
        return (self.folder / name).open("rb")

    def read(self, name: str, limit: int) -> bytes:
        size = self.size(name)
        if size is None:
            raise FileNotFoundError(f"no {name} in it")
        if size > limit:
            raise OSError(f"{name} has {size} bytes")
        with self.open(name) as stream:
            return stream.read(limit)


@contextmanager
def _opened(place: Path) -> Iterator[_Source]:
    if place.is_dir():
        yield _Source(place, None)
        return
    if place.exists() and not place.is_file():  # a pipe would be waited for
        raise OSError("neither a folder nor a plain file")
    with zipfile.ZipFile(place) as archive:
        yield _Source(None, archive)


def _entries(content: bytes, place: Path) -> Iterable[dict[str, Any]]:
    try:
        entries = json.loads(content)["files"]
        for entry in entries:
            if not all(type(entry[key]) is kind for key, kind in _KEYS.items()):
                raise TypeError
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise InputError(
            Problem(
                "manifest-not-valid",
                f"{MANIFEST} is not a manifest",
                "a list 'files' with file, purpose, size and sha256",
                "ask the sender for the hand-over again",
                file=str(place),
            )
        ) from error
    return list(entries)


def _check(source: _Source, entry: Mapping[str, Any], place: Path) -> Problem | None:
    name, size, digest = entry["file"], entry["size"], entry["sha256"]
    where = str(place / name) if source.archive is None else f"{place}!{name}"
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\\" in name or "\0" in name or not path.parts:
        return Problem(
            "manifest-path",
            f"the manifest lists {name!r}, which is outside the hand-over",
            "a file inside it",
            "do not trust this hand-over",
            file=str(place),
        )
    remedy = "ask the sender for this file again"
    found = source.size(name)
    if found is None:
        return Problem("file-missing", "is missing", "the file that was sent", remedy, file=where)
    if found != size:
        what = f"has {found} bytes"
        return Problem("file-size", what, f"{size} bytes as sent", remedy, file=where)
    seen = sha256()
    try:
        with source.open(name) as stream:
            while block := stream.read(2**20):
                seen.update(block)
    except zipfile.BadZipFile as error:
        return Problem("file-changed", f"is damaged ({error})", "bytes as sent", remedy, file=where)
    if seen.hexdigest() != digest:
        return Problem("file-changed", "was changed", f"SHA-256 {digest}", remedy, file=where)
    return None
