"""The layer ``drainage_arrows``: which way water runs, one arrow per coarse cell."""

from __future__ import annotations

import shapely

from geosite.base.columns import Columns, real
from geosite.base.map_frame import Frame
from geosite.handover.model import Form, Layer
from geosite.terrain.water.flow import Arrows

__all__ = ["columns", "layer"]

DRAINAGE_ARROWS = Form(
    "drainage_arrows",
    "Drainage arrows",
    "Which way water runs, one arrow per coarse cell; turn the sign by azimuth_deg.",
    "Point",
)


def columns(frame: Frame) -> Columns[Arrows]:
    """Return the columns."""
    return Columns(
        (
            real(
                "azimuth_deg",
                "Mean way of the water, clockwise from grid north.",
                lambda a: a.azimuth_deg,
                "deg",
            ),
            real("slope_percent", "Mean slope.", lambda a: a.slope_percent, "percent"),
            real(
                "contributing_area_m2",
                "Largest contributing area in the cell.",
                lambda a: a.contributing_area * frame.ground_unit_m**2,
                "m2",
            ),
            real(
                "steadiness",
                "1 where all water goes one way, 0 where ways cancel out.",
                lambda a: a.steadiness,
                exact="itself a statement of how sure the azimuth is",
            ),
        )
    )


def layer(arrows: Arrows, frame: Frame) -> Layer:
    """Return the arrows as points."""
    table = columns(frame)
    return DRAINAGE_ARROWS.layer(
        table,
        table.records_of(arrows),
        [shapely.Point(e, n) for e, n in zip(arrows.easting, arrows.northing, strict=True)],
    )
