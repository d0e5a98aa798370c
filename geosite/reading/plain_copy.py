"""Copy what a database shows into one that holds rows alone.

Called as ``python plain_copy.py FROM TO SECONDS``. Stored queries, computed columns and checks are
programs: they may never end, or fill memory. This runs in a process of its own, started by
`databases.plain`, within limits that the system keeps. It needs the standard library only, so that
it starts at once.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path

SECONDS = 20
MEMORY = 1_000_000_000
FILE = 1_000_000_000
CELL = 50_000_000
"""Bytes of one cell."""
ROWS = 1_000_000
"""Rows of one stored query."""


def main(source: str, target: str, seconds: int) -> str | None:
    """Copy in at most so many seconds of the processor; return what is wrong."""
    _limit(seconds)
    file = sqlite3.connect(target, isolation_level=None, uri=True)
    try:
        file.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, CELL)
        file.execute("PRAGMA trusted_schema = OFF")
        # no journal: the copy is thrown away when anything goes wrong
        file.execute("PRAGMA journal_mode = OFF")
        file.execute("PRAGMA synchronous = OFF")
        uri = f"{Path(source).as_uri()}?mode=ro&immutable=1"
        file.execute("ATTACH ? AS theirs", (uri,))
        found = file.execute("PRAGMA theirs.quick_check(1)").fetchone()[0]
        if found != "ok":
            return f"damaged: {found}"
        for name in ("application_id", "user_version"):
            (value,) = file.execute(f"PRAGMA theirs.{name}").fetchone()
            file.execute(f"PRAGMA main.{name} = {int(value)}")
        for kind, name in list(_wanted(file)):
            if (fault := _copy(file, kind, name)) is not None:
                return fault
        _without_indices(file)
    except (sqlite3.Error, UnicodeError, MemoryError) as error:
        return f"damaged: {error}"
    finally:
        file.close()
    return None


def _limit(seconds: int) -> None:
    if sys.platform == "win32":
        return  # the process that started this one ends it after a while
    import resource

    for kind, value in (
        (resource.RLIMIT_CPU, seconds),
        (resource.RLIMIT_AS, MEMORY),
        (resource.RLIMIT_FSIZE, FILE),
    ):
        hard = resource.getrlimit(kind)[1]
        value = value if hard == resource.RLIM_INFINITY else min(value, hard)
        resource.setrlimit(kind, (value, hard))


def _wanted(file: sqlite3.Connection) -> Iterator[tuple[str, str]]:
    """Yield the tables, and of the stored queries those that are named as layers."""
    rows = file.execute(
        "SELECT type, name, sql FROM theirs.sqlite_master WHERE type IN ('table', 'view')"
    ).fetchall()
    tables = {name.lower() for kind, name, _ in rows if kind == "table"}
    layers: set[str] = set()
    if "gpkg_contents" in tables:
        named = file.execute("SELECT table_name FROM theirs.gpkg_contents LIMIT 10000")
        layers = {str(name).lower() for (name,) in named}
    for kind, name, sql in rows:
        virtual = str(sql).lstrip().upper().startswith("CREATE VIRTUAL")
        own = name.lower().startswith(("sqlite_", "rtree_"))
        if kind == "view" and not own and _is_registry(name):
            # always in the way of a reader, and never what a program wrote
            yield "registry", name
        elif (kind == "table" and not virtual and not own) or name.lower() in layers:
            yield kind, name


def _is_registry(name: str) -> bool:
    return name.lower().startswith("gpkg_") or name.lower() in (
        "geometry_columns",
        "spatial_ref_sys",
    )


def _copy(file: sqlite3.Connection, kind: str, name: str) -> str | None:
    if kind == "registry":
        return f"{name}, which lists its layers, is a query and no table"
    columns = file.execute(f"PRAGMA theirs.table_xinfo({_quoted(name)})").fetchall()
    kept = [column for column in columns if column[6] != 1]
    keys = [column for column in kept if column[5]]
    parts = []
    for _, column, kind_of, _, _, key, _ in kept:
        # the rows keep their numbers where a column is one
        numbered = key and len(keys) == 1 and str(kind_of).upper() == "INTEGER"
        affinity = str(kind_of).replace("GENERATED ALWAYS", "").strip()
        parts.append(
            f"{_quoted(column)} {_quoted(affinity) if affinity else ''}"
            + (" PRIMARY KEY" if numbered else "")
        )
    file.execute(f"CREATE TABLE main.{_quoted(name)} ({', '.join(parts)})")
    names = ", ".join(_quoted(column[1]) for column in kept)
    limit = f" LIMIT {ROWS + 1}" if kind == "view" else ""
    done = file.execute(
        f"INSERT INTO main.{_quoted(name)} ({names}) "
        f"SELECT {names} FROM theirs.{_quoted(name)}{limit}"
    )
    if kind == "view" and done.rowcount > ROWS:
        return f"the query {name} gives more than {ROWS} rows"
    return None


def _without_indices(file: sqlite3.Connection) -> None:
    """Take out what the list of extensions says of spatial indices, which are not copied."""
    listed = "SELECT 1 FROM main.sqlite_master WHERE lower(name) = 'gpkg_extensions'"
    if file.execute(listed).fetchone():
        file.execute("DELETE FROM main.gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


if __name__ == "__main__":
    said = main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
    if said is not None:
        print(ascii(said)[1:-1], file=sys.stderr)
        sys.exit(3)
