"""The layer ``areas``: surfaces drawn from the walked outlines."""

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

AREAS = Form(
    "areas",
    "Areas",
    "Surfaces drawn from the walked outlines. Measures are ground values.",
    "PolygonZ",
)

CONTRACT = ("feature", "code", "area_m2", "area_sigma_m2", "net_area_m2", "perimeter_m")


def columns(titles: Mapping[str, str]) -> Columns[Feature]:
    """Return the columns; `titles` says what each code means.

    Examples
    --------
    >>> [field.name for field in columns({}).fields][:6]
    ['feature', 'code', 'area_m2', 'area_sigma_m2', 'net_area_m2', 'perimeter_m']
    """
    return Columns(
        (
            text("feature", "Name in the field book.", lambda f: f.name),
            text("code", "Surface code.", lambda f: f.code, titles),
            estimate(
                "area_m2",
                "Area on the ground, from the exact outline.",
                lambda f: ground(f.area),
                "m2",
            ),
            estimate(
                "net_area_m2",
                "Area without the features inside it.",
                lambda f: ground(f.net_area),
                "m2",
            ),
            estimate(
                "perimeter_m",
                "Length of the whole outline on the ground.",
                lambda f: ground(f.perimeter),
                "m",
            ),
            estimate(
                "edging_m",
                "Length of the drawn outline, without its gaps.",
                lambda f: ground(f.edging),
                "m",
            ),
            real("area_grid_m2", "Area on the map grid.", lambda f: grid(f.area), "m2", exact=GRID),
            real(
                "perimeter_grid_m",
                "Length of the outline on the map grid.",
                lambda f: grid(f.perimeter),
                "m",
                exact=GRID,
            ),
            text("inside", "Features directly inside this one.", lambda f: ", ".join(f.inside)),
            text("title", "Meaning of the code.", lambda f: titles.get(f.code)),
        ),
        CONTRACT,
    )


def layer(drawing: Drawing, frame: Frame, titles: Mapping[str, str]) -> Layer:
    """Return the areas with their ground measures and the grid values beside them.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["R1,A,0,0,0,yard", "R1,B,4,0,0,yard", "R1,C,0,3,0,yard"]
    >>> book = book_from_text(chr(10).join(["run,point,x,y,z,feature", *rows]))
    >>> network = independent_marks(book.local)
    >>> found = layer(draw(Notes.of(book), network), network.frame, {})
    >>> found.geometry_type, found.records[0]["area_m2"], found.records[0]["perimeter_m"]
    ('PolygonZ', 6.0, 12.0)
    """
    chosen = [feature for feature in drawing.features if feature.kind == "area"]
    shapes = [to_map_geometry(feature.geometry, frame) for feature in chosen]
    table = columns(titles)
    return AREAS.layer(table, table.records(chosen), shapes, common_type(shapes, "Polygon"))
