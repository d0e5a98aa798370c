"""The layer ``flow_paths``: the way of water from where it was asked for."""

from __future__ import annotations

import numpy as np
import shapely

from geosite.base.columns import Columns, real, text
from geosite.base.map_frame import Frame
from geosite.handover.model import Form, Layer
from geosite.terrain.site import FlowPath

__all__ = ["columns", "layer"]

FLOW_PATHS = Form(
    "flow_paths",
    "Flow paths",
    "The way of water from its start to where it leaves or joins an earlier way.",
    "LineStringZ",
)


def columns(frame: Frame) -> Columns[FlowPath]:
    """Return the columns."""

    def length(path: FlowPath) -> float:
        steps = np.diff(shapely.get_coordinates(path.line), axis=0)
        return float(np.hypot(*steps.T).sum()) * frame.ground_unit_m

    def fall(path: FlowPath) -> float:
        heights = shapely.get_coordinates(path.line, include_z=True)[:, 2]
        return float(heights[0] - heights[-1]) * frame.height_unit_m

    return Columns(
        (
            text("start", "Mark or feature the water starts from.", lambda p: p.start),
            real("length_m", "Length of the way over the grid of cells.", length, "m"),
            real("fall_m", "Fall of the water surface along it.", fall, "m"),
        )
    )


def layer(paths: tuple[FlowPath, ...], frame: Frame) -> Layer:
    """Return the paths as lines."""
    table = columns(frame)
    return FLOW_PATHS.layer(table, table.records(paths), [path.line for path in paths])
