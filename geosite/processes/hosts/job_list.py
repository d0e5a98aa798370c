"""The list of jobs of a host, one SQLite file: whole after a kill at any moment."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from geosite.base.errors import InputError, Problem
from geosite.base.file_lock import lock

__all__ = ["JobList", "only_host"]

_TABLE = """
CREATE TABLE IF NOT EXISTS jobs (
    number INTEGER PRIMARY KEY,
    identifier TEXT NOT NULL UNIQUE,
    record TEXT NOT NULL CHECK (json_valid(record))
)
"""


class JobList:
    """Records of jobs, in the order they came.

    Parameters
    ----------
    path
        The database; made if it is not there. One that is damaged is put aside, with the ending
        ``.damaged``, and a new list begun: results stay in their folders.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     jobs = JobList(Path(folder, "jobs.sqlite"))
    ...     jobs.add("a", {"status": "accepted"})
    ...     changed = jobs.update("a", {"status": "failed"})
    ...     jobs.get("a")
    {'status': 'failed'}
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._make()
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError):  # locked, or the disk
                raise
            for ending in ("-journal", "-wal", "-shm"):
                Path(f"{path}{ending}").unlink(missing_ok=True)
            os.replace(path, f"{path}.damaged")
            self._make()

    def _make(self) -> None:
        with self._open() as file:
            file.execute(_TABLE)
            if file.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                raise sqlite3.DatabaseError("damaged")

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        """Open the database for one transaction; every thread has a connection of its own."""
        with contextlib.closing(sqlite3.connect(self.path, timeout=30)) as file, file:
            yield file

    def add(self, identifier: str, record: Mapping[str, Any]) -> None:
        """Add a job at the end."""
        with self._open() as file:
            file.execute(
                "INSERT INTO jobs (identifier, record) VALUES (?, ?)",
                (identifier, json.dumps(dict(record))),
            )

    def update(self, identifier: str, changes: Mapping[str, Any]) -> bool:
        """Change some entries of a record; False where there is no such job."""
        with self._open() as file:
            file.execute("BEGIN IMMEDIATE")
            found = file.execute("SELECT record FROM jobs WHERE identifier = ?", (identifier,))
            row = found.fetchone()
            if row is None:
                return False
            record = json.dumps({**json.loads(row[0]), **changes})
            file.execute("UPDATE jobs SET record = ? WHERE identifier = ?", (record, identifier))
        return True

    def get(self, identifier: str) -> dict[str, Any] | None:
        """Return the record of a job, ``None`` where there is none."""
        with self._open() as file:
            found = file.execute("SELECT record FROM jobs WHERE identifier = ?", (identifier,))
            row = found.fetchone()
        return None if row is None else dict(json.loads(row[0]))

    def page(self, offset: int = 0, limit: int = -1) -> tuple[list[dict[str, Any]], int]:
        """Return some records, the oldest first, and how many there are; -1 for all."""
        with self._open() as file:
            rows = file.execute(
                "SELECT record FROM jobs ORDER BY number LIMIT ? OFFSET ?", (limit, offset)
            ).fetchall()
            (count,) = file.execute("SELECT count(*) FROM jobs").fetchone()
        return [json.loads(record) for (record,) in rows], int(count)

    def remove(self, identifier: str) -> bool:
        """Remove a job; False where there is none."""
        with self._open() as file:
            return file.execute("DELETE FROM jobs WHERE identifier = ?", (identifier,)).rowcount > 0


@contextmanager
def only_host(folder: Path) -> Iterator[None]:
    """Hold a folder for one host; its jobs would be another's to end.

    Raises
    ------
    InputError
        Another host serves the folder.
    """
    handle = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
    try:
        try:
            lock(handle)
        except BlockingIOError:
            raise InputError(
                Problem(
                    "folder-in-use",
                    "another host serves this folder",
                    "a folder for each host",
                    "choose another with --folder",
                    str(folder.parent),
                )
            ) from None
        yield
    finally:
        os.close(handle)
