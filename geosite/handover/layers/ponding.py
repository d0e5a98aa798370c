"""The layer ``ponding``: standing water when every hollow is full."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from geosite.base.columns import Columns, integer, interval, real
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.layers.shapes import whole_polygons
from geosite.handover.model import Form, Layer
from geosite.terrain.water.water_estimates import PondEstimate

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["columns", "layer"]

PONDING = Form(
    "ponding",
    "Ponds",
    "Standing water when every hollow is full. No drainage design.",
    "Polygon",
    "one lies in several pieces",
)

SIGNIFICANT = {"0": "no: it may not be there at all", "1": "yes"}


def columns(frame: Frame, grid: Grid) -> Columns[PondEstimate]:
    """Return the columns; the ponds lie on the cells of `grid`."""
    east, north = grid.centres()
    height, unit = frame.height_unit_m, frame.unit_name
    place = "the middle of a cell"
    return Columns(
        (
            integer("pond", "Number, the largest volume first.", lambda p: p.pond.number),
            interval("depth_m", "Depth at the low point when full.", lambda p: p.depth_m, "m"),
            real(
                "probability",
                "Share of the possible grounds on which water stands here.",
                lambda p: p.probability,
                exact="itself a statement of how sure the pond is",
            ),
            integer(
                "is_significant",
                "Whether there is a pond with 95 % confidence.",
                lambda p: p.is_significant,
                SIGNIFICANT,
            ),
            interval("volume_m3", "Volume when full.", lambda p: p.volume_m3, "m3"),
            interval("area_m2", "Area of the water when full.", lambda p: p.area_m2, "m2"),
            interval(
                "spill_elevation",
                "Level at which it spills.",
                lambda p: p.level_m.scaled(1 / height),
                frame.height_unit_name,
            ),
            real("low_easting", "Low point.", lambda p: east[p.pond.col], unit, exact=place),
            real("low_northing", "Low point.", lambda p: north[p.pond.row], unit, exact=place),
            real(
                "spill_easting", "Spill point.", lambda p: east[p.pond.spill_col], unit, exact=place
            ),
            real(
                "spill_northing",
                "Spill point.",
                lambda p: north[p.pond.spill_row],
                unit,
                exact=place,
            ),
            interval(
                "contributing_area_m2",
                "Ground that drains through the pond.",
                lambda p: p.inflow_m2,
                "m2",
            ),
        )
    )


def layer(
    ponds: tuple[PondEstimate, ...], outlines: Sequence[BaseGeometry], frame: Frame, grid: Grid
) -> Layer:
    """Return the ponds with their outlines in map coordinates."""
    table = columns(frame, grid)
    kind, shapes = whole_polygons(outlines)
    return PONDING.layer(table, table.records(ponds), shapes, kind)
