"""The process ``derive-slope``: steepness and aspect of any elevation raster."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geosite.processes.model import Context, Input, Output, Process

__all__ = ["PROCESS"]

GEOTIFF = "image/tiff; application=geotiff; profile=cloud-optimized"

ELEVATION = Input(
    "elevation",
    "Elevation raster",
    "GeoTIFF of elevations: north up, square cells, in a projected CRS",
    {"type": "string", "format": "path", "contentMediaType": GEOTIFF},
)


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.handover.geotiff import write_raster
    from geosite.handover.model import Raster
    from geosite.processes.files import read_elevation
    from geosite.terrain.slope import slope

    context.progress(0.1, "reading the elevations")
    ground = read_elevation(inputs["elevation"])
    context.progress(0.3, "deriving slope and aspect")
    derived = slope(
        ground.values, ground.grid.cell_size, z_factor=ground.z_factor, method=inputs["method"]
    )
    unit = inputs["unit"]
    steepness = derived.steepness(unit)
    method = {"horn": "Horn (1981)", "zevenbergen-thorne": "Zevenbergen and Thorne (1987)"}
    rasters = (
        Raster(
            "slope",
            "Slope",
            f"Slope in {unit}, method of {method[inputs['method']]}.",
            steepness,
            ground.grid,
            unit,
        ),
        Raster(
            "aspect",
            "Aspect",
            "Steepest way down, degrees clockwise from grid north; nodata on level ground.",
            derived.aspect(),
            ground.grid,
            "degree",
        ),
    )
    for number, raster in enumerate(rasters):
        context.progress(0.6 + 0.2 * number, f"writing {raster.name}")
        write_raster(context.out / f"{raster.name}.tif", raster, ground.frame)
    known = steepness[np.isfinite(steepness)].astype(np.float64)
    context.progress(1.0, "done")
    return {
        "unit": unit,
        "cells": int(known.size),
        "minimum": float(known.min()) if known.size else None,
        "mean": float(known.mean()) if known.size else None,
        "maximum": float(known.max()) if known.size else None,
    }


PROCESS = Process(
    id="derive-slope",
    version="1.0.0",
    title="Slope and aspect of an elevation raster",
    description=(
        "How steep the ground is and which way it falls, from the eight neighbours of each cell. "
        "Cells at the edge and beside nodata stay nodata: nothing is made up there. Elevations in "
        "another unit than the map (feet over metres) are converted if the raster says so."
    ),
    keywords=("terrain", "slope", "aspect"),
    inputs=(
        ELEVATION,
        Input(
            "method",
            "Method",
            "horn smooths noise, zevenbergen-thorne keeps detail",
            {"type": "string", "enum": ["horn", "zevenbergen-thorne"], "default": "horn"},
            required=False,
        ),
        Input(
            "unit",
            "Unit of the slope",
            "Percent is rise over run times 100",
            {"type": "string", "enum": ["percent", "degree", "ratio"], "default": "percent"},
            required=False,
        ),
    ),
    outputs=(
        Output("slope", "Slope", "Steepness in the unit asked for.", GEOTIFF, "tif"),
        Output(
            "aspect",
            "Aspect",
            "Direction of steepest descent, degrees clockwise from grid north.",
            GEOTIFF,
            "tif",
        ),
    ),
    run=_run,
    example={"elevation": "map/elevation.tif", "method": "horn", "unit": "percent"},
)
