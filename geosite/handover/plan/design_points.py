"""Corners of a design on its sheet: numbers and elevations, and a table to set them out from."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.base.units import plural
from geosite.drawing.font import printable
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.labels import around
from geosite.drawing.sheet import Arc, Outline, Shape
from geosite.handover.layers.designs import file_name
from geosite.handover.model import Layer, Package, Raster
from geosite.handover.plan.canvas import Canvas
from geosite.handover.plan.side_column import Block, Column, more
from geosite.handover.wording.measures import Measures, layer_of

__all__ = ["DESIGN_POINTS", "corners_file", "design_points", "name_design_points", "points_block"]

DESIGN_POINTS = "design_points_drawn"
"""Layer with the corners that are numbered on the sheet of a design."""

_SAME_M = 1e-3
_MOST = 200


def corners_file(name: str) -> str:
    """Return the name of the file with the corners of a design.

    Examples
    --------
    >>> corners_file("new pad/1")
    'design_new_pad_1_points.csv'
    """
    return f"design_{file_name(name)}_points.csv"


def design_points(package: Package, name: str) -> Layer:
    """Return the corners of the edges of a design, each place once, numbered from 1.

    Parameters
    ----------
    package
        With the layers ``design_edges`` and ``baseline`` and the raster ``elevation``.
    name
        Of the design.

    Returns
    -------
    Layer
        Records with ``number``, ``elevation`` (of the design, in the unit of the heights),
        ``along_m`` and ``offset_m`` on the ground from the first mark of the baseline, offset
        positive to the right, and ``rise_m`` above the walked ground; None where not known.
    """
    edges = layer_of(package, "design_edges")
    records: list[dict[str, Any]] = []
    shapes: list[Any] = []
    seen: set[tuple[int, ...]] = set()
    corners = (
        [
            place
            for record, shape in zip(edges.records, edges.geometries, strict=True)
            if record["design"] == name
            for place in shapely.get_coordinates(shape, include_z=True)
        ]
        if edges is not None
        else []
    )
    baseline = layer_of(package, "baseline")
    walked = next((r for r in package.rasters if r.name == "elevation"), None)
    for place in corners:
        key = tuple(np.round(place / _SAME_M).astype(np.int64).tolist())
        if key in seen:
            continue
        seen.add(key)
        east, north, up = place.tolist()
        record: dict[str, Any] = {"number": len(records) + 1, "elevation": up}
        if baseline is not None:
            along, offset = _from_baseline(package, baseline, place[:2])
            record |= {"along_m": along, "offset_m": offset}
        ground = math.nan if walked is None else ground_at(walked, (east, north))
        if math.isfinite(ground):
            record["rise_m"] = (up - ground) * package.frame.height_unit_m
        records.append(record)
        shapes.append(shapely.Point(east, north, up))
    return Layer(DESIGN_POINTS, name, "", "PointZ", (), records, shapes)


def _from_baseline(package: Package, baseline: Layer, place: Floats) -> tuple[float, float]:
    """Return how far along the baseline and to the right of it a place lies, ground metres."""
    ends = shapely.get_coordinates(baseline.geometries[0])[[0, -1]]
    way = (ends[1] - ends[0]) / math.dist(*ends.tolist())
    to_ground = package.frame.unit_m / package.frame.combined_factor
    east, north = ((place - ends[0]) * to_ground).tolist()
    return east * way[0] + north * way[1], east * way[1] - north * way[0]


def ground_at(raster: Raster, place: tuple[float, float]) -> float:
    """Return a raster at a place between the middles of its cells, NaN where one is not known.

    Examples
    --------
    >>> from geosite.base.grid import Grid
    >>> z, cells = np.array([[1.0, 2.0], [1.0, 2.0]]), Grid(0, 2, 1, 2, 2)
    >>> ground_at(Raster("elevation", "", "", z, cells, "m"), (1.0, 1.0))
    1.5
    """
    grid, z = raster.grid, raster.values
    col, row = (
        (place[0] - grid.west) / grid.cell_size - 0.5,
        (grid.north - place[1]) / grid.cell_size - 0.5,
    )
    c, r = math.floor(col), math.floor(row)
    if not (0 <= c < z.shape[1] - 1 and 0 <= r < z.shape[0] - 1):
        return math.nan
    u, v = col - c, row - r
    (nw, ne), (sw, se) = z[r : r + 2, c : c + 2].astype(np.float64).tolist()
    return float((nw * (1 - u) + ne * u) * (1 - v) + (sw * (1 - u) + se * u) * v)


def name_design_points(page: Canvas) -> None:
    """Write number and elevation beside each corner of the design."""
    layer = page.layer(DESIGN_POINTS)
    if layer is None:
        return
    radius = 0.7 * page.k
    places = page.view.on_paper(shapely.get_coordinates(np.array(layer.geometries, object)))
    for record, place in list(zip(layer.records, places, strict=True))[:_MOST]:
        x, y = place.tolist()
        dot = Outline((Arc((x, y), radius, 0.0, 2 * math.pi),), closed=True)
        page.shapes["design"].append(Shape([dot], Stroke(TEXT, 0.2), TEXT))
        page.board.take(x, y, radius)
        lines = [
            page.line(str(record["number"]), bold=True),
            page.line(f"{record['elevation']:.2f}"),
        ]
        wide, high = max(line.width for line in lines), sum(line.size for line in lines) * 1.1
        beside = [around(x, y, wide, high, radius + gap * page.k) for gap in (0.6, 1.5, 3.0)]
        page.write("design", lines, np.concatenate(beside), led_from=(x, y, radius))


def points_block(package: Package, measures: Measures) -> Block | None:
    """Return the table to set the corners out from; nothing on another sheet."""
    layer, baseline = layer_of(package, DESIGN_POINTS), layer_of(package, "baseline")
    if layer is None:
        return None
    rows = [
        (
            str(r["number"]),
            *("" if r.get(key) is None else measures.number(r[key]) for key in _FROM),
            f"{r['elevation']:.2f}",
            _earth(r.get("rise_m"), measures),
        )
        for r in layer.records
    ]
    ends = baseline.records[0] if baseline is not None else {}
    line = f"{ends.get('from_point')} to {ends.get('to_point')}"

    def block(column: Column, limit: int) -> None:
        column.heading("Setting out its corners")
        column.table(("point", "along", "offset", "elevation", ""), rows[:limit])
        more(column, len(rows), limit, corners_file(layer.title))
        heights = plural(package.frame.height_unit_name)
        words = (
            f"From {printable(line)} on the ground, right +, {measures.unit}; elevations in "
            f"{heights}; cut, fill from the walked ground to the surface."
        )
        column.paragraph(words, colour=FAINT)

    return block


_FROM = ("along_m", "offset_m")


def _earth(rise: float | None, measures: Measures) -> str:
    if rise is None:
        return ""
    if abs(rise) < 5e-3:
        return "0.00"
    return f"{'fill' if rise > 0 else 'cut'} {measures.number(abs(rise))}"
