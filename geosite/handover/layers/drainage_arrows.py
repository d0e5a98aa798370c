"""The layer ``drainage_arrows``: which way water runs, one arrow per coarse cell."""

from __future__ import annotations

import numpy as np
import shapely

from geosite.base.columns import Columns, integer, real
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


_SIGN = "a mean sign to read the map by; catchments and outflows have the intervals"


def columns(frame: Frame) -> Columns[Arrows]:
    """Return the columns."""
    return Columns(
        (
            real(
                "azimuth_deg",
                "Mean way of the water, clockwise from grid north.",
                lambda a: a.azimuth_deg,
                "deg",
                exact="steadiness says how sure it is, drainage_confidence.tif cell by cell",
            ),
            real(
                "slope_percent",
                "Mean slope.",
                lambda a: a.slope_percent,
                "percent",
                exact=_SIGN,
            ),
            real(
                "contributing_area_m2",
                "Largest contributing area in the cell.",
                lambda a: a.contributing_area / frame.combined_factor**2,
                "m2",
                exact=_SIGN,
            ),
            real(
                "steadiness",
                "1 where all water goes one way, 0 where ways cancel out.",
                lambda a: a.resultant_length,
                exact="itself a statement of how sure the azimuth is",
            ),
            integer(
                "measured",
                "0 where the ground is only interpolated, too far from any mark to be told.",
                lambda a: [1] * len(a.easting) if a.measured is None else a.measured.astype(int),
                {"0": "no", "1": "yes"},
            ),
        )
    )


def layer(arrows: Arrows, frame: Frame) -> Layer:
    """Return the arrows as points."""
    table = columns(frame)
    places = frame.to_map(np.column_stack([arrows.easting, arrows.northing]))
    return DRAINAGE_ARROWS.layer(
        table,
        table.records_of(arrows),
        [shapely.Point(place) for place in places],
    )
