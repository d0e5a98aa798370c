"""The layer ``flow_paths``: the way of water from where it was asked for."""

from __future__ import annotations

from geosite.base.columns import Columns, interval, text
from geosite.base.map_frame import Frame
from geosite.handover.model import Form, Layer
from geosite.linework.on_map import to_map_geometry
from geosite.terrain.site_water import FlowPath

__all__ = ["columns", "layer"]

FLOW_PATHS = Form(
    "flow_paths",
    "Flow paths",
    "The way of water from its start to where it leaves or joins an earlier way.",
    "LineStringZ",
)


def columns() -> Columns[FlowPath]:
    """Return the columns."""
    return Columns(
        (
            text("start", "Mark or feature the water starts from.", lambda p: p.start),
            interval(
                "length_m", "Length of the way over the grid of cells.", lambda p: p.length_m, "m"
            ),
            interval("fall_m", "Fall of the water surface along it.", lambda p: p.fall_m, "m"),
        )
    )


def layer(paths: tuple[FlowPath, ...], frame: Frame) -> Layer:
    """Return the paths as lines in map coordinates."""
    table = columns()
    shapes = [to_map_geometry(path.line, frame) for path in paths]
    return FLOW_PATHS.layer(table, table.records(paths), shapes)
