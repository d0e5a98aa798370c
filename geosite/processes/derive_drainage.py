"""The process ``derive-drainage``: which way water runs on any elevation raster."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, Literal

from geosite.processes.derive_slope import ELEVATION, ELEVATION_UNIT
from geosite.processes.model import GEOTIFF, Context, Input, Output, Process
from geosite.processes.raster_strips import cost_in_strips, fits_at_once, room_for

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from geosite.base.arrays import Floats
    from geosite.base.grid import Grid
    from geosite.handover.model import Raster
    from geosite.reading.rasters import ElevationRaster, ElevationSource
    from geosite.terrain.water.descent import Bytes, Mask
    from geosite.terrain.water.drainage import FlowMethod

Codes = Literal["azimuth", "power-of-two", "clockwise"]

__all__ = ["PROCESS", "derived", "direction_codes"]

_BYTES = {"d8": 65, "d-infinity": 115}
"""Of memory for each cell, measured."""
_RESIDENT = 4
"""Of memory for each cell of a raster worked on in strips: its direction, and its share of the
graph of basins, of which rough ground has one for every 30 cells or more."""


def derived(
    ground: ElevationRaster,
    method: FlowMethod,
    *,
    inlets: Mask | None = None,
    walls: Bytes | None = None,
    codes: Codes = "azimuth",
) -> tuple[Raster, Raster, Raster]:
    """Return drainage direction, ponding depth and contributing area of an elevation raster.

    Parameters
    ----------
    ground, method
    inlets : array of bool, shape (rows, cols)
        Cells in which water leaves the ground.
    walls : array of uint8, shape (rows, cols)
        Steps that water cannot take, see `geosite.terrain.water.barriers.walls_along`.
    codes
        How the direction is written.
    """
    import numpy as np

    from geosite.terrain.water.drainage import drain

    flow = drain(ground.values, ground.grid.cell_size, method=method, inlets=inlets, walls=walls)
    direction = flow.azimuth_deg
    if codes != "azimuth":
        direction = direction_codes(direction.astype(np.float64), codes)
    outside = ~np.isfinite(ground.values)
    depth = np.where(outside, np.nan, flow.ponding_depth * ground.frame.height_unit_m)
    area = np.where(outside, np.nan, flow.contributing_area * ground.frame.unit_m**2)
    return _rasters((direction, depth, area), ground.grid, codes)


def _rasters(
    values: tuple[Any, Any, Any], grid: Grid, codes: Codes
) -> tuple[Raster, Raster, Raster]:
    import numpy as np

    from geosite.handover.model import Raster
    from geosite.handover.styles.rasters import WINDS

    direction, depth, area = values
    unit, winds = "degree", dict[int, str]()
    if codes != "azimuth":
        turn = np.append(np.arange(8) * 45.0, -1.0)
        found = direction_codes(turn, codes).astype(int).tolist()
        unit, winds = "1", dict(zip(found, (*WINDS, ""), strict=True))
    full = "Depth of water in a depression that is full to its lowest pass."
    through = "Area that drains through the cell, its own included, on the map grid."
    way = "Drainage direction"
    return (
        Raster("drainage_direction", way, _MEANING[codes], direction, grid, unit, winds=winds),
        Raster("ponding_depth", "Ponding depth", full, depth, grid, "m"),
        Raster("contributing_area", "Contributing area", through, area, grid, "m2"),
    )


_MEANING: Mapping[Codes, str] = {
    "azimuth": "Way water leaves the cell, degrees clockwise from grid north; -1 where it cannot.",
    "power-of-two": "Way water leaves the cell: east 1, south-east 2, south 4, south-west 8, "
    "west 16, north-west 32, north 64, north-east 128; 0 where it cannot.",
    "clockwise": "Way water leaves the cell: north 1, then clockwise to north-west 8; 0 where it "
    "cannot.",
}


def direction_codes(azimuth_deg: Floats, codes: Codes) -> Floats:
    """Return one of eight directions as a code.

    Parameters
    ----------
    azimuth_deg : array
        Multiples of 45 below 360, -1 where water cannot leave, NaN outside.
    codes
        ``"power-of-two"``: east 1, then doubled clockwise to north-east 128 (Jenson & Domingue
        1988, Photogrammetric Engineering and Remote Sensing 54, 1593-1600, as widely written);
        ``"clockwise"``: north 1 to north-west 8.

    Examples
    --------
    >>> import numpy as np
    >>> direction_codes(np.array([90.0, 180.0, 45.0, -1.0]), "power-of-two").tolist()
    [1.0, 4.0, 128.0, 0.0]
    >>> direction_codes(np.array([0.0, 90.0, 315.0]), "clockwise").tolist()
    [1.0, 3.0, 8.0]
    """
    import numpy as np

    azimuth = np.asarray(azimuth_deg, np.float64)
    known = np.isfinite(azimuth) & (azimuth >= 0)
    eighth = np.zeros(azimuth.shape, np.int64)
    eighth[known] = np.rint(azimuth[known] / 45).astype(np.int64)
    code = 2.0 ** ((eighth - 2) % 8) if codes == "power-of-two" else eighth + 1.0
    found: Floats = np.where(np.isnan(azimuth), np.nan, np.where(known, code, 0.0))
    return found


def _inlets(inputs: Mapping[str, Any], ground: ElevationRaster | ElevationSource) -> Mask | None:
    """Return the cells of the inlets of a layer: those of points, and along lines and in areas."""
    import numpy as np
    import shapely

    from geosite.base.errors import InputError, Problem
    from geosite.terrain.water.barriers import cells_in, cells_of_points

    shapes = _shapes(inputs, "inlets", ground)
    if shapes is None:
        return None
    found = np.zeros(ground.grid.shape, np.bool_)
    for shape in shapes:
        if shape.geom_type == "Point":
            row, col = cells_of_points(shapely.get_coordinates(shape), ground.grid)
            found[row[row >= 0], col[row >= 0]] = True
        else:
            found |= cells_in([shape], ground.grid, touched=True)
    if not found.any():
        raise InputError(
            Problem(
                "inlets-outside",
                "no inlet lies on the raster",
                "inlets on the ground of the raster",
                "check the layer and its coordinates",
                inputs["inlets"],
            )
        )
    return found


def _walls(inputs: Mapping[str, Any], ground: ElevationRaster | ElevationSource) -> Bytes | None:
    """Return the steps that the lines of a layer, and the outlines of its areas, block."""
    from geosite.base.errors import InputError, Problem
    from geosite.terrain.water.barriers import walls_along

    shapes = _shapes(inputs, "walls", ground)
    if shapes is None:
        return None
    lines = [s.boundary if s.geom_type == "Polygon" else s for s in shapes]
    lines = [line for line in lines if line.geom_type != "Point"]
    found = walls_along(lines, ground.grid) if lines else None
    if found is None or not found.any():
        raise InputError(
            Problem(
                "walls-outside",
                "no wall lies on the raster",
                "lines or areas on the ground of the raster",
                "check the layer and its coordinates",
                inputs["walls"],
            )
        )
    return found


def _shapes(
    inputs: Mapping[str, Any], what: str, ground: ElevationRaster | ElevationSource
) -> list[BaseGeometry] | None:
    """Read the shapes of a layer that is given; of several layers, none is taken unnamed."""
    import shapely

    from geosite.analysis.setting_out.fits_site import refuse_other_crs
    from geosite.base.errors import InputError, Problem
    from geosite.reading.designs import areas_of, read_design

    named, coded = f"{what}_layer", f"{what}_code"
    if not inputs.get(what):
        for of_it in (named, coded):
            if inputs.get(of_it):
                raise InputError(
                    Problem(
                        "layer-without-file",
                        f"{of_it} is given and {what} is not",
                        f"the file of it, with {what}",
                        f"give {what} as well, or leave {of_it} out",
                    )
                )
        return None
    layer = read_design(inputs[what], inputs.get(named), usual=(), key=named, in_plan=True)
    refuse_other_crs(layer, ground.frame, what)
    wanted = [code.strip() for code in (inputs.get(coded) or "").split(",") if code.strip()]
    shapes = [s for s in layer.shapes if not wanted or s.code in wanted]
    if wanted and not shapes:
        there = sorted({s.code for s in layer.shapes if s.code})
        raise InputError(
            Problem(
                f"{what}-no-code",
                f"no feature has the code {' or '.join(wanted)}",
                f"one of {', '.join(there[:20])}" if there else "a layer with a column code",
                f"correct the code, or leave {coded} out",
                inputs[what],
            )
        )
    return [
        *(shapely.Point(s.places[0, :2]) for s in shapes if s.kind == "point"),
        *(shapely.LineString(s.places[:, :2]) for s in shapes if s.kind == "line"),
        *areas_of(shapes),
    ]


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    import numpy as np

    from geosite.base.errors import InputError, Problem
    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.geotiff import write_raster
    from geosite.reading.rasters import open_elevation

    context.progress(0.0, "reading the elevations")
    with open_elevation(inputs["elevation"], inputs.get("elevation_unit")) as source:
        if inputs["codes"] != "azimuth" and inputs["method"] != "d8":
            raise InputError(
                Problem(
                    "codes-need-d8",
                    f"codes are {inputs['codes']} and the method is {inputs['method']}",
                    "the method d8 for one of eight directions",
                    "use the method d8, or the codes azimuth",
                )
            )
        if not fits_at_once(source.grid, _BYTES[inputs["method"]]):
            return _in_strips(source, inputs, context)
        ground = source.whole()
    context.progress(0.2, "finding the ways of the water")
    inlets = _inlets(inputs, ground)
    walls = _walls(inputs, ground)
    rasters = derived(ground, inputs["method"], inlets=inlets, walls=walls, codes=inputs["codes"])
    for number, raster in enumerate(rasters):
        context.progress(0.6 + 0.13 * number, f"writing {raster.name}")
        write_raster(context.out / f"{raster.name}.tif", raster, ground.frame)
        write_raster_style(context.out, raster, ground.frame.height_symbol)
    context.progress(1.0, "done")
    _, depth, area = (raster.values for raster in rasters)
    wet = depth[depth > 0].astype(np.float64)
    return {
        "cells": int(np.isfinite(ground.values).sum()),
        "ponding_volume_m3": float(wet.sum()) * (ground.grid.cell_size * ground.frame.unit_m) ** 2,
        "deepest_m": float(wet.max()) if wet.size else 0.0,
        "largest_contributing_area_m2": float(np.nanmax(area)),
        "unit": ground.frame.height_symbol,
        **_left_out(inlets, walls),
    }


def _in_strips(
    source: ElevationSource, inputs: Mapping[str, Any], context: Context
) -> Mapping[str, Any]:
    """Do the same some rows at a time."""
    import numpy as np

    from geosite.base.large_rasters import strips
    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.geotiff_rows import RowsOfRaster, write_rows
    from geosite.terrain.water.strips.drain import drain_strips

    grid, frame, method, codes = source.grid, source.frame, inputs["method"], inputs["codes"]
    cost = cost_in_strips(
        grid,
        strip_bytes=_BYTES[method],
        resident_bytes=_RESIDENT + 3 * bool(inputs.get("inlets")) + bool(inputs.get("walls")),
        disk_bytes=(40 if method == "d-infinity" else 30) + source.dtype.itemsize,
        file=inputs["elevation"],
    )
    with room_for(cost, context) as room:
        inlets = _inlets(inputs, source)
        walls = _walls(inputs, source)
        elevation = room.rows(grid.shape, source.dtype)

        def copied() -> Iterator[Floats]:
            for top, bottom in strips(grid.rows, cost.height):
                z = elevation.mapped(top, bottom)
                z[...] = source.rows(top, bottom)
                yield z

        source.checked(copied())
        found = drain_strips(
            elevation,
            room,
            cost.height,
            method=method,
            inlets=inlets,
            walls=walls,
            progress=lambda share: context.progress(0.1 + 0.5 * share, "ways of the water"),
        )
        nothing = np.empty((0, 0))
        direction, depth, area = (
            RowsOfRaster(about, room.rows(grid.shape, np.float32))
            for about in _rasters((nothing, nothing, nothing), grid, codes)
        )
        for part in found:
            turn = part.azimuth_deg
            if codes != "azimuth":
                turn = direction_codes(turn.astype(np.float64), codes)
            outside = np.isnan(part.ponding_depth)
            cells = np.where(outside, np.nan, part.contributing_cells)
            direction.add(part.top, turn)
            depth.add(part.top, part.ponding_depth * frame.height_unit_m)
            area.add(part.top, cells * np.float64(grid.cell_size**2) * frame.unit_m**2)
        for number, raster in enumerate((direction, depth, area)):
            context.progress(0.65 + 0.1 * number, f"writing {raster.about.name}")
            write_rows(context.out / f"{raster.about.name}.tif", raster, frame)
            write_raster_style(context.out, raster.sample(), frame.height_symbol)
    context.progress(1.0, "done")
    return {
        "cells": depth.count,
        "ponding_volume_m3": depth.total * (grid.cell_size * frame.unit_m) ** 2,
        "deepest_m": depth.high,
        "largest_contributing_area_m2": area.high,
        "unit": frame.height_symbol,
        **_left_out(inlets, walls),
    }


def _left_out(inlets: Mask | None, walls: Bytes | None) -> Mapping[str, Any]:
    """Say in how many cells water leaves, and that drains and walls not given do not count.

    A raster of elevations does not show them: a build, which knows those of the site, gets other
    numbers from the same raster.
    """
    cells = 0 if inlets is None else int(inlets.sum())
    missing = [name for name, given in (("inlets", inlets), ("walls", walls)) if given is None]
    if not missing:
        return {"inlet_cells": cells}
    what = {
        "inlets": "drains take no water here, it fills the hollow and runs on",
        "walls": "kerbs, walls and buildings do not turn water here",
    }
    text = (
        f"No {' and no '.join(missing)} given: {'; '.join(what[name] for name in missing)}. A "
        f"build counts those of its site. Give them as a layer with {' and '.join(missing)}."
    )
    return {"inlet_cells": cells, "findings": [{"level": "look", "text": text}]}


PROCESS = Process(
    id="derive-drainage",
    version="1.0.0",
    title="Drainage direction, ponding and contributing area of an elevation raster",
    description=(
        "Which way rain runs off the bare ground, where it stands and how much ground drains "
        "through each place. Depressions fill up to their lowest pass and spill there. At the end "
        "of the ground water runs on to a lower neighbour, and leaves where there is none or where "
        "the ground falls more steeply outwards than along its end. What is under the ground, and "
        "soil that takes water in, is not in it: this is no drainage design."
    ),
    keywords=("terrain", "hydrology", "drainage"),
    inputs=(
        ELEVATION,
        ELEVATION_UNIT,
        Input(
            "method",
            "Method",
            "d8 sends all water one of eight ways (O'Callaghan and Mark 1984), d-infinity shares "
            "it between two neighbours (Tarboton 1997), one of eight ways where it stands or the "
            "ground is level",
            {"type": "string", "enum": ["d8", "d-infinity"], "default": "d8"},
            required=False,
        ),
        Input(
            "inlets",
            "Inlets",
            "Layer or table of points, lines or areas in which water leaves the ground, in the CRS "
            "of the raster",
            {"type": "string", "format": "path"},
            required=False,
        ),
        Input(
            "inlets_layer",
            "Layer of the inlets",
            "Which layer of the file of inlets, where it holds several",
            {"type": "string"},
            required=False,
        ),
        Input(
            "inlets_code",
            "Codes of the inlets",
            "Only the features of the layer with this code, or one of several with commas between "
            "them; without it all features",
            {"type": "string"},
            required=False,
        ),
        Input(
            "walls",
            "Walls",
            "Layer of lines or areas that water does not cross, in the CRS of the raster",
            {"type": "string", "format": "path"},
            required=False,
        ),
        Input(
            "walls_layer",
            "Layer of the walls",
            "Which layer of the file of walls, where it holds several",
            {"type": "string"},
            required=False,
        ),
        Input(
            "codes",
            "Codes of the direction",
            "azimuth in degrees; power-of-two from east 1 clockwise to north-east 128; clockwise "
            "from north 1 to north-west 8",
            {
                "type": "string",
                "enum": ["azimuth", "power-of-two", "clockwise"],
                "default": "azimuth",
            },
            required=False,
        ),
    ),
    outputs=(
        Output(
            "drainage_direction",
            "Drainage direction",
            "Way water leaves the cell: azimuth in degrees clockwise from grid north, -1 where it "
            "cannot leave; or a code, 0 where it cannot.",
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
