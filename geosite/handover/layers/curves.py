"""The layer ``curves``: areas and lines with their arcs kept as arcs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from geosite.base.columns import Columns, estimate, integer, text
from geosite.handover.layers.measures import ground
from geosite.handover.model import Form, Layer
from geosite.linework.model import Feature

__all__ = ["columns", "layer"]

CURVES = Form(
    "curves",
    "Outlines with true arcs",
    "The same areas and lines with circular arcs instead of short chords.",
    "UnknownZ",
)


def columns(titles: Mapping[str, str]) -> Columns[Feature]:
    """Return the columns; `titles` says what each code means."""
    return Columns(
        (
            text("feature", "Name in the field book.", lambda f: f.name),
            text("code", "Surface or feature code.", lambda f: f.code),
            text(
                "kind",
                "An outline or a line.",
                lambda f: f.kind,
                {"area": "closed outline", "line": "open line"},
            ),
            estimate("area_m2", "Area on the ground, of areas.", lambda f: ground(f.area), "m2"),
            estimate(
                "length_m",
                "Length or whole outline on the ground.",
                lambda f: ground(f.perimeter if f.kind == "area" else f.length),
                "m",
            ),
            integer(
                "arcs",
                "Number of arcs and circles.",
                lambda f: sum(piece.radius is not None for piece in f.pieces),
            ),
            text("title", "Meaning of the code.", lambda f: titles.get(f.code)),
        )
    )


def layer(drawn: Sequence[Feature], titles: Mapping[str, str]) -> Layer:
    """Return the layer with densified outlines, for readers that know no arcs."""
    table = columns(titles)
    return CURVES.layer(table, table.records(drawn), [feature.geometry for feature in drawn])
