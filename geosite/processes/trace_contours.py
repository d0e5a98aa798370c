"""The process ``trace-contours``: lines of equal elevation of any elevation raster."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from geosite.processes.derive_slope import ELEVATION, ELEVATION_UNIT
from geosite.processes.model import Context, Input, Output, Process
from geosite.processes.raster_strips import cost_in_strips, fits_at_once, room_for

if TYPE_CHECKING:
    from geosite.base.arrays import Floats

__all__ = ["PROCESS"]

_BYTES = 60
"""Of memory for each cell, measured, with room for the lines."""
_LINES = 2
"""Of memory for the lines, by cell of a raster that is traced in strips."""


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.handover.formats.geopackage import write_geopackage
    from geosite.handover.layers import contours as contour_lines
    from geosite.handover.model import Package
    from geosite.reading.rasters import open_elevation
    from geosite.terrain.contour import contours_in_strips, interval_between

    file, every = inputs["elevation"], inputs["index_every"]
    context.progress(0.0, "reading the elevations")
    with ExitStack() as stack:
        source = stack.enter_context(open_elevation(file, inputs.get("elevation_unit")))
        grid, height = source.grid, None
        if fits_at_once(grid, _BYTES):
            z = source.whole().values.astype(np.float64)
            ends = (float(np.nanmin(z)), float(np.nanmax(z)))
        else:
            cost = cost_in_strips(
                grid, strip_bytes=_BYTES, resident_bytes=_LINES, disk_bytes=0, file=file
            )
            stack.enter_context(room_for(cost, context))
            height = cost.height
            ends = source.ends(height)

        def read(top: int, bottom: int) -> Floats:
            if height is None:
                return z[top:bottom]
            return source.rows(top, bottom).astype(np.float64)

        interval = inputs.get("interval") or interval_between(*ends)
        context.progress(0.3, f"tracing contours every {interval:g}")
        found = contours_in_strips(read, grid, ends, interval, index_every=every, height=height)
        frame = source.frame
    # the raster lies on the map, lines of a layer lie in the frame
    local = tuple(replace(one, line=frame.to_local(one.line)) for one in found)
    layer = contour_lines.layer(local, frame)
    context.progress(0.8, "writing contours")
    package = Package("Contours", "", frame, (layer,), (), ())
    write_geopackage(context.out / "contours.gpkg", package)
    context.progress(1.0, "done")
    return {"interval": interval, "interval_unit": frame.height_unit_name, "contours": len(found)}


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
