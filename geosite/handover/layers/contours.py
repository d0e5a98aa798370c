"""The layer ``contours``: lines of equal elevation."""

from __future__ import annotations

import numpy as np
import shapely

from geosite.base.columns import Columns, integer, real
from geosite.base.map_frame import Frame
from geosite.handover.model import Form, Layer
from geosite.terrain.contour import Contour

__all__ = ["columns", "layer"]

CONTOURS = Form(
    "contours",
    "Contours",
    "Lines of equal elevation of the ground, from the elevation raster.",
    "LineStringZ",
)


def columns(frame: Frame) -> Columns[Contour]:
    """Return the columns."""
    return Columns(
        (
            real(
                "elevation",
                "Elevation of the line.",
                lambda c: c.elevation,
                frame.height_unit_name,
                exact="the level asked for; how well the ground is known is in elevation_sigma.tif",
            ),
            integer(
                "is_index",
                "1 for an index contour.",
                lambda c: c.is_index,
                {"0": "no", "1": "yes"},
            ),
            integer(
                "measured",
                "0 where the ground is only interpolated, too far from any mark to be told.",
                lambda c: c.measured,
                {"0": "no", "1": "yes"},
            ),
        )
    )


def layer(contours: tuple[Contour, ...], frame: Frame) -> Layer:
    """Return contours, whose lines are in local grid metres, as a layer of the map."""
    table = columns(frame)
    return CONTOURS.layer(
        table,
        table.records(contours),
        [
            shapely.LineString(
                np.column_stack([frame.to_map(c.line), np.full(len(c.line), c.elevation)])
            )
            for c in contours
        ],
    )
