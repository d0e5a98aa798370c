"""Databases from outside: whole, and with nothing in them that runs while they are read.

A stored query, a computed column or a check is a program of whoever made the file: it may never
end or fill memory, and the reading library cannot be stopped in the midst of one. A database with
any of them is copied by a process of its own, within limits, and the copy, rows alone, is read.
Triggers are none of them: reading fires none.
"""

from __future__ import annotations

import os
import re
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from geosite.reading import plain_copy

__all__ = ["crs_texts", "database_damage", "holds_queries", "is_database", "plain"]

SECONDS = 30.0
"""A copy that takes longer is ended."""

# an index over more than names of columns, a column that is computed, a check
_RUNS = {
    "index": re.compile(r"\bWHERE\b|\(.*\(", re.IGNORECASE | re.DOTALL),
    "table": re.compile(
        r"^\s*CREATE\s+VIRTUAL(?!\s+TABLE\s+\S+\s+USING\s+rtree\b)|\bAS\b|\bCHECK\b",
        re.IGNORECASE,
    ),
}


def is_database(path: Path) -> bool:
    """Report whether a file is an SQLite database, by its first 16 bytes.

    Examples
    --------
    >>> is_database(Path("sample_data/ferry_landing/parcels.gpkg"))
    True
    """
    with path.open("rb") as stream:
        return stream.read(16) == b"SQLite format 3\0"


def holds_queries(path: Path) -> bool:
    """Report whether reading a database may run what its maker wrote.

    Raises
    ------
    sqlite3.Error
        Damaged; also where names or statements are no UTF-8.

    Examples
    --------
    >>> holds_queries(Path("sample_data/ferry_landing/parcels.gpkg"))
    False
    """
    with closing(_opened(path)) as file:
        rows = file.execute("SELECT type, sql, name, tbl_name FROM sqlite_master").fetchall()
    return any(
        kind == "view" or (kind in _RUNS and _RUNS[kind].search(str(sql or "")) is not None)
        for kind, sql, *_ in rows
    )


def database_damage(path: Path) -> str | None:
    """Return why a database that holds no queries cannot be read, or ``None``.

    Examples
    --------
    >>> database_damage(Path("sample_data/ferry_landing/parcels.gpkg")) is None
    True
    """
    if _is_locked(path):
        return "another program is writing to it: close it there first"
    try:
        if holds_queries(path):
            return None  # `plain` reads through it
        with closing(_opened(path)) as file:
            (found,) = file.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.OperationalError as error:
        # an index of a kind that this Python cannot check says nothing about damage
        return None if "no such module" in str(error) else f"damaged: {error}"
    except (sqlite3.Error, ValueError) as error:
        return f"damaged: {error}"
    return None if found == "ok" else f"damaged: {found}"


def crs_texts(path: Path) -> Iterator[str]:
    """Yield what a database that holds no queries says of its CRSs.

    Examples
    --------
    >>> texts = crs_texts(Path("sample_data/ferry_landing/parcels.gpkg"))
    >>> "EPSG" in texts
    True
    """
    tables = "SELECT name FROM sqlite_master WHERE lower(name) LIKE '%spatial_ref_sys%'"
    with closing(_opened(path)) as file:
        for (table,) in file.execute(tables).fetchall():
            quoted = str(table).replace('"', '""')
            for row in file.execute(f'SELECT * FROM "{quoted}" LIMIT 10000'):
                yield from (text for text in row if isinstance(text, str))


@contextmanager
def plain(path: Path) -> Iterator[Path]:
    """Yield a database, or where it holds queries a copy with their rows.

    Parameters
    ----------
    path
        A database; any other file is yielded as it is.

    Raises
    ------
    ValueError
        It is damaged, or copying takes more than 20 s, a gigabyte or a million rows of a query.

    Examples
    --------
    A database without queries of its maker's is read where it is:

    >>> place = Path("sample_data/ferry_landing/parcels.gpkg")
    >>> with plain(place) as safe:
    ...     safe == place
    True
    """
    if not is_database(path):
        yield path
        return
    try:
        runs = holds_queries(path)
    except sqlite3.Error as error:
        raise ValueError(f"damaged: {error}") from error
    if not runs:
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="geosite-") as folder:
        copy = Path(folder) / path.name
        _copied(path, copy)
        yield copy


def _opened(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)


def _copied(path: Path, copy: Path) -> None:
    given = (path.resolve(), copy, plain_copy.SECONDS)
    command = [sys.executable, "-I", "-S", plain_copy.__file__, *map(str, given)]
    try:
        done = subprocess.run(
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            timeout=SECONDS,
            check=False,
            env={name: os.environ[name] for name in ("SYSTEMROOT", "TMPDIR") if name in os.environ},
        )
    except subprocess.TimeoutExpired as error:
        raise ValueError(_ended()) from error
    if done.returncode == 0:
        return
    said = done.stderr.decode("ascii", "replace").strip().splitlines()
    raise ValueError(said[-1] if said and done.returncode == 3 else _ended())


def _ended() -> str:
    return (
        f"a query stored in it takes more than {plain_copy.SECONDS} s or "
        f"{plain_copy.MEMORY / 1e9:g} GB: save the layer alone, as a table"
    )


def _is_locked(path: Path) -> bool:
    """Report whether a database stays locked for half a second; the library waits far longer."""
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=0.5)
    try:
        connection.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.Error as error:
        return "locked" in str(error)
    finally:
        connection.close()
    return False
