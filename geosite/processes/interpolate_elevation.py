"""The process ``interpolate-elevation``: an elevation raster from points of any origin."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

from geosite.base.errors import InputError, Problem
from geosite.base.memory import refuse_beyond_memory
from geosite.processes.model import GEOTIFF, Context, Input, Output, Process

if TYPE_CHECKING:
    from geosite.base.errors import Finding
    from geosite.base.map_frame import Frame
    from geosite.handover.model import Raster
    from geosite.reading.points import Points
    from geosite.terrain.surface.cross_validation import Method

__all__ = ["PROCESS", "interpolated"]

_BYTES = 60
"""Of memory for each cell, measured with triangles."""


def interpolated(
    points: Points,
    *,
    crs: str | None,
    cell_size: float | None,
    extent: tuple[float, float, float, float] | None,
    method: Method | Literal["auto"],
    file: str | None = None,
) -> tuple[Raster, Frame, tuple[Finding, ...], Method]:
    """Return an elevation raster between points, its map, what to look at, and what made it.

    Raises
    ------
    InputError
        No CRS or two, an extent without points, too many cells.
    """
    import numpy as np

    from geosite.handover.model import Raster
    from geosite.reading.crs import map_frame
    from geosite.terrain.surface.cell_grid import grid_over
    from geosite.terrain.surface.model import elevation_surface
    from geosite.terrain.wording import surface_findings

    known_crs = _crs(crs, points.crs_wkt, file)
    grid = grid_over(points.positions, cell_size, extent)
    refuse_beyond_memory(grid.rows * grid.cols, _BYTES, "interpolation", file)
    frame = map_frame(known_crs, (grid.west, grid.south, grid.east, grid.north), file)
    unit = frame.height_band_unit
    # only what lies at the very same place is one point
    surface = elevation_surface(points.positions, grid, method=method, coincident=0.0)
    if not np.isfinite(surface.z).any():
        raise InputError(
            Problem(
                "extent-without-points",
                f"no cell of the extent west {grid.west:g}, south {grid.south:g}, "
                f"east {grid.east:g}, north {grid.north:g} lies between the points",
                "an extent that meets them",
                "leave extent out, or check the order west,south,east,north",
                file,
            )
        )
    raster = Raster(
        "elevation",
        "Elevation",
        f"Elevation interpolated from {len(points.positions)} points, method {surface.method}.",
        surface.z,
        grid,
        unit,
        is_elevation=True,
    )
    return raster, frame, surface_findings(surface, unit=unit), surface.method


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.geotiff import write_raster
    from geosite.reading.points import read_points

    context.progress(0.1, "reading the points")
    points = read_points(inputs["points"], inputs.get("layer"))
    context.progress(0.3, "interpolating")
    extent = inputs.get("extent")
    raster, frame, findings, method = interpolated(
        points,
        crs=inputs.get("crs"),
        cell_size=inputs.get("cell_size"),
        extent=tuple(extent) if extent else None,
        method=inputs["method"],
        file=inputs["points"],
    )
    context.progress(0.8, "writing elevation")
    write_raster(context.out / "elevation.tif", raster, frame)
    write_raster_style(context.out, raster)
    context.progress(1.0, "done")
    known = raster.values[np.isfinite(raster.values)]
    return {
        "points": len(points.positions),
        "method": method,
        "rows": raster.grid.rows,
        "cols": raster.grid.cols,
        "cell_size": raster.grid.cell_size,
        "cells": int(known.size),
        "minimum": float(known.min()),
        "maximum": float(known.max()),
        "crs": frame.crs_name,
        "findings": [{"level": one.level, "text": one.text} for one in findings],
    }


def _crs(asked: str | None, found: str | None, file: str | None) -> str:
    """Return the CRS of the points: what the request says, what the layer says, never two."""
    if found is None:
        if asked is None:
            raise InputError(
                Problem(
                    "crs-missing",
                    "the points do not say which CRS their coordinates are in",
                    "a CRS",
                    "give it as crs, for example EPSG:25832",
                    file,
                )
            )
        return asked
    if asked is None:
        return found
    from geosite.base.map_frame import name_unless_same_map
    from geosite.reading.crs import map_frame

    nowhere = (0.0, 0.0, 0.0, 0.0)
    one, other = map_frame(asked, nowhere), map_frame(found, nowhere, file)
    if name_unless_same_map(other.crs_wkt, one.crs_wkt) is not None:
        raise InputError(
            Problem(
                "crs-differs",
                f"the layer is in {other.crs_name}, the request says {one.crs_name}",
                "one and the same CRS",
                "leave crs out, or reproject the layer first",
                file,
            )
        )
    # the request may add a vertical part that the layer does not have
    return asked if one.vertical_wkt is not None else found


PROCESS = Process(
    id="interpolate-elevation",
    version="1.0.0",
    title="Elevation raster from points",
    description=(
        "Makes an elevation raster from spot heights: a table with the columns easting, northing "
        "and elevation, or a point layer. Outside the points there is nodata, never a guess."
    ),
    keywords=("terrain", "interpolation", "elevation"),
    inputs=(
        Input(
            "points",
            "Points with elevations",
            "CSV with the columns easting, northing and elevation, or a point layer with Z or with "
            "a field elevation (GeoPackage, GeoJSON, Shapefile, FlatGeobuf)",
            {"type": "string", "format": "path"},
        ),
        Input(
            "layer",
            "Layer",
            "Name of the point layer, where the file holds several",
            {"type": "string", "minLength": 1, "maxLength": 200},
            required=False,
        ),
        Input(
            "crs",
            "CRS",
            "Projected CRS of the coordinates, such as EPSG:25832, or EPSG:25832+7837 with a "
            "vertical part; needed for a table, a layer has its own",
            {"type": "string", "minLength": 1, "maxLength": 20000},
            required=False,
        ),
        Input(
            "cell_size",
            "Cell size",
            "Edge of a cell in map units; without it from the spacing of the points",
            {"type": "number", "minimum": 1e-06, "maximum": 1e06},
            required=False,
        ),
        Input(
            "extent",
            "Extent",
            "west,south,east,north in map units; without it that of the points. Corners are moved "
            "out to whole multiples of the cell size",
            {"type": "array", "items": {"type": "number"}, "minItems": 4, "maxItems": 4},
            required=False,
        ),
        Input(
            "method",
            "Method",
            "tin: flat triangles, the plainest; natural-neighbour: smooth, through every point; "
            "thin-plate: least bent; inverse-distance: a weighted average; plane: one for all; "
            "auto: whichever predicts left-out points best",
            {
                "type": "string",
                "enum": [
                    "tin",
                    "natural-neighbour",
                    "thin-plate",
                    "inverse-distance",
                    "plane",
                    "auto",
                ],
                "default": "tin",
            },
            required=False,
        ),
    ),
    outputs=(
        Output("elevation", "Elevation", "Elevation in the unit of the points.", GEOTIFF, "tif"),
    ),
    run=_run,
    example={
        "points": "sample_data/ferry_landing/truth.csv",
        "crs": "EPSG:25832+7837",
        "cell_size": 0.5,
        "method": "tin",
    },
)
