"""Which sites there are below a folder, and what each is built from.

What is no plain file of a sensible size is never opened: a pipe or a device would be waited for.
"""

from __future__ import annotations

import hashlib
import os
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path, PurePosixPath
from typing import Any

from geosite.base.errors import InputError, Problem
from geosite.base.problems import Problems
from geosite.base.version import __version__
from geosite.fieldbook.read_site_file import SIZE_LIMIT
from geosite.reading.files import check_plain_file, inside
from geosite.reading.toml_text import LINE_LIMIT

__all__ = ["content_hash", "find_sites", "has_sites"]

_LARGEST = 2_000_000_000
"""Bytes of a file that is hashed."""


def find_sites(folder: Path, out: Path) -> dict[str, Path]:
    """Find the site files below a folder.

    Parameters
    ----------
    folder
        Searched with everything below it, links to folders and the output folder left out.
    out
        The output folder.

    Returns
    -------
    dict
        Site file by name, sorted: the folder of a ``site.toml``, else the path without ``.toml``.

    Raises
    ------
    InputError
        It is no folder, or there is no site in it.
    """
    if not folder.is_dir():
        raise InputError(
            Problem(
                "folder-missing",
                "is not a folder" if folder.exists() else "does not exist",
                "a folder with site files in it",
                "check the name",
                str(folder),
            )
        )
    found: dict[str, Path] = {}
    for path in _site_files(folder, out.resolve()):
        relative = path.relative_to(folder)
        is_own_folder = path.name == "site.toml" and len(relative.parts) > 1
        name = relative.parent if is_own_folder else relative.with_suffix("")
        _add(found, name.as_posix(), path)
    if not found:
        raise InputError(
            Problem(
                "no-sites",
                "there is no site file in it",
                "TOML files with a [survey] table",
                "check the name, or start one with geosite new",
                str(folder),
            )
        )
    return dict(sorted(_apart(found).items()))


def has_sites(folder: Path) -> bool:
    """Tell whether a site file lies in a folder or below it, as `find_sites` looks for them."""
    return next(_site_files(folder), None) is not None


def _site_files(folder: Path, skipped: Path | None = None) -> Iterator[Path]:
    for base, folders, files in os.walk(folder):
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and (Path(base) / name).resolve() != skipped
        )
        for file in sorted(files):
            path = Path(base) / file
            if path.suffix.lower() == ".toml" and file[0] != "." and _is_site(path):
                yield path


def _add(found: dict[str, Path], name: str, path: Path) -> None:
    while name in found:  # a.toml beside a/site.toml
        name += "_"
    found[name] = path


def _apart(found: Mapping[str, Path]) -> dict[str, Path]:
    """Move a site that has others below it one folder down: output folders never lie in others."""
    above = {parent.as_posix() for name in found for parent in PurePosixPath(name).parents}
    if above.isdisjoint(found):
        return dict(found)
    moved: dict[str, Path] = {}
    for name, path in found.items():
        _add(moved, f"{name}/{path.stem}" if name in above else name, path)
    return _apart(moved)


def _is_site(path: Path) -> bool:
    """Whether a TOML file is a site file, or so broken that somebody should be told."""
    try:
        text = _site_text(path)
        return text is None or "survey" in tomllib.loads(text)
    except (OSError, ValueError, RecursionError):
        return True


def _site_text(path: Path) -> str | None:
    """Return the text of a site file; None for what is refused unread: a pipe, gigabytes."""
    if not check_plain_file(path, path.name, "the site file", SIZE_LIMIT, Problems()):
        return None
    text = path.read_text(encoding="utf-8")
    # a key of 100,000 parts would take the parser minutes
    return text if max(map(len, text.split("\n"))) <= LINE_LIMIT else None


_NAMING = ("file", "limits_file", "surface", "background")
"""Keys of a site file that name another file."""


def _named_files(site: Path) -> list[Path]:
    """Return the files that a site file names, with what belongs to them (a Shapefile's parts).

    Plain files in its folder or below it, as the build takes them: nothing else is opened.
    """
    try:
        text = _site_text(site)
        tables = {} if text is None else tomllib.loads(text)
    except (OSError, ValueError, RecursionError):
        return []
    names: list[Any] = []
    stack: list[Any] = [tables]
    while stack:
        part = stack.pop()
        if isinstance(part, dict):
            names += [part[key] for key in _NAMING if key in part]
            stack += part.values()
        elif isinstance(part, list):
            stack += part
    files: set[Path] = set()
    for name in names:
        if isinstance(name, str) and name and "\0" not in name:
            path = inside(site.parent, name, "file", Problems(), site.name, None)
            if path is None:
                continue
            with suppress(OSError, ValueError):
                files.update(other for other in path.parent.glob("*") if other.stem == path.stem)
    root = site.parent.resolve()
    return sorted(
        file
        for file in files
        if file.is_file() and file != site and file.resolve().is_relative_to(root)
    )


def content_hash(site: Path) -> str:
    """Return a hash over everything a site is built from, this version of geosite included."""
    digest = hashlib.sha256(__version__.encode())
    for path in (site, *_named_files(site)):
        digest.update(f"\0{path.name}\0".encode("utf-8", "surrogateescape"))
        with suppress(OSError):
            digest.update(_content(path, SIZE_LIMIT if path == site else _LARGEST))
    return digest.hexdigest()


def _content(path: Path, limit: int) -> bytes:
    """Return the hash of a plain file; of what is none, or is too large to be read, its status."""
    if not check_plain_file(path, path.name, "the file", limit, Problems()):
        status = path.stat()
        return f"{status.st_mode} {status.st_size} {status.st_mtime_ns}".encode()
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").digest()
