"""The layers ``curve_areas`` and ``curve_lines``: outlines and lines, their arcs kept as arcs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from geosite.base.columns import Columns, estimate, integer, text
from geosite.handover.layers.measures import ground
from geosite.handover.model import Form, Layer
from geosite.linework.model import Feature

__all__ = ["columns", "layers"]

AREAS = Form(
    "curve_areas",
    "Areas with true arcs",
    "The same areas with circular arcs instead of short chords.",
    "CurvePolygonZ",
)
LINES = Form(
    "curve_lines",
    "Lines with true arcs",
    "The same lines with circular arcs instead of short chords.",
    "MultiCurveZ",
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


def layers(drawn: Sequence[Feature], titles: Mapping[str, str]) -> tuple[Layer, Layer]:
    """Return areas and lines with densified outlines, for readers that know no arcs.

    Each has one kind of geometry: readers take a layer of several kinds for several layers.

    Parameters
    ----------
    drawn
        Features of any kind.
    titles
        What each code means.

    Examples
    --------
    >>> areas, lines = layers([], {})
    >>> areas.name, lines.name
    ('curve_areas', 'curve_lines')
    """
    table = columns(titles)
    kinds = {kind: [f for f in drawn if f.kind == kind] for kind in ("area", "line")}
    areas, lines = (
        form.layer(table, table.records(kinds[kind]), [f.geometry for f in kinds[kind]])
        for form, kind in ((AREAS, "area"), (LINES, "line"))
    )
    return areas, lines
