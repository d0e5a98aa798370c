"""The layer ``marks``: every named mark once, where the adjustment puts it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.columns import Column, Columns, integer, real, text
from geosite.fieldbook.model import Notes
from geosite.handover.layers.points import Placed
from geosite.handover.model import Form, Layer
from geosite.network.accuracy.ellipses import error_ellipses
from geosite.network.accuracy.on_map import ellipse_half_axis

__all__ = ["columns", "layer"]

MARKS = Form("marks", "Marks", "Every named mark once, adjusted and placed on the map.", "PointZ")
ROLES = {
    "baseline": "one of the two marks that every run visits",
    "inlet": "water leaves here",
    "mark": "an ordinary mark",
}
# of one visit, not of the mark
_OF_A_VISIT = (
    *("run", "point", "feature", "code", "local_x", "local_y", "local_z"),
    *("segment", "row", "note"),
)


@dataclass(frozen=True, eq=False)
class Visited:
    """All named marks, in the order met; ``visits`` has the observations of each."""

    placed: Placed
    notes: Notes
    visits: tuple[Ints, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Their names."""
        return self.placed.book.marks

    @property
    def first(self) -> Ints:
        """The first observation of each: all visits of a mark stand at one adjusted place."""
        return np.array([rows[0] for rows in self.visits], np.int64)

    @cached_property
    def ellipses(self) -> tuple[Floats, Floats, Floats]:
        """Semi-axes at 95 %, metres, and azimuth of the longer one, degrees."""
        network = self.placed.network
        major, minor, azimuth = error_ellipses(network.relative, self.first)
        longer, shorter = (
            np.array([ellipse_half_axis(network, axis) for axis in axes.tolist()])
            for axes in (major, minor)
        )
        known = network.accuracy_known
        return longer, shorter, np.where(known, np.degrees(azimuth), np.nan)

    def roles(self) -> list[str]:
        """Return what each mark is for."""
        book, site = self.placed.book, self.notes.site
        baseline = (site.baseline.from_, site.baseline.to)
        inlets = [i for i, name in enumerate(book.codes) if (c := site.codes.get(name)) and c.inlet]
        return [
            "baseline" if name in baseline
            else "inlet" if np.isin(book.code[rows], inlets).any()
            else "mark"
            for name, rows in zip(self.names, self.visits, strict=True)
        ]  # fmt: skip

    def listed(self, kind: Literal["run", "feature"]) -> list[str]:
        """Return the different runs or features of each mark as one text."""
        names = self.placed.names(kind)
        return [_joined(names[i] for i in rows) for rows in self.visits]

    def notes_of_each(self) -> list[str]:
        """Return what was noted at each mark."""
        texts = self.placed.book.notes
        return [_joined(texts[i] for i in rows) for rows in self.visits]


def columns(of_points: Columns[Placed]) -> Columns[Visited]:
    """Return the columns: those of the marks, and those of the layer ``points`` about the place."""

    def at_first_visit(column: Column[Placed]) -> Column[Visited]:
        return Column(
            column.name,
            column.kind,
            column.description,
            lambda v: column.get(v.placed)[v.first],
            column.unit,
            exact=column.exact,
        )

    about = {f.name: c for c in of_points.columns for f in c.fields if f.name not in _OF_A_VISIT}
    place = [about[f.name] for f in of_points.fields if f.name in about]  # in that layer's order
    return Columns(
        (
            text("point", "Name of the mark.", lambda v: v.names),
            text("role", "What the mark is for.", lambda v: v.roles(), ROLES),
            integer(
                "visits",
                "How many times it was measured.",
                lambda v: [len(rows) for rows in v.visits],
            ),
            text("runs", "Uninterrupted walks that visited it.", lambda v: v.listed("run")),
            text("features", "Shapes it belongs to.", lambda v: v.listed("feature")),
            *map(at_first_visit, place),
            real(
                "ellipse_major_m",
                "Longer semi-axis of the error ellipse that holds the mark at 95 %.",
                lambda v: v.ellipses[0],
                "m",
                exact="itself an accuracy",
            ),
            real(
                "ellipse_minor_m",
                "Its shorter semi-axis.",
                lambda v: v.ellipses[1],
                "m",
                exact="itself an accuracy",
            ),
            real(
                "ellipse_azimuth_deg",
                "Direction of its longer axis, clockwise from grid north.",
                lambda v: v.ellipses[2],
                "deg",
                exact="itself an accuracy",
            ),
            text("note", "Free text of the field book.", lambda v: v.notes_of_each()),
        )
    )


def layer(placed: Placed, notes: Notes, of_points: Columns[Placed]) -> Layer:
    """Return each named mark once, from all observations and the columns of their layer."""
    book = notes.book
    order = np.argsort(book.mark, kind="stable")
    starts = np.searchsorted(book.mark[order], np.arange(len(book.marks) + 1))
    visits = tuple(order[a:b] for a, b in pairwise(starts))
    visited = Visited(placed, notes, visits)
    table = columns(of_points)
    places = np.column_stack([placed.en, placed.elevation])[visited.first]
    shapes: Any = shapely.points(places)
    return MARKS.layer(table, table.records_of(visited), shapes.tolist())


def _joined(texts: Iterable[str | None]) -> str:
    """Join the different texts in the order met."""
    return ", ".join(dict.fromkeys(text for text in texts if text))
