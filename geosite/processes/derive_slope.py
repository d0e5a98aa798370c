"""The process ``derive-slope``: steepness and aspect of any elevation raster."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from geosite.base.memory import refuse_beyond_memory
from geosite.processes.model import Context, Input, Output, Process

if TYPE_CHECKING:
    from geosite.handover.model import Raster
    from geosite.reading.rasters import ElevationRaster
    from geosite.terrain.slope import SlopeMethod, SlopeUnit

__all__ = ["ELEVATION", "ELEVATION_UNIT", "GEOTIFF", "PROCESS", "derived"]

_BYTES = 45
"""Of memory for each cell, measured."""
GEOTIFF = "image/tiff; application=geotiff; profile=cloud-optimized"

ELEVATION = Input(
    "elevation",
    "Elevation raster",
    "GeoTIFF of elevations: north up, square cells, in a projected CRS",
    {"type": "string", "format": "path", "contentMediaType": GEOTIFF},
)
ELEVATION_UNIT = Input(
    "elevation_unit",
    "Unit of the elevations",
    "Where the raster says no unit of its elevations; without it they count in the unit of its map",
    {"type": "string", "enum": ["m", "ft", "ftUS"]},
    required=False,
)


_METHODS = {"horn": "Horn (1981)", "zevenbergen-thorne": "Zevenbergen and Thorne (1987)"}


def derived(ground: ElevationRaster, method: SlopeMethod, unit: SlopeUnit) -> tuple[Raster, Raster]:
    """Return slope and aspect of an elevation raster."""
    from geosite.handover.model import Raster
    from geosite.terrain.slope import slope

    found = slope(ground.values, ground.grid.cell_size, z_factor=ground.z_factor, method=method)
    return (
        Raster(
            "slope",
            "Slope",
            f"Slope in {unit}, method of {_METHODS[method]}.",
            found.steepness(unit),
            ground.grid,
            unit,
        ),
        Raster(
            "aspect",
            "Aspect",
            "Steepest way down, degrees clockwise from grid north; nodata on level ground.",
            found.aspect(),
            ground.grid,
            "degree",
        ),
    )


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.geotiff import write_raster
    from geosite.reading.rasters import read_elevation

    context.progress(0.1, "reading the elevations")
    ground = read_elevation(inputs["elevation"], inputs.get("elevation_unit"))
    refuse_beyond_memory(ground.values.size, _BYTES, "the slope", inputs["elevation"])
    context.progress(0.3, "deriving slope and aspect")
    rasters = derived(ground, inputs["method"], inputs["unit"])
    for number, raster in enumerate(rasters):
        context.progress(0.6 + 0.2 * number, f"writing {raster.name}")
        write_raster(context.out / f"{raster.name}.tif", raster, ground.frame)
        write_raster_style(context.out, raster)
    steepness = rasters[0].values
    known = steepness[np.isfinite(steepness)].astype(np.float64)
    context.progress(1.0, "done")
    return {
        "unit": inputs["unit"],
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
        ELEVATION_UNIT,
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
