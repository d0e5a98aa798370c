"""The process ``derive-drainage``: which way water runs on any elevation raster."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from geosite.processes.derive_slope import ELEVATION, ELEVATION_UNIT, GEOTIFF
from geosite.processes.model import Context, Input, Output, Process

if TYPE_CHECKING:
    from geosite.handover.model import Raster
    from geosite.reading.rasters import ElevationRaster
    from geosite.terrain.water.drainage import FlowMethod

__all__ = ["PROCESS", "derived"]


def derived(ground: ElevationRaster, method: FlowMethod) -> tuple[Raster, Raster, Raster]:
    """Return drainage direction, ponding depth and contributing area of an elevation raster."""
    import numpy as np

    from geosite.handover.model import Raster
    from geosite.terrain.water.drainage import drain

    flow = drain(ground.values, ground.grid.cell_size, method=method)
    outside = ~np.isfinite(ground.values)
    depth = np.where(outside, np.nan, flow.ponding_depth * ground.frame.height_unit_m)
    area = np.where(outside, np.nan, flow.contributing_area * ground.frame.unit_m**2)
    return (
        Raster(
            "drainage_direction",
            "Drainage direction",
            "Way water leaves the cell, degrees clockwise from grid north; -1 where it cannot.",
            flow.azimuth_deg,
            ground.grid,
            "degree",
        ),
        Raster(
            "ponding_depth",
            "Ponding depth",
            "Depth of water in a depression that is full to its lowest pass.",
            depth,
            ground.grid,
            "m",
        ),
        Raster(
            "contributing_area",
            "Contributing area",
            "Area that drains through the cell, its own included, on the map grid.",
            area,
            ground.grid,
            "m2",
        ),
    )


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.geotiff import write_raster
    from geosite.reading.rasters import read_elevation

    context.progress(0.1, "reading the elevations")
    ground = read_elevation(inputs["elevation"], inputs.get("elevation_unit"))
    context.progress(0.2, "finding the ways of the water")
    rasters = derived(ground, inputs["method"])
    for number, raster in enumerate(rasters):
        context.progress(0.6 + 0.13 * number, f"writing {raster.name}")
        write_raster(context.out / f"{raster.name}.tif", raster, ground.frame)
        write_raster_style(context.out, raster)
    context.progress(1.0, "done")
    _, depth, area = (raster.values for raster in rasters)
    wet = depth[depth > 0].astype(np.float64)
    return {
        "cells": int(np.isfinite(ground.values).sum()),
        "ponding_volume_m3": float(wet.sum()) * (ground.grid.cell_size * ground.frame.unit_m) ** 2,
        "deepest_m": float(wet.max()) if wet.size else 0.0,
        "largest_contributing_area_m2": float(np.nanmax(area)),
    }


PROCESS = Process(
    id="derive-drainage",
    version="1.0.0",
    title="Drainage direction, ponding and contributing area of an elevation raster",
    description=(
        "Which way rain runs off the bare ground, where it stands and how much ground drains "
        "through each place. Depressions fill up to their lowest pass and spill there. What is "
        "under the ground, and soil that takes water in, is not in it: this is no drainage design."
    ),
    keywords=("terrain", "hydrology", "drainage"),
    inputs=(
        ELEVATION,
        ELEVATION_UNIT,
        Input(
            "method",
            "Method",
            "d8 sends all water one of eight ways, d-infinity shares it between two neighbours",
            {"type": "string", "enum": ["d8", "d-infinity"], "default": "d8"},
            required=False,
        ),
    ),
    outputs=(
        Output(
            "drainage_direction",
            "Drainage direction",
            "Azimuth in degrees clockwise from grid north of the way water leaves the cell; -1 "
            "where it cannot leave.",
            GEOTIFF,
            "tif",
        ),
        Output("ponding_depth", "Ponding depth", "Metres of standing water.", GEOTIFF, "tif"),
        Output(
            "contributing_area",
            "Contributing area",
            "Square metres of the map grid that drain through the cell, its own included.",
            GEOTIFF,
            "tif",
        ),
    ),
    run=_run,
    example={"elevation": "map/elevation.tif", "method": "d8"},
)
