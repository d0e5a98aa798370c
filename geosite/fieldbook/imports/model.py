"""Facts of an import: tables as they came, what each column is taken for, questions left open."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from geosite.base.arrays import Floats
from geosite.reading.delimited import TextTable
from geosite.reading.written_numbers import Decimal

__all__ = [
    "DEGREES",
    "ROLES",
    "Answers",
    "Column",
    "Question",
    "Role",
    "Source",
    "Sureness",
    "Unit",
    "Walked",
    "of_degrees",
]

Role = Literal["run", "point", "x", "y", "z", "feature", "code", "segment", "note", "time"]
ROLES: tuple[Role, ...] = (
    "run",
    "point",
    "x",
    "y",
    "z",
    "feature",
    "code",
    "segment",
    "note",
    "time",
)
DEGREES = 0.1
"""Span of x and y that is no walk in any unit of length, but several kilometres in degrees."""
Unit = Literal["m", "ft", "ftUS"]
Sureness = Literal["told", "sure", "likely", "guess"]
"""By you; by a plain header; by an unusual header or clear data; by the usual order."""


@dataclass(frozen=True)
class Answers:
    """What whoever imports has said already.

    Parameters
    ----------
    columns
        Header or number of a column, counted from 1, by role; a minus in front turns the axis.
    unit
        Of x, y and z.
    decimal
        Decimal mark of the numbers.
    baseline
        The two marks that every walk visits.
    baseline_m
        Its measured length, metres, and as it was written.
    crs
        Map CRS.
    marks
        Easting, northing and perhaps elevation by mark, map units.
    title
        Of the site.
    layers
        Sheets or layers to take, of files that have several; none for all that have coordinates.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    unit: Unit | None = None
    decimal: Decimal | None = None
    baseline: tuple[str, str] | None = None
    baseline_m: tuple[float, str] | None = None
    crs: str | None = None
    marks: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    title: str | None = None
    layers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Question:
    """Something the exports leave open, and how to answer it.

    Parameters
    ----------
    code
        Stable identifier.
    what
        What is not clear.
    expected
        What would settle it.
    answer
        The option to give, with an example.
    file, line
    """

    code: str
    what: str
    expected: str
    answer: str
    file: str | None = None
    line: int | None = None


def of_degrees(what: str, file: str) -> Question:
    """Return the question about a list of places in longitude and latitude, which is no walk."""
    return Question(
        "degrees",
        f"{what} of longitude and latitude, as receivers write them",
        "x, y and z as lengths",
        "transform the list to a projected CRS in metres or feet and import that, easting as x and"
        " northing as y; of two marks alone they may say where the baseline lies, in site.toml",
        file,
    )


@dataclass(frozen=True, slots=True)
class Source:
    """One table of one file.

    Parameters
    ----------
    file
        As the user named it; a sheet's name after it.
    label
        What a walk is called that fills it.
    table
    """

    file: str
    label: str
    table: TextTable


@dataclass(frozen=True, slots=True)
class Column:
    """What a column is taken for.

    Parameters
    ----------
    role
    index
        Counted from 0.
    header
        As written, blank without one.
    turned
        Whether the axis points the other way and its numbers change sign.
    sureness
    why
        In a few words.
    """

    role: Role
    index: int
    header: str
    turned: bool
    sureness: Sureness
    why: str


@dataclass(frozen=True, eq=False)
class Walked:
    """Observations of one source, in walking order.

    Parameters
    ----------
    source
    columns
        By role.
    unit
        Unit that the headers say, with where they say it; ``None`` where they do not.
    lines
        Line of each observation.
    xyz : array, shape (n, 3)
        In the source's own unit; axes right-handed, z up.
    cells
        Text by role, one per observation; roles without a column are missing.
    breaks
        Places before which there was an empty line, a title or the header once more.
    titles
        Line and words of titles between walks, and of lines below the table, which are no rows.
    """

    source: Source
    columns: Mapping[str, Column]
    unit: tuple[str, str] | None
    lines: tuple[int, ...]
    xyz: Floats
    cells: Mapping[str, tuple[str, ...]]
    breaks: frozenset[int] = frozenset()
    titles: tuple[tuple[int, str], ...] = ()
