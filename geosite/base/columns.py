"""The one table of columns: what a column is called, what it means, and how a fact fills it.

A layer or a table that leaves is a list of facts (frozen dataclasses) and a `Columns`. From it come
its records, the fields of the GeoPackage with their descriptions, the headers of the CSV, and what
plan and viewer read. A column is one line::

    estimate("area_m2", "Area on the ground.", lambda area: area.size, "m2")
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, Literal, TypeVar

import numpy as np

from geosite.base.estimate import Estimate

__all__ = ["Column", "Columns", "Field", "estimate", "integer", "interval", "real", "text"]

Fact = TypeVar("Fact")

_UNIT_WORDS = frozenset({"m", "m2", "m3", "lps", "ft", "ft2", "yd3", "deg", "percent", "ppm"})


@dataclass(frozen=True, slots=True)
class Field:
    """One attribute of a layer or table, as a reader of the file meets it.

    Parameters
    ----------
    name
        Column name, unit suffix included (``area_m2``).
    type
        ``"text"``, ``"real"`` or ``"integer"``.
    description
        One sentence.
    unit
        UCUM or the field's usual symbol, empty for none.
    values
        Allowed values and their meaning, for value lists.
    title
        The name in words, made from `name` where empty.
    exact
        Of a number that stands without an interval: why.
    """

    name: str
    type: Literal["text", "real", "integer"]
    description: str = ""
    unit: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    title: str = ""
    exact: str = ""

    @property
    def told(self) -> str:
        """The field in one line.

        Examples
        --------
        >>> Field("rise_m", "real", "Above the first mark.", "m").told
        'rise_m (real, m): Above the first mark.'
        """
        unit = f", {self.unit}" if self.unit else ""
        return f"{self.name} ({self.type}{unit}): {self.description}"

    @property
    def heading(self) -> str:
        """The name in words: ``net_area_m2`` is ``Net area``.

        Examples
        --------
        >>> Field("net_area_m2", "real").heading
        'Net area'
        """
        return self.title or _in_words(_stem(self.name)[0])


@dataclass(frozen=True, slots=True)
class Column(Generic[Fact]):
    """How one fact fills one column, or a number with its interval fills several.

    Parameters
    ----------
    name, description, unit, values, title, exact
        As in `Field`.
    kind
        ``"text"``, ``"integer"``, ``"real"``; ``"estimate"`` for an `Estimate` that lies evenly:
        ``X``, ``X_sigma`` and ``X_95``, half its 95 % interval; ``"interval"`` for one that does
        not: ``X``, ``X_low`` and ``X_high``. The unit stays last (``area_sigma_m2``).
    get
        Takes the fact, gives the value; ``None`` where there is none.
    known_from
        What the sigma of an estimate leaves out, if it does: ``"from the marks alone"``.
    """

    name: str
    kind: Literal["text", "integer", "real", "estimate", "interval"]
    description: str
    get: Callable[[Fact], Any]
    unit: str = ""
    values: Mapping[str, str] = field(default_factory=dict)
    title: str = ""
    exact: str = ""
    known_from: str = ""

    @property
    def fields(self) -> tuple[Field, ...]:
        """What the column adds to the file, in order."""
        if self.kind == "text" or self.kind == "integer" or self.kind == "real":
            return (
                Field(
                    self.name,
                    self.kind,
                    self.description,
                    self.unit,
                    self.values,
                    self.title,
                    self.exact,
                ),
            )
        stem, unit = _stem(self.name)
        title = self.title or _in_words(stem)
        given = f", {self.known_from}" if self.known_from else ""

        def part(word: str, meaning: str, shown: str) -> Field:
            return Field(
                f"{stem}_{word}{unit}", "real", meaning, self.unit, title=f"{title}, {shown}"
            )

        value = Field(self.name, "real", self.description, self.unit, title=title)
        if self.kind == "estimate":
            return (
                value,
                part("sigma", f"Standard deviation of {self.name}{given}.", "standard deviation"),
                part("95", f"Half the 95 % interval of {self.name}{given}.", "+/- at 95 %"),
            )
        return (
            value,
            part("low", f"Lower end of the 95 % interval of {self.name}{given}.", "low at 95 %"),
            part("high", f"Upper end of the 95 % interval of {self.name}{given}.", "high at 95 %"),
        )

    def cells(self, values: Iterable[Any]) -> list[list[Any]]:
        """Return a list of cells for each of `fields`; ``None`` for what is not known."""
        if self.kind == "text":
            return [[None if v is None or v == "" else str(v) for v in values]]
        if self.kind == "integer":
            return [[None if v is None else int(v) for v in values]]
        if self.kind == "real":
            if isinstance(values, np.ndarray) and np.isfinite(values).all():
                return [values.astype(np.float64).tolist()]
            return [[_finite(v) for v in values]]
        found: list[Estimate] = [_UNKNOWN if v is None else v for v in values]
        parts: tuple[Callable[[Estimate], float | None], ...] = (
            lambda e: e.value,
            (lambda e: e.sigma) if self.kind == "estimate" else (lambda e: e.low),
            (lambda e: e.half_width) if self.kind == "estimate" else (lambda e: e.high),
        )
        return [[_finite(part(e)) for e in found] for part in parts]


def text(
    name: str,
    description: str,
    get: Callable[[Fact], Any],
    values: Mapping[str, str] | None = None,
) -> Column[Fact]:
    """Return a column of words; `values` lists what may stand in it, with the meaning.

    Examples
    --------
    >>> text("verdict", "At 95 %.", str, {"within": "below the limit"}).fields[0].values
    {'within': 'below the limit'}
    """
    return Column(name, "text", description, get, values=values or {})


def integer(
    name: str,
    description: str,
    get: Callable[[Fact], Any],
    values: Mapping[str, str] | None = None,
) -> Column[Fact]:
    """Return a column of whole numbers: counts, line numbers, yes (1) and no (0).

    Examples
    --------
    >>> integer("is_index", "1 for an index contour.", bool).cells([True, False, None])
    [[1, 0, None]]
    """
    return Column(name, "integer", description, get, values=values or {})


def real(
    name: str, description: str, get: Callable[[Fact], Any], unit: str = "", *, exact: str = ""
) -> Column[Fact]:
    """Return a column of numbers that stand alone; `exact` says why they need no interval.

    Examples
    --------
    >>> real("limit_percent", "The limit.", float, "percent", exact="given").fields[0].unit
    'percent'
    """
    return Column(name, "real", description, get, unit, exact=exact)


def estimate(
    name: str,
    description: str,
    get: Callable[[Fact], Estimate | Sequence[Estimate | None] | None],
    unit: str = "",
    *,
    known_from: str = "",
) -> Column[Fact]:
    """Return the columns of a number with its sigma and half its 95 % interval.

    Examples
    --------
    >>> [one.name for one in estimate("area_m2", "Area.", lambda area: area, "m2").fields]
    ['area_m2', 'area_sigma_m2', 'area_95_m2']
    """
    return Column(name, "estimate", description, get, unit, known_from=known_from)


def interval(
    name: str,
    description: str,
    get: Callable[[Fact], Estimate | Sequence[Estimate | None] | None],
    unit: str = "",
) -> Column[Fact]:
    """Return the columns of a number with both ends of its 95 % interval.

    Examples
    --------
    >>> [one.name for one in interval("depth_m", "Depth.", lambda pond: pond, "m").fields]
    ['depth_m', 'depth_low_m', 'depth_high_m']
    """
    return Column(name, "interval", description, get, unit)


@dataclass(frozen=True, slots=True)
class Columns(Generic[Fact]):
    """All columns of a layer or table.

    Parameters
    ----------
    columns
        In order.
    first
        Names of fields that come before all others, in this order: what others rely on.

    Examples
    --------
    >>> walls = Columns(
    ...     (
    ...         text("wall", "Its name.", lambda wall: wall[0]),
    ...         estimate("length_m", "Its length.", lambda wall: wall[1], "m"),
    ...     )
    ... )
    >>> walls.records([("north", Estimate.normal(12.0, 0.5, 2.0))])
    [{'wall': 'north', 'length_m': 12.0, 'length_sigma_m': 0.5, 'length_95_m': 1.0}]
    """

    columns: tuple[Column[Fact], ...]
    first: tuple[str, ...] = ()

    @property
    def fields(self) -> tuple[Field, ...]:
        """The attributes in the order of the file."""
        found = {one.name: one for column in self.columns for one in column.fields}
        order = dict.fromkeys((*self.first, *found))
        return tuple(found[name] for name in order)

    def records(self, facts: Sequence[Fact]) -> list[dict[str, Any]]:
        """Return one record per fact."""
        return self._records([[c.get(fact) for fact in facts] for c in self.columns])

    def records_of(self, facts: Fact) -> list[dict[str, Any]]:
        """Return the records of facts that are kept as arrays: `get` gives a whole column."""
        return self._records([c.get(facts) for c in self.columns])

    def _records(self, values: Sequence[Iterable[Any]]) -> list[dict[str, Any]]:
        cells = {
            one.name: of_field
            for column, of_column in zip(self.columns, values, strict=True)
            for one, of_field in zip(column.fields, column.cells(of_column), strict=True)
        }
        names = [one.name for one in self.fields]
        rows = zip(*(cells[name] for name in names), strict=True)
        return [dict(zip(names, row, strict=True)) for row in rows]


_UNKNOWN = Estimate(math.nan, math.nan, math.nan)


def _stem(name: str) -> tuple[str, str]:
    """Split the unit off a name: ``area_m2`` into ``area`` and ``_m2``."""
    stem, _, last = name.rpartition("_")
    return (stem, f"_{last}") if stem and last in _UNIT_WORDS else (name, "")


def _in_words(stem: str) -> str:
    return stem.replace("_", " ").capitalize()


def _finite(value: Any) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
