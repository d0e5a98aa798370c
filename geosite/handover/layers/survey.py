"""The contract's layers from the adjusted survey and the drawing: points, baseline, areas, lines.

Everything before this room is in metres relative to the frame's origin; here it becomes map
coordinates, easting and northing in the unit of the map CRS and elevation in its own unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosite.base.map_frame import Frame
from geosite.fieldbook.model import PIECE_KINDS, Notes
from geosite.fieldbook.sitefile import Code
from geosite.handover.model import Field, Layer
from geosite.linework.model import Drawing, Feature, Measure
from geosite.linework.on_map import to_map_geometry
from geosite.network.covariance import sigma_horizontal, sigma_vertical
from geosite.network.model import Network

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["areas", "baseline", "lines", "points", "survey_layers"]


def survey_layers(notes: Notes, network: Network, drawing: Drawing) -> tuple[Layer, ...]:
    """Return the layers ``points``, ``baseline``, ``areas`` and ``lines``, in this order."""
    return (
        points(notes, network),
        baseline(notes, network),
        areas(drawing, network.frame, notes.site.codes),
        lines(drawing, network.frame, notes.site.codes),
    )


def points(notes: Notes, network: Network) -> Layer:
    """Return every observation with its local and its map coordinates and their accuracy."""
    book, frame = notes.book, network.frame
    unit = notes.site.survey.unit
    en = frame.to_map(network.en)
    elevation = network.elevation / frame.height_unit_m
    local = book.local / book.unit_m
    correction = np.hypot(*(network.en - network.raw_en).T)
    correction_up = network.elevation - network.raw_elevation
    placed: Any = shapely.points(np.column_stack([en, elevation]))
    columns: dict[str, Sequence[Any]] = {
        "run": _names(book.runs, book.run),
        "point": _names(book.marks, book.mark),
        "feature": _names(book.features, book.feature),
        "code": _names(book.codes, book.code),
        "local_x": local[:, 0].tolist(),
        "local_y": local[:, 1].tolist(),
        "local_z": local[:, 2].tolist(),
        "easting": en[:, 0].tolist(),
        "northing": en[:, 1].tolist(),
        "elevation": elevation.tolist(),
        "sigma_h_m": sigma_horizontal(network).tolist(),
        "sigma_v_m": sigma_vertical(network).tolist(),
        "correction_m": correction.tolist(),
        "correction_up_m": correction_up.tolist(),
        "segment": [PIECE_KINDS[kind] for kind in book.kind.tolist()],
        "row": book.line.tolist(),
        "note": [text or None for text in book.notes],
    }
    fields = (
        Field("run", "text", "Uninterrupted walk the observation belongs to."),
        Field("point", "text", "Mark stood on; empty for an unnamed position."),
        Field("feature", "text", "Shape the observation belongs to."),
        Field("code", "text", "Surface or feature code.", values=_titles(notes.site.codes)),
        Field("local_x", "real", "x in the run's own frame, as walked.", unit),
        Field("local_y", "real", "y in the run's own frame, as walked.", unit),
        Field("local_z", "real", "z in the run's own frame, as walked.", unit),
        Field("easting", "real", "Easting in the map CRS, adjusted.", frame.unit_name),
        Field("northing", "real", "Northing in the map CRS, adjusted.", frame.unit_name),
        Field("elevation", "real", "Elevation, adjusted.", frame.height_unit_name),
        Field("sigma_h_m", "real", "Standard deviation per horizontal axis.", "m"),
        Field("sigma_v_m", "real", "Standard deviation of the elevation.", "m"),
        Field("correction_m", "real", "Horizontal distance the adjustment moved the mark.", "m"),
        Field("correction_up_m", "real", "Elevation added by the adjustment.", "m"),
        Field(
            "segment",
            "text",
            "How the outline reaches this mark from the previous one of the feature.",
            values={
                "line": "straight",
                "arc": "circular arc",
                "circle": "full circle",
                "stream": "walked along, many positions",
                "gap": "not drawn",
            },
        ),
        Field("row", "integer", "Line in the field book, counted from 1."),
        Field("note", "text", "Free text of the field book."),
    )
    return Layer(
        "points",
        "Observations",
        "Every observation of the field book, adjusted and placed on the map.",
        "PointZ",
        fields,
        _records(columns),
        placed.tolist(),
    )


def baseline(notes: Notes, network: Network) -> Layer:
    """Return the line between the two baseline marks, with its measured and its mapped length."""
    book, frame = notes.book, network.frame
    names = (notes.site.baseline.from_, notes.site.baseline.to)
    first, last = (int(np.flatnonzero(book.mark == book.marks.index(name))[0]) for name in names)
    rows = [first, last]
    grid = network.en[last] - network.en[first]
    grid_m = float(math.hypot(*grid))
    check = network.report.get("baseline")
    check = check if isinstance(check, dict) and (check["from"], check["to"]) == names else {}
    azimuth = math.atan2(grid[0], grid[1])
    ends = np.column_stack([frame.to_map(network.en), network.elevation / frame.height_unit_m])
    record = {
        "from_point": names[0],
        "to_point": names[1],
        "length_m": grid_m / frame.combined_factor,
        "length_grid_m": grid_m,
        "measured_m": check.get("measured_m", grid_m / frame.combined_factor),
        "mapped_m": check.get("mapped_m"),
        "difference_ppm": check.get("ppm"),
        "difference_sigma_m": check.get("sigma_m"),
        "azimuth_grid_deg": math.degrees(azimuth) % 360.0,
        "azimuth_true_deg": math.degrees(azimuth + frame.convergence) % 360.0,
        "rise_m": float(network.elevation[last] - network.elevation[first]),
        "combined_factor": frame.combined_factor,
    }
    fields = (
        Field("from_point", "text", "First baseline mark."),
        Field("to_point", "text", "Second baseline mark."),
        Field("length_m", "real", "Length between the placed marks, on the ground.", "m"),
        Field("length_grid_m", "real", "Length between the placed marks, on the map grid.", "m"),
        Field("measured_m", "real", "Length as walked, from all runs, on the ground.", "m"),
        Field("mapped_m", "real", "Length between the given positions, on the ground.", "m"),
        Field("difference_ppm", "real", "Measured minus mapped, per million of mapped.", "ppm"),
        Field("difference_sigma_m", "real", "Standard deviation of the difference.", "m"),
        Field("azimuth_grid_deg", "real", "Direction clockwise from grid north.", "deg"),
        Field("azimuth_true_deg", "real", "Direction clockwise from true north.", "deg"),
        Field("rise_m", "real", "Second mark above the first.", "m"),
        Field("combined_factor", "real", "Grid length divided by ground length."),
    )
    return Layer(
        "baseline",
        "Baseline",
        "Line between the two marks that every run visits and that place it on the map.",
        "LineStringZ",
        fields,
        (record,),
        (shapely.linestrings(ends[rows]),),
    )


def areas(drawing: Drawing, frame: Frame, codes: Mapping[str, Code]) -> Layer:
    """Return the areas with their ground measures and the grid values beside them."""
    chosen = [feature for feature in drawing.features if feature.kind == "area"]
    records = []
    for feature in chosen:
        area, net, perimeter, edging = (
            _measure(m) for m in (feature.area, feature.net_area, feature.perimeter, feature.edging)
        )
        records.append(
            {
                "feature": feature.name,
                "code": feature.code or None,
                "area_m2": area[0],
                "area_sigma_m2": area[2],
                "net_area_m2": net[0],
                "perimeter_m": perimeter[0],
                "net_area_sigma_m2": net[2],
                "perimeter_sigma_m": perimeter[2],
                "edging_m": edging[0],
                "area_grid_m2": area[1],
                "perimeter_grid_m": perimeter[1],
                "inside": ", ".join(feature.inside) or None,
                "title": _title(feature, codes),
            }
        )
    fields = (
        Field("feature", "text", "Name in the field book."),
        Field("code", "text", "Surface code.", values=_titles(codes)),
        Field("area_m2", "real", "Area on the ground, from the exact outline.", "m2"),
        Field("area_sigma_m2", "real", "Standard deviation of the area.", "m2"),
        Field("net_area_m2", "real", "Area without the features inside it.", "m2"),
        Field("perimeter_m", "real", "Length of the whole outline on the ground.", "m"),
        Field("net_area_sigma_m2", "real", "Standard deviation of the net area.", "m2"),
        Field("perimeter_sigma_m", "real", "Standard deviation of the perimeter.", "m"),
        Field("edging_m", "real", "Length of the drawn outline, without its gaps.", "m"),
        Field("area_grid_m2", "real", "Area on the map grid.", "m2"),
        Field("perimeter_grid_m", "real", "Length of the outline on the map grid.", "m"),
        Field("inside", "text", "Features directly inside this one."),
        Field("title", "text", "Meaning of the code."),
    )
    shapes = [to_map_geometry(feature.geometry, frame) for feature in chosen]
    return Layer(
        "areas",
        "Areas",
        "Surfaces drawn from the walked outlines. Measures are ground values.",
        _kind(shapes, "Polygon"),
        fields,
        records,
        shapes,
    )


def lines(drawing: Drawing, frame: Frame, codes: Mapping[str, Code]) -> Layer:
    """Return the lines with their ground measures and the grid values beside them."""
    chosen = [feature for feature in drawing.features if feature.kind == "line"]
    records = []
    for feature in chosen:
        length = _measure(feature.length)
        records.append(
            {
                "feature": feature.name,
                "code": feature.code or None,
                "length_m": length[0],
                "length_3d_m": feature.length_3d_m,
                "rise_m": feature.rise_m,
                "fall_m": feature.fall_m,
                "length_sigma_m": length[2],
                "length_grid_m": length[1],
                "title": _title(feature, codes),
            }
        )
    fields = (
        Field("feature", "text", "Name in the field book."),
        Field("code", "text", "Feature code.", values=_titles(codes)),
        Field("length_m", "real", "Horizontal length on the ground, exact on arcs.", "m"),
        Field("length_3d_m", "real", "Length along the slope.", "m"),
        Field("rise_m", "real", "Sum of all climbs along the line.", "m"),
        Field("fall_m", "real", "Sum of all descents along the line.", "m"),
        Field("length_sigma_m", "real", "Standard deviation of the length.", "m"),
        Field("length_grid_m", "real", "Length on the map grid.", "m"),
        Field("title", "text", "Meaning of the code."),
    )
    shapes = [to_map_geometry(feature.geometry, frame) for feature in chosen]
    return Layer(
        "lines",
        "Lines",
        "Lines drawn from the walked marks. Measures are ground values.",
        _kind(shapes, "LineString"),
        fields,
        records,
        shapes,
    )


def _names(distinct: tuple[str, ...], index: Any) -> list[str | None]:
    named = (*distinct, None)  # -1, blank, is the last
    return [named[i] for i in index.tolist()]


def _records(columns: Mapping[str, Sequence[Any]]) -> list[dict[str, Any]]:
    names = tuple(columns)
    return [dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _titles(codes: Mapping[str, Code]) -> dict[str, str]:
    return {name: code.title for name, code in codes.items()}


def _title(feature: Feature, codes: Mapping[str, Code]) -> str | None:
    code = codes.get(feature.code)
    return (code.title or None) if code else None


def _measure(measure: Measure | None) -> tuple[float | None, float | None, float | None]:
    """Return ground value, grid value and sigma; None for what the feature does not have."""
    if measure is None:
        return None, None, None
    return measure.value, measure.grid, measure.sigma


def _kind(shapes: Sequence[BaseGeometry], plain: str) -> str:
    """Return the type of a layer: plain, or multi as soon as one feature has several parts."""
    multi = any(shape.geom_type != plain for shape in shapes)
    return f"Multi{plain}Z" if multi else f"{plain}Z"
