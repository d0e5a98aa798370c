"""The process ``estimate-fill``: how much loose material fills a yard up to a level."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from geosite.base.errors import InputError, Problem
from geosite.processes.model import Context, Input, Output, Process


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.reading.rasters import read_elevation

    ground = read_elevation(inputs["elevation"])
    depth = np.clip(inputs["level"] - ground.values.astype(np.float64), 0, None)
    depth *= ground.frame.height_unit_m
    if not np.nansum(depth) > 0:
        raise InputError(
            Problem(
                "level-below-ground",
                f"the level {inputs['level']:g} lies nowhere above the ground",
                f"a level above {np.nanmin(ground.values):.2f}",
                "raise the level",
                inputs["elevation"],
            )
        )
    cell_m2 = (ground.grid.cell_size * ground.frame.unit_m) ** 2
    volume = float(np.nansum(depth) * cell_m2)
    answer = {"volume_m3": volume, "loose_volume_m3": volume * inputs["bulking"]}
    (context.out / "fill.json").write_text(json.dumps(answer, sort_keys=True))
    context.progress(1.0, "done")
    return answer


PROCESS = Process(
    id="estimate-fill",
    version="0.3.0",
    title="Loose material to fill a yard up to a level",
    description="Volume between the ground and a level, and how much loose material that takes.",
    keywords=("earthwork",),
    inputs=(
        Input(
            "elevation",
            "Elevation raster",
            "GeoTIFF of elevations in a projected CRS",
            {"type": "string", "format": "path"},
        ),
        Input("level", "Level", "Elevation to fill up to", {"type": "number"}),
        Input(
            "bulking",
            "Bulking factor",
            "Loose volume over compacted volume",
            {"type": "number", "minimum": 1, "maximum": 3, "default": 1.25},
            required=False,
        ),
    ),
    outputs=(Output("fill", "Fill", "Volumes in cubic metres.", "application/json", "json"),),
    run=_run,
    example={"elevation": "map/elevation.tif", "level": 402.0},
)
