"""The process ``trace-contours``: lines of equal elevation of any elevation raster."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geosite.base.memory import refuse_beyond_memory
from geosite.processes.derive_slope import ELEVATION, ELEVATION_UNIT
from geosite.processes.model import Context, Input, Output, Process

__all__ = ["PROCESS"]

_BYTES = 60
"""Of memory for each cell, measured, with room for the lines."""


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.handover.formats.geopackage import write_geopackage
    from geosite.handover.layers import contours as contour_lines
    from geosite.handover.model import Package
    from geosite.reading.rasters import read_elevation
    from geosite.terrain.contour import contours, default_interval

    context.progress(0.1, "reading the elevations")
    ground = read_elevation(inputs["elevation"], inputs.get("elevation_unit"))
    refuse_beyond_memory(ground.values.size, _BYTES, "tracing", inputs["elevation"])
    z = ground.values.astype(np.float64)
    interval = inputs.get("interval") or default_interval(z)
    context.progress(0.3, f"tracing contours every {interval:g}")
    found = contours(z, ground.grid, interval, index_every=inputs["index_every"])
    layer = contour_lines.layer(found, ground.frame)
    context.progress(0.8, "writing contours")
    package = Package("Contours", "", ground.frame, (layer,), (), ())
    write_geopackage(context.out / "contours.gpkg", package)
    context.progress(1.0, "done")
    return {"interval": interval, "contours": len(found)}


PROCESS = Process(
    id="trace-contours",
    version="1.0.0",
    title="Contours of an elevation raster",
    description=(
        "Traces lines of equal elevation at round intervals, with index contours, clipped to where "
        "the raster has data."
    ),
    keywords=("contour", "elevation", "terrain"),
    inputs=(
        ELEVATION,
        ELEVATION_UNIT,
        Input(
            "interval",
            "Contour interval",
            "Elevation units between lines; without it from the relief",
            {"type": "number", "minimum": 1e-6},
            required=False,
        ),
        Input(
            "index_every",
            "Index contours",
            "Every so many lines is an index contour",
            {"type": "integer", "minimum": 1, "default": 5},
            required=False,
        ),
    ),
    outputs=(
        Output(
            "contours",
            "Contours",
            "One line per contour with its elevation.",
            "application/geopackage+sqlite3",
            "gpkg",
        ),
    ),
    run=_run,
    example={"elevation": "map/elevation.tif", "interval": 0.1},
)
