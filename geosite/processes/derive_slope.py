"""The process ``derive-slope``: steepness and aspect of any elevation raster."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from geosite.processes.model import GEOTIFF, Context, Input, Output, Process
from geosite.processes.raster_strips import cost_in_strips, fits_at_once, room_for

if TYPE_CHECKING:
    from geosite.base.grid import Grid
    from geosite.handover.model import Raster
    from geosite.reading.rasters import ElevationRaster, ElevationSource
    from geosite.terrain.slope import Raster as Values
    from geosite.terrain.slope import SlopeMethod, SlopeUnit

__all__ = [
    "ELEVATION",
    "ELEVATION_UNIT",
    "GEOTIFF",
    "PROCESS",
    "derived",
    "slope_of_rows",
    "write_slope_in_strips",
]

_BYTES = 45
"""Of memory for each cell, measured."""

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


def derived(ground: ElevationRaster, method: SlopeMethod, unit: SlopeUnit) -> tuple[Raster, Raster]:
    """Return slope and aspect of an elevation raster."""
    from geosite.terrain.slope import slope

    found = slope(ground.values, ground.grid.cell_size, z_factor=ground.z_factor, method=method)
    return _rasters(found.steepness(unit), found.aspect(), ground.grid, method, unit)


def _rasters(
    steepness: Values, aspect: Values, grid: Grid, method: SlopeMethod, unit: SlopeUnit
) -> tuple[Raster, Raster]:
    from geosite.handover.model import Raster
    from geosite.terrain.slope import SOURCES

    words = f"Slope in {unit}, method of {SOURCES[method]}."
    down = "Steepest way down, degrees clockwise from grid north; -1 on level ground."
    return (
        Raster("slope", "Slope", words, steepness, grid, unit),
        Raster("aspect", "Aspect", down, aspect, grid, "degree"),
    )


def slope_of_rows(
    source: ElevationSource, top: int, bottom: int, method: SlopeMethod, unit: SlopeUnit
) -> tuple[Values, Values]:
    """Return slope and aspect of some rows, read with one more on either side."""
    from geosite.terrain.slope import slope

    first, last = max(0, top - 1), min(source.grid.rows, bottom + 1)
    z = source.rows(first, last)
    found = slope(z, source.grid.cell_size, z_factor=source.z_factor, method=method)
    rows = slice(top - first, bottom - first)
    return found.steepness(unit)[rows], found.aspect()[rows]


def write_slope_in_strips(
    source: ElevationSource,
    inputs: Mapping[str, Any],
    context: Context,
    parts: Callable[[Iterable[tuple[int, int]]], Iterable[tuple[Values, Values]]],
) -> Mapping[str, Any]:
    """Write slope and aspect some rows at a time.

    Parameters
    ----------
    source, inputs, context
    parts
        Takes first and last row (not included) of each strip, gives slope and aspect of each.
    """
    import numpy as np

    from geosite.base.large_rasters import strips
    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.geotiff_rows import RowsOfRaster, write_rows

    grid = source.grid
    cost = cost_in_strips(
        grid, strip_bytes=_BYTES, resident_bytes=0, disk_bytes=24, file=inputs["elevation"]
    )
    nothing = np.empty((0, 0))
    with room_for(cost, context) as room:
        # values that stand for nothing are refused before anything is derived from them
        source.ends(cost.height)
        steep, aspect = (
            RowsOfRaster(about, room.rows(grid.shape, np.float32))
            for about in _rasters(nothing, nothing, grid, inputs["method"], inputs["unit"])
        )
        wanted = list(strips(grid.rows, cost.height))
        for (top, bottom), (one, other) in zip(wanted, parts(wanted), strict=True):
            steep.add(top, one)
            aspect.add(top, other)
            context.progress(0.1 + 0.4 * bottom / grid.rows, f"slope to row {bottom}")
        for number, raster in enumerate((steep, aspect)):
            context.progress(0.5 + 0.25 * number, f"writing {raster.about.name}")
            write_rows(context.out / f"{raster.about.name}.tif", raster, source.frame)
            write_raster_style(context.out, raster.sample())
    context.progress(1.0, "done")
    return {
        "unit": inputs["unit"],
        "cells": steep.count,
        "minimum": steep.low if steep.count else None,
        "mean": steep.mean if steep.count else None,
        "maximum": steep.high if steep.count else None,
    }


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.geotiff import write_raster
    from geosite.reading.rasters import open_elevation

    context.progress(0.0, "reading the elevations")
    with open_elevation(inputs["elevation"], inputs.get("elevation_unit")) as source:
        if not fits_at_once(source.grid, _BYTES):
            method, unit = inputs["method"], inputs["unit"]
            return write_slope_in_strips(
                source,
                inputs,
                context,
                lambda wanted: (slope_of_rows(source, a, b, method, unit) for a, b in wanted),
            )
        ground = source.whole()
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
