"""The layer ``ponding``: standing water when every hollow is full."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from geosite.base.columns import Columns, integer, real
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.layers.shapes import whole_polygons
from geosite.handover.model import Form, Layer
from geosite.terrain.water.ponding import Pond

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["columns", "layer"]

PONDING = Form(
    "ponding", "Ponds", "Standing water when every hollow is full. No drainage design.", "Polygon"
)

SIGNIFICANT = {"0": "no: it may not be there at all", "1": "yes"}


def columns(frame: Frame, grid: Grid) -> Columns[Pond]:
    """Return the columns; the ponds lie on the cells of `grid`."""
    east, north = grid.centres()
    cell_m2 = (grid.cell_size * frame.ground_unit_m) ** 2
    height, place = frame.height_unit_m, "the middle of a cell"
    return Columns(
        (
            integer("pond", "Number, the largest volume first.", lambda p: p.number),
            real("depth_m", "Depth at the low point when full.", lambda p: p.depth * height, "m"),
            real(
                "depth_sigma_m",
                "How well a hollow can be told from its rim there.",
                lambda p: p.sigma * height,
                "m",
            ),
            integer(
                "is_significant",
                "Deeper than its standard deviation.",
                lambda p: p.is_significant,
                SIGNIFICANT,
            ),
            real(
                "volume_m3",
                "Volume when full.",
                lambda p: p.volume * frame.ground_unit_m**2 * height,
                "m3",
            ),
            real("area_m2", "Area of the water when full.", lambda p: p.cells * cell_m2, "m2"),
            real(
                "spill_elevation",
                "Level at which it spills.",
                lambda p: p.level,
                frame.height_unit_name,
            ),
            real("low_easting", "Low point.", lambda p: east[p.col], frame.unit_name, exact=place),
            real(
                "low_northing", "Low point.", lambda p: north[p.row], frame.unit_name, exact=place
            ),
            real(
                "spill_easting",
                "Spill point.",
                lambda p: east[p.spill_col],
                frame.unit_name,
                exact=place,
            ),
            real(
                "spill_northing",
                "Spill point.",
                lambda p: north[p.spill_row],
                frame.unit_name,
                exact=place,
            ),
            real(
                "contributing_area_m2",
                "Ground that drains through the pond.",
                lambda p: p.contributing_cells * cell_m2,
                "m2",
            ),
        )
    )


def layer(
    ponds: tuple[Pond, ...], outlines: Sequence[BaseGeometry], frame: Frame, grid: Grid
) -> Layer:
    """Return the ponds with their outlines in map coordinates."""
    table = columns(frame, grid)
    kind, shapes = whole_polygons(outlines)
    return PONDING.layer(table, table.records(ponds), shapes, kind)
