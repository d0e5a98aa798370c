"""Layers and rasters of the ground: contours, arrows, flow paths, ponds, catchments, outflows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.map_frame import Frame
from geosite.fieldbook.model import Notes
from geosite.handover.model import Field, Layer, Raster
from geosite.network.model import Network
from geosite.terrain.contour import Contour
from geosite.terrain.site import Terrain
from geosite.terrain.water.flow import polygons

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["contour_layer", "ground_layers", "ground_rasters"]

LEAVES_BY = {
    "edge": "over the edge of the surveyed ground",
    "inlet": "into an inlet",
    "hollow": "nowhere: a hollow without a way out",
}

Raw = npt.NDArray[np.floating[Any]]


def ground_layers(terrain: Terrain, frame: Frame) -> tuple[Layer, ...]:
    """Return the layers that hold anything, in the order a reader should meet them."""
    layers = (
        contour_layer(terrain.contours, frame),
        _arrows(terrain, frame),
        _paths(terrain, frame),
        _ponds(terrain, frame),
        _catchments(terrain, frame),
        _outflows(terrain, frame),
    )
    return tuple(layer for layer in layers if len(layer.geometries))


def ground_rasters(notes: Notes, network: Network, terrain: Terrain) -> tuple[Raster, ...]:
    """Return elevation, slope, drainage direction and what was derived from them."""
    frame, water, table = network.frame, terrain.water, notes.site.surface
    height = "m" if frame.height_unit_m == 1.0 else frame.height_unit_name
    drainage, flat = water.drainage, terrain.buildings

    def raster(
        name: str, title: str, description: str, values: Raw, unit: str, *, elevation: bool = False
    ) -> Raster:
        return Raster(name, title, description, values, terrain.grid, unit, is_elevation=elevation)

    def bare(values: Raw) -> Raw:
        cut: Raw = np.where(flat, np.nan, values)
        return cut

    known = np.isfinite(drainage.filled)
    rasters = [
        raster(
            "elevation",
            "Elevation",
            f"Elevation of the ground between the marks, {height}, by {terrain.surface.method}; "
            "buildings are cut out.",
            terrain.elevation,
            height,
            elevation=True,
        ),
        raster(
            "slope",
            "Slope",
            f"Slope of the ground in {table.slope_unit}, method {table.slope_method}, over lengths "
            f"on the map grid, which are {frame.combined_factor:.6f} of those on the ground.",
            bare(terrain.slope.steepness(table.slope_unit)),
            table.slope_unit,
        ),
        raster(
            "drainage_direction",
            "Drainage direction",
            "Azimuth of the way water leaves the cell, degrees clockwise from grid north; "
            "-1 where it cannot leave over the ground.",
            drainage.azimuth_deg,
            "degree",
        ),
        raster(
            "aspect",
            "Aspect",
            "Azimuth of steepest descent, degrees clockwise from grid north; -1 on level ground.",
            bare(terrain.slope.aspect()),
            "degree",
        ),
        raster(
            "elevation_sigma",
            "Standard deviation of the elevation",
            "From the marks and from the interpolation between them, metres.",
            terrain.sigma * frame.height_unit_m,
            "m",
        ),
        raster(
            "ponding_depth",
            "Ponding depth",
            "Depth of the water when every hollow is full to its spill point, metres.",
            drainage.ponding_depth * frame.height_unit_m,
            "m",
        ),
        raster(
            "contributing_area",
            "Contributing area",
            "Ground whose water passes through the cell, its own included, square metres.",
            np.where(known, drainage.contributing_area * frame.ground_unit_m**2, np.nan),
            "m2",
        ),
    ]
    if water.confidence is not None:
        rasters.append(
            raster(
                "drainage_confidence",
                "Drainage confidence",
                f"Share of {notes.site.drainage.confidence_runs} perturbed surfaces on which the "
                "water leaves the cell the same way, 0 to 1.",
                water.confidence,
                "1",
            )
        )
    return tuple(rasters)


def contour_layer(found: tuple[Contour, ...], frame: Frame) -> Layer:
    """Return contours as a layer."""
    fields = (
        Field("elevation", "real", "Elevation of the line.", frame.height_unit_name),
        Field("is_index", "integer", "1 for an index contour.", values={"0": "no", "1": "yes"}),
    )
    records = [{"elevation": c.elevation, "is_index": int(c.is_index)} for c in found]
    shapes = [
        shapely.LineString(np.column_stack([c.line, np.full(len(c.line), c.elevation)]))
        for c in found
    ]
    description = "Lines of equal elevation of the ground, from the elevation raster."
    return Layer("contours", "Contours", description, "LineStringZ", fields, records, shapes)


def _arrows(terrain: Terrain, frame: Frame) -> Layer:
    a = terrain.water.arrows
    area = a.contributing_area * frame.ground_unit_m**2
    columns = (a.azimuth_deg, a.slope_percent, area, a.steadiness)
    names = ("azimuth_deg", "slope_percent", "contributing_area_m2", "steadiness")
    records = [dict(zip(names, map(float, row), strict=True)) for row in zip(*columns, strict=True)]
    fields = (
        Field("azimuth_deg", "real", "Mean way of the water, clockwise from grid north.", "deg"),
        Field("slope_percent", "real", "Mean slope.", "percent"),
        Field("contributing_area_m2", "real", "Largest contributing area in the cell.", "m2"),
        Field("steadiness", "real", "1 where all water goes one way, 0 where ways cancel out."),
    )
    shapes = [shapely.Point(e, n) for e, n in zip(a.easting, a.northing, strict=True)]
    description = "Which way water runs, one arrow per coarse cell; turn the sign by azimuth_deg."
    return Layer(
        "drainage_arrows", "Drainage arrows", description, "Point", fields, records, shapes
    )


def _paths(terrain: Terrain, frame: Frame) -> Layer:
    found = terrain.water.paths
    records = []
    for path in found:
        line = shapely.get_coordinates(path.line, include_z=True)
        length = float(np.hypot(*np.diff(line[:, :2], axis=0).T).sum())
        records.append(
            {
                "start": path.start,
                "length_m": length * frame.ground_unit_m,
                "fall_m": float(line[0, 2] - line[-1, 2]) * frame.height_unit_m,
            }
        )
    fields = (
        Field("start", "text", "Mark or feature the water starts from."),
        Field("length_m", "real", "Length of the way over the grid of cells.", "m"),
        Field("fall_m", "real", "Fall of the water surface along it.", "m"),
    )
    description = "The way of water from its start to where it leaves or joins an earlier way."
    return Layer(
        "flow_paths",
        "Flow paths",
        description,
        "LineStringZ",
        fields,
        records,
        [path.line for path in found],
    )


def _ponds(terrain: Terrain, frame: Frame) -> Layer:
    water, (east, north) = terrain.water, terrain.grid.centres()
    outlines = polygons(water.pond, terrain.grid)
    cell = (terrain.grid.cell_size * frame.ground_unit_m) ** 2
    records, shapes = [], []
    for pond in water.ponds:
        records.append(
            {
                "pond": pond.number,
                "depth_m": pond.depth * frame.height_unit_m,
                "depth_sigma_m": _finite(pond.sigma * frame.height_unit_m),
                "is_significant": int(pond.is_significant),
                "volume_m3": pond.volume * frame.ground_unit_m**2 * frame.height_unit_m,
                "area_m2": pond.cells * cell,
                "spill_elevation": pond.level,
                "low_easting": float(east[pond.col]),
                "low_northing": float(north[pond.row]),
                "spill_easting": float(east[pond.spill_col]),
                "spill_northing": float(north[pond.spill_row]),
                "contributing_area_m2": float(pond.contributing_cells) * cell,
            }
        )
        shapes.append(outlines[pond.number])
    fields = (
        Field("pond", "integer", "Number, the largest volume first."),
        Field("depth_m", "real", "Depth at the low point when full.", "m"),
        Field("depth_sigma_m", "real", "How well a hollow can be told from its rim there.", "m"),
        Field(
            "is_significant",
            "integer",
            "Deeper than its standard deviation.",
            values={"0": "no: it may not be there at all", "1": "yes"},
        ),
        Field("volume_m3", "real", "Volume when full.", "m3"),
        Field("area_m2", "real", "Area of the water when full.", "m2"),
        Field("spill_elevation", "real", "Level at which it spills.", frame.height_unit_name),
        Field("low_easting", "real", "Low point.", frame.unit_name),
        Field("low_northing", "real", "Low point.", frame.unit_name),
        Field("spill_easting", "real", "Spill point.", frame.unit_name),
        Field("spill_northing", "real", "Spill point.", frame.unit_name),
        Field("contributing_area_m2", "real", "Ground that drains through the pond.", "m2"),
    )
    description = "Standing water when every hollow is full. No drainage design."
    return _polygonal("ponding", "Ponds", description, fields, records, shapes)


def _catchments(terrain: Terrain, frame: Frame) -> Layer:
    water = terrain.water
    outlines = polygons(water.catchment, terrain.grid)
    cell = (terrain.grid.cell_size * frame.ground_unit_m) ** 2
    records = [
        {
            "catchment": c.number,
            "leaves_by": c.kind,
            "inlet": water.inlets[c.inlet - 1] if c.inlet else None,
            "area_m2": c.cells * cell,
        }
        for c in water.catchments
    ]
    fields = (
        Field("catchment", "integer", "Number, the largest area first."),
        Field("leaves_by", "text", "How its water leaves.", values=LEAVES_BY),
        Field("inlet", "text", "Inlet that takes it."),
        Field("area_m2", "real", "Area of the catchment within the survey.", "m2"),
    )
    shapes = [outlines[c.number] for c in water.catchments]
    description = "Ground by where its water leaves the survey. Areas add up to the whole."
    return _polygonal("catchments", "Catchments", description, fields, records, shapes)


def _outflows(terrain: Terrain, frame: Frame) -> Layer:
    water, (east, north) = terrain.water, terrain.grid.centres()
    cell = (terrain.grid.cell_size * frame.ground_unit_m) ** 2
    records = [
        {
            "catchment": c.number,
            "leaves_by": c.kind,
            "inlet": water.inlets[c.inlet - 1] if c.inlet else None,
            "area_m2": c.cells * cell,
            "peak_area_m2": c.peak_cells * cell,
        }
        for c in water.catchments
    ]
    fields = (
        Field("catchment", "integer", "Number of the catchment."),
        Field("leaves_by", "text", "How its water leaves.", values=LEAVES_BY),
        Field("inlet", "text", "Inlet that takes it."),
        Field("area_m2", "real", "Area that drains to it.", "m2"),
        Field("peak_area_m2", "real", "Area whose water passes through this one cell.", "m2"),
    )
    shapes = [shapely.Point(east[c.col], north[c.row]) for c in water.catchments]
    description = "Where water leaves the survey: the place of each catchment that most passes."
    return Layer("outflows", "Outflows", description, "Point", fields, records, shapes)


def _polygonal(
    name: str,
    title: str,
    description: str,
    fields: tuple[Field, ...],
    records: list[dict[str, Any]],
    shapes: list[BaseGeometry],
) -> Layer:
    if all(s.geom_type == "Polygon" for s in shapes):
        return Layer(name, title, description, "Polygon", fields, records, shapes)
    whole = [shapely.MultiPolygon(list(shapely.get_parts(s))) for s in shapes]
    return Layer(name, title, description, "MultiPolygon", fields, records, whole)


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None
