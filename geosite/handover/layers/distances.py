"""The tables ``distances``, ``angles`` and ``edges``: between marks, and along outlines."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from geosite.analysis.distances import Angle, Distance, Edge
from geosite.base.columns import Columns, estimate, integer, real, text
from geosite.fieldbook.model import FieldBook
from geosite.handover.layers.measures import GRID, degrees, ground, scaled
from geosite.handover.model import Form, Table

__all__ = ["angle_columns", "angles", "distance_columns", "distances", "edge_columns", "edges"]

DISTANCES = Form(
    "distances", "Distances between marks", "Those that the site file asks for, on the ground."
)
ANGLES = Form("angles", "Angles at marks", "Those that the site file asks for.")
EDGES = Form(
    "edges", "Edges and corners", "Length, direction, arc and corner of every walked edge."
)


def distance_columns() -> Columns[Distance]:
    """Return the columns of the distances."""
    return Columns(
        (
            text("from_point", "Mark the distance starts at.", lambda d: d.start),
            text("to_point", "Mark it ends at.", lambda d: d.end),
            estimate(
                "horizontal_m",
                "Horizontal distance on the ground.",
                lambda d: ground(d.horizontal),
                "m",
            ),
            real(
                "grid_m",
                "The same on the map grid.",
                lambda d: d.horizontal.grid,
                "m",
                exact=GRID,
            ),
            estimate(
                "slope_m",
                "Straight from mark to mark in space.",
                lambda d: ground(d.slope),
                "m",
            ),
            estimate(
                "azimuth_deg",
                "Grid azimuth, clockwise from grid north.",
                lambda d: degrees(d.azimuth),
                "deg",
            ),
            estimate(
                "rise_m", "Elevation of the end above the start.", lambda d: ground(d.rise), "m"
            ),
            estimate(
                "grade_percent",
                "Rise over horizontal distance.",
                lambda d: scaled(d.grade, 100.0),
                "percent",
            ),
        )
    )


def distances(found: Sequence[Distance]) -> Table:
    """Return what was asked for between two marks.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.network.independent_marks import independent_marks
    >>> from geosite.analysis.distances import distance
    >>> rows = ["run,point,x,y,z", "R1,A,0,0,0", "R1,B,3,4,12"]
    >>> book = book_from_text(chr(10).join(rows))
    >>> (row,) = distances([distance(book, independent_marks(book.local), "A", "B")]).records
    >>> row["horizontal_m"], row["slope_m"], row["rise_m"]
    (5.0, 13.0, 12.0)
    """
    table = distance_columns()
    return DISTANCES.table(table, table.records(found))


def angle_columns() -> Columns[Angle]:
    """Return the columns of the angles."""
    return Columns(
        (
            text("at_point", "Mark the angle is at.", lambda a: a.at),
            text("from_point", "Mark in the first direction.", lambda a: a.start),
            text("to_point", "Mark in the second direction.", lambda a: a.end),
            estimate(
                "angle_deg",
                "Clockwise from the first direction to the second.",
                lambda a: degrees(a.value),
                "deg",
            ),
        )
    )


def angles(found: Sequence[Angle]) -> Table:
    """Return the angles that were asked for.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.network.independent_marks import independent_marks
    >>> from geosite.analysis.distances import angle_at
    >>> rows = ["run,point,x,y,z", "R1,A,0,0,0", "R1,N,0,5,0", "R1,E,5,0,0"]
    >>> book = book_from_text(chr(10).join(rows))
    >>> (row,) = angles([angle_at(book, independent_marks(book.local), "A", "N", "E")]).records
    >>> round(row["angle_deg"], 9)
    90.0
    """
    table = angle_columns()
    return ANGLES.table(table, table.records(found))


def edge_columns(name: Callable[[int], str | None]) -> Columns[Edge]:
    """Return the columns of the edges; `name` gives the mark of an observation."""
    return Columns(
        (
            text("feature", "Name in the field book.", lambda e: e.feature),
            integer("edge", "Number of the edge, in drawing order.", lambda e: e.number),
            text("kind", "line, arc, circle, stream or gap.", lambda e: e.kind),
            text(
                "from_point",
                "Mark it starts at; empty for an unnamed one.",
                lambda e: name(e.start),
            ),
            text("to_point", "Mark it ends at.", lambda e: name(e.end)),
            estimate(
                "length_m",
                "Length along the edge, on the ground.",
                lambda e: ground(e.length),
                "m",
            ),
            estimate(
                "chord_m",
                "Straight from end to end, on the ground.",
                lambda e: ground(e.chord),
                "m",
            ),
            estimate(
                "azimuth_deg", "Grid azimuth of the chord.", lambda e: degrees(e.azimuth), "deg"
            ),
            estimate(
                "radius_m", "Of an arc or circle, on the ground.", lambda e: ground(e.radius), "m"
            ),
            estimate(
                "sagitta_m",
                "Height of an arc over its chord, on the ground.",
                lambda e: ground(e.sagitta),
                "m",
            ),
            estimate(
                "sweep_deg",
                "Central angle of an arc, counter-clockwise positive.",
                lambda e: degrees(e.sweep),
                "deg",
            ),
            estimate(
                "angle_deg",
                "Corner at the start of the edge: inside an area; of a line clockwise from the "
                "edge before.",
                lambda e: degrees(e.corner),
                "deg",
            ),
        )
    )


def edges(found: Sequence[Edge], book: FieldBook) -> Table:
    """Return the edges of every area and line."""

    def name(row: int) -> str | None:
        return book.marks[book.mark[row]] if book.mark[row] >= 0 else None

    table = edge_columns(name)
    return EDGES.table(table, table.records(found))
