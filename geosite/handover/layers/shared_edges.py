"""The table ``shared_edges`` and the layer ``areas_snapped``: edges that two areas share."""

from __future__ import annotations

from collections.abc import Sequence

from geosite.analysis.takeoff.edge_pairs import EdgePair
from geosite.analysis.takeoff.quantities import TakeOff
from geosite.base.columns import Columns, integer, interval, real, text
from geosite.base.map_frame import Frame
from geosite.handover.model import Form, Layer, Table
from geosite.linework.on_map import to_map_geometry

__all__ = ["columns", "snapped", "snapped_columns", "table"]

SHARED_EDGES = Form(
    "shared_edges",
    "Shared edges",
    "Where areas meet: overlaps and gaps, and what was made of them.",
)
AREAS_SNAPPED = Form(
    "areas_snapped",
    "Areas, edges shared",
    "Areas whose shared edges were made one; the layer areas keeps what was measured.",
    "Polygon",
)


def columns() -> Columns[EdgePair]:
    """Return the columns of the shared edges."""
    return Columns(
        (
            text("first", "Name of an area; of a nested pair, the outer one.", lambda e: e.first),
            text("second", "Name of its neighbour.", lambda e: e.second),
            integer("nested", "1 where the second lies inside the first.", lambda e: e.nested),
            real(
                "length_m",
                "Length of the shared edge, on the ground.",
                lambda e: e.length_m,
                "m",
                exact="how far two outlines count as side by side, by a tolerance",
            ),
            interval("overlap_m2", "Ground that both count.", lambda e: e.overlap, "m2"),
            interval("gap_m2", "Ground between them that neither counts.", lambda e: e.gap, "m2"),
            interval("width_m", "Mean distance of the two edges.", lambda e: e.width, "m"),
            text("outcome", "one, reported, snapped or failed.", lambda e: e.outcome),
        )
    )


def table(pairs: Sequence[EdgePair]) -> Table:
    """Return the shared edges."""
    found = columns()
    return SHARED_EDGES.table(found, found.records(pairs))


def snapped_columns(taken: TakeOff, frame: Frame) -> Columns[str]:
    """Return the columns of the areas whose edges were made one, by their names."""
    changes = {q.feature: q for q in taken.features}
    return Columns(
        (
            text("feature", "Name in the field book.", lambda name: name),
            text("code", "Surface code.", lambda name: changes[name].code),
            real(
                "area_m2",
                "Area on the ground after snapping.",
                lambda name: taken.outlines[name].area / frame.combined_factor**2,
                "m2",
                exact="gross_area_m2 in quantities.csv has the interval",
            ),
            real(
                "area_change_m2",
                "What snapping changed in the measured area.",
                lambda name: changes[name].area_change_m2,
                "m2",
                exact="what was changed, not an estimate",
            ),
        )
    )


def snapped(taken: TakeOff, frame: Frame) -> Layer:
    """Return the areas whose edges were made one."""
    found = snapped_columns(taken, frame)
    return AREAS_SNAPPED.layer(
        found,
        found.records(list(taken.outlines)),
        [to_map_geometry(outline, frame) for outline in taken.outlines.values()],
    )
