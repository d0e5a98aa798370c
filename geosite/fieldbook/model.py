"""What was walked: the field book as typed columns, in walking order, in metres."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints, Shorts
from geosite.base.errors import Finding, InputError
from geosite.fieldbook.attached_files import Attached
from geosite.fieldbook.sitefile import Anchor, Baseline, SiteFile, Survey
from geosite.reading.toml_lines import line_of

PieceKind = Literal["line", "arc", "circle", "stream", "gap"]
PIECE_KINDS: tuple[PieceKind, ...] = ("line", "arc", "circle", "stream", "gap")

__all__ = ["PIECE_KINDS", "FieldBook", "Notes", "PieceKind", "assumed_geometry"]


def assumed_geometry(rows: int) -> Literal["area", "line", "point"]:
    """Return what a feature of so many observations is where its code is not explained.

    Examples
    --------
    >>> [assumed_geometry(rows) for rows in (1, 2, 3)]
    ['point', 'line', 'area']
    """
    if rows >= 3:
        return "area"
    return "line" if rows == 2 else "point"


@dataclass(frozen=True, eq=False)
class FieldBook:
    """Every observation of a survey, one array element per row, in walking order.

    Text columns are stored once as a tuple of distinct values and per row as an index into it,
    in order of first appearance; ``-1`` means the cell is blank.

    Parameters
    ----------
    file
        Path of the field book as the user named it, for messages.
    local : array, shape (n, 3), columns x, y, z, metres
        Coordinates in each run's own frame: right-handed, z up.
    unit_m
        Length of the field book's unit in metres (0.3048 for the international foot).
    runs, run : distinct run names; array, shape (n,)
        The uninterrupted walk each row belongs to (never ``-1``). The rows of a run need not be
        adjacent, their order within the run is the walking order.
    marks, mark : distinct mark names; array, shape (n,)
        The physical mark each row stands on, ``-1`` for an unnamed position.
    features, feature : distinct feature names; array, shape (n,)
    codes, code : distinct codes; array, shape (n,)
    kind : array of int8, shape (n,)
        Index into `PIECE_KINDS`: how the outline reaches this mark from the previous one.
    piece : array of int16, shape (n,)
        The number behind the word (``arc2`` gives 2), 1 where there is none.
    notes : tuple of str, length n
    line : array, shape (n,)
        Line of each row in the file, counted from 1.
    unused
        Headers of columns that were not read.
    time : array, shape (n,), seconds, or None
        When each row was noted, NaN where it is blank; only differences within a run mean
        something.
    """

    file: str
    local: Floats
    unit_m: float
    runs: tuple[str, ...]
    run: Shorts
    marks: tuple[str, ...]
    mark: Shorts
    features: tuple[str, ...]
    feature: Shorts
    codes: tuple[str, ...]
    code: Shorts
    kind: npt.NDArray[np.int8]
    piece: npt.NDArray[np.int16]
    notes: tuple[str, ...]
    line: Shorts
    unused: tuple[str, ...] = ()
    time: Floats | None = None

    def __len__(self) -> int:
        return len(self.local)

    def first_observations(self, most: int) -> Ints:
        """Return the first row of each mark, in the order of their names; of many some.

        By name, so that what is said of them is the same in whatever order the runs stand.

        Parameters
        ----------
        most
            Marks returned at most, spread over the names.
        """
        rows = np.flatnonzero(self.mark >= 0)
        marks, first = np.unique(self.mark[rows], return_index=True)
        found = rows[first][np.argsort(np.array([self.marks[m] for m in marks], dtype=str))]
        if len(found) > most:
            found = found[np.linspace(0, len(found) - 1, most).round().astype(int)]
        return np.asarray(found)


@dataclass(frozen=True, eq=False)
class Notes:
    """A survey as it was handed in: the site file, the field book and what was noticed on reading.

    Parameters
    ----------
    site
        The site file's tables.
    site_file
        Path of the site file as the user named it, for messages.
    folder
        Folder of the site file; relative paths in it start here.
    book
        The field book.
    findings
        What was noticed on reading and does not stop the work.
    site_lines
        Line of every table and key of the site file by its path, for messages.
    attached
        The other files that the site file names.
    """

    site: SiteFile
    site_file: str
    folder: Path
    book: FieldBook
    findings: tuple[Finding, ...] = ()
    site_lines: Mapping[tuple[str | int, ...], int] = field(default_factory=dict)
    attached: Attached = field(default_factory=Attached)

    @classmethod
    def of(cls, book: FieldBook, **tables: Any) -> Notes:
        """Return the notes of a field book that no site file names: it lies on no map.

        Parameters
        ----------
        book
        **tables
            Tables of the site file by their names, such as ``codes`` and ``runs``.
        """
        without: dict[str, Any] = {
            "survey": Survey(file=book.file),
            "baseline": Baseline(from_="", to=""),
            "anchor": Anchor(crs="", marks={}),
        }
        return cls(SiteFile(**without | tables), "", Path(), book)

    @contextmanager
    def asked(self, *path: str | int) -> Iterator[None]:
        """Let what is wrong with an answer stand where the site file asks for it.

        Parameters
        ----------
        *path
            Of the key that asks, ``"surface", "cell_size"``.

        Raises
        ------
        InputError
            Of the body; problems without a line have the line of the key.
        """
        line = line_of(self.site_lines, path)
        try:
            yield
        except InputError as error:
            raise InputError(
                replace(problem, file=self.site_file, line=line)
                if problem.line is None and problem.file in (None, self.site_file)
                else problem
                for problem in error.problems
            ) from None
