"""The layer ``lines``: lines drawn from the walked marks."""

from __future__ import annotations

from collections.abc import Mapping

from geosite.base.columns import Columns, estimate, real, text
from geosite.base.map_frame import Frame
from geosite.handover.layers.measures import GRID, grid, ground
from geosite.handover.layers.shapes import common_type
from geosite.handover.model import Form, Layer
from geosite.linework.model import Drawing, Feature
from geosite.linework.on_map import to_map_geometry

__all__ = ["columns", "layer"]

LINES = Form(
    "lines",
    "Lines",
    "Lines drawn from the walked marks. Measures are ground values.",
    "LineStringZ",
    "one has a gap",
)

CONTRACT = ("feature", "code", "length_m", "length_3d_m", "rise_m", "fall_m")


def columns(titles: Mapping[str, str]) -> Columns[Feature]:
    """Return the columns; `titles` says what each code means.

    Examples
    --------
    >>> named = {field.name for field in columns({}).fields}
    >>> named >= {"feature", "code", "length_m", "length_3d_m", "rise_m", "fall_m"}
    True
    """
    return Columns(
        (
            text("feature", "Name in the field book.", lambda f: f.name),
            text("code", "Feature code.", lambda f: f.code, titles),
            estimate(
                "length_m",
                "Horizontal length on the ground, exact on arcs.",
                lambda f: ground(f.length),
                "m",
            ),
            estimate("length_3d_m", "Length along the slope.", lambda f: ground(f.length_3d), "m"),
            estimate(
                "rise_m", "Sum of all climbs from mark to mark.", lambda f: ground(f.rise), "m"
            ),
            estimate(
                "fall_m", "Sum of all descents from mark to mark.", lambda f: ground(f.fall), "m"
            ),
            real(
                "length_grid_m",
                "Length on the map grid.",
                lambda f: grid(f.length),
                "m",
                exact=GRID,
            ),
            text("title", "Meaning of the code.", lambda f: titles.get(f.code)),
        ),
        CONTRACT,
    )


def layer(drawing: Drawing, frame: Frame, titles: Mapping[str, str]) -> Layer:
    """Return the lines with their ground measures and the grid values beside them.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["R1,A,0,0,0,kerb", "R1,B,3,4,12,kerb"]
    >>> book = book_from_text(chr(10).join(["run,point,x,y,z,feature", *rows]))
    >>> network = independent_marks(book.local)
    >>> (row,) = layer(draw(Notes.of(book), network), network.frame, {}).records
    >>> row["length_m"], row["length_3d_m"], row["rise_m"], row["fall_m"]
    (5.0, 13.0, 12.0, 0.0)
    """
    chosen = [feature for feature in drawing.features if feature.kind == "line"]
    shapes = [to_map_geometry(feature.geometry, frame) for feature in chosen]
    table = columns(titles)
    return LINES.layer(table, table.records(chosen), shapes, common_type(shapes, "LineString"))
