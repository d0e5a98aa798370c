"""Care with files that are read through GDAL: looked at before, kept quiet while.

The wrapper that reads vector layers brings the whole process down when the library complains in
bytes that are not UTF-8, which it does about damaged databases. So databases are checked first.
"""

from __future__ import annotations

import json
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["damage", "is_view", "quiet"]

UNPACKED_LIMIT = 200_000_000
JSON_LIMIT = 50_000_000
"""Bytes; reading JSON takes many times its size in memory."""


def damage(path: Path) -> str | None:
    """Return why a database, archive or JSON file cannot be handed on, or ``None``.

    Other files have no damage that matters here.
    """
    with path.open("rb") as stream:
        head = stream.read(64)
    if head.startswith(b"SQLite format 3\0"):
        return _database_damage(path)
    if head.startswith(b"PK\x03\x04"):
        return _archive_damage(path)
    if head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith((b"{", b"[")):
        return _json_damage(path)
    return None


def _database_damage(path: Path) -> str | None:
    import sqlite3

    connection = sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True)
    try:
        # names and statements too: text that is no UTF-8 fails here
        connection.execute("SELECT name, tbl_name, sql FROM sqlite_master").fetchall()
        (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.OperationalError as error:
        # an index of a kind that this Python cannot check says nothing about damage
        return None if "no such module" in str(error) else f"damaged: {error}"
    except (sqlite3.Error, ValueError) as error:
        return f"damaged: {error}"
    finally:
        connection.close()
    return None if found == "ok" else f"damaged: {found}"


def _archive_damage(path: Path) -> str | None:
    import zipfile

    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(member.file_size for member in archive.infolist())
    except (zipfile.BadZipFile, OSError, RuntimeError, ValueError, NotImplementedError) as error:
        return f"damaged: {error}"
    if size > UNPACKED_LIMIT:
        return f"unpacks to {size / 1e6:.0f} MB, more than {UNPACKED_LIMIT / 1e6:.0f}"
    return None


def _json_damage(path: Path) -> str | None:
    if path.stat().st_size > JSON_LIMIT:
        return f"more than {JSON_LIMIT / 1e6:.0f} MB of JSON"
    try:
        json.loads(path.read_bytes().decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        return f"damaged: {error}"
    return None


def is_view(path: Path, layer: str) -> bool:
    """Report whether a layer of a database is a stored query, which may never end."""
    with path.open("rb") as stream:
        if not stream.read(16).startswith(b"SQLite format 3"):
            return False
    import sqlite3

    connection = sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True)
    try:
        query = "SELECT count(*) FROM sqlite_master WHERE type = 'view' AND lower(name) = lower(?)"
        return bool(connection.execute(query, (layer,)).fetchone()[0])
    except sqlite3.Error as error:
        raise ValueError(str(error)) from error
    finally:
        connection.close()


@contextmanager
def quiet() -> Iterator[None]:
    """Keep warnings and complaints of the reading libraries off the terminal.

    What matters is checked on what was read. Complaints that cannot be decoded would be printed
    as ignored exceptions.
    """
    hook = sys.unraisablehook
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sys.unraisablehook = lambda _: None
        try:
            yield
        finally:
            sys.unraisablehook = hook
