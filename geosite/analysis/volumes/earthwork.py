"""Cut and fill of an area: exactly over the triangles, and by the methods to check it with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.analysis.ground_readings import departure_variance, outer_interval
from geosite.analysis.volumes.between_surfaces import (
    Pieces,
    average_end_area,
    cut_and_fill,
    overlay,
    prismoidal,
)
from geosite.analysis.volumes.design_surfaces import Design, within
from geosite.analysis.walked_line import refuse_dense
from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.linework.model import Feature
from geosite.network.covariance import sigma
from geosite.terrain.uncertainty.ground import Ground

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Earthwork", "Method", "Volumes", "earthwork"]

#: Places at which the possible grounds are read for the intervals.
_PLACES = 400
#: Cells of the grid method at most.
_CELLS = 1e6


@dataclass(frozen=True, slots=True)
class Volumes:
    """Cut, fill and cut minus fill, ground cubic metres; cut is ground above the design."""

    cut: Estimate
    fill: Estimate
    net: Estimate


@dataclass(frozen=True, slots=True)
class Method:
    """The same volumes by a method that replaces the surfaces by something simpler.

    Parameters
    ----------
    name
        ``average end area``, ``prismoidal`` or ``grid``.
    volumes
        With the interval of the exact ones, widened to hold the method's own number.
    cut_error_m3, fill_error_m3
        What the method adds to the exact volume: its discretisation error.
    """

    name: str
    volumes: Volumes
    cut_error_m3: float
    fill_error_m3: float


@dataclass(frozen=True, slots=True)
class Earthwork:
    """Earthwork of one feature.

    Parameters
    ----------
    name, feature
    exact
        Integrated over the triangles of both surfaces.
    methods
        Average end area, prismoidal, grid.
    covered
        Share of the feature's area that both surfaces reach.
    sections
        Number of cross sections.
    """

    name: str
    feature: str
    exact: Volumes
    methods: tuple[Method, ...]
    covered: float
    sections: int


def earthwork(
    name: str, feature: Feature, ground: Ground, design: Design, *, interval: float = 1.0
) -> Earthwork:
    """Return cut and fill of an area between the ground and a design.

    Parameters
    ----------
    name
        Name of the earthwork.
    feature
        The area.
    ground
        The ground between the marks.
    design
        What is to be built.
    interval
        Between cross sections, ground metres; the last one is the remainder.

    Notes
    -----
    The volumes are integrals of planes over the polygons that the triangles of both surfaces cut
    out of the area, so nothing is left to a spacing. Cross sections stand square to the long side
    of the smallest rectangle around the area; the grid has a tenth of their interval. Cut minus
    fill is linear in the elevations and its interval closed form; those of cut and of fill come
    from the possible grounds.
    """
    network = ground.network
    shape = shapely.force_2d(feature.geometry)
    factor = network.frame.combined_factor
    pieces, reached = _difference(shape, ground, design)
    cut, fill = (v / factor**2 for v in cut_and_fill(pieces))
    exact = _with_intervals(cut, fill, shape, ground, design)
    sections, stations = _by_sections(name, shape, ground, design, interval)
    by_grid = _by_grid(shape, ground, design, interval)
    methods = (
        *(_method(known, *volumes, exact) for known, volumes in sections.items()),
        _method("grid", *by_grid, exact),
    )
    covered = min(reached / float(shape.area), 1.0)
    return Earthwork(name, feature.name, exact, methods, covered, stations)


def _method(name: str, cut: float, fill: float, exact: Volumes) -> Method:
    volumes = Volumes(_held(cut, exact.cut), _held(fill, exact.fill), _held(cut - fill, exact.net))
    return Method(name, volumes, cut - exact.cut.value, fill - exact.fill.value)


def _held(value: float, exact: Estimate) -> Estimate:
    """Take the errors of the exact volume, whatever the method makes of it."""
    return Estimate(value, min(value, exact.low), max(value, exact.high), exact.sigma)


def _difference(shape: BaseGeometry, ground: Ground, design: Design) -> tuple[Pieces, float]:
    """Return ground minus design as planes over pieces of the area, and the area of the pieces."""
    tin = ground.tin
    pieces, _ = overlay(np.array([shape], dtype=object), tin.points, tin.triangles)
    if design.plane is not None:
        found = Pieces(pieces.shapes, pieces.planes - design.plane)
    else:
        near = within(design, *shape.bounds)
        assert near.points is not None
        assert near.triangles is not None
        finer, source = overlay(pieces.shapes, near.points, near.triangles)
        found = Pieces(finer.shapes, pieces.planes[source] - finer.planes)
    return found, float(shapely.area(found.shapes).sum())


def _with_intervals(
    cut: float, fill: float, shape: BaseGeometry, ground: Ground, design: Design
) -> Volumes:
    """Give the exact volumes their intervals, from places spread over the area."""
    places, weight = _lattice(shape, float(np.sqrt(shape.area / _PLACES)))
    weight /= ground.network.frame.combined_factor**2
    target = design.at(places)
    met = np.isfinite(target) & np.isfinite(ground.elevations_at(places))
    places, target = places[met], target[met]
    if not len(places):
        nothing = Estimate(0.0, 0.0, 0.0, 0.0)
        return Volumes(nothing, nothing, nothing)
    here = ground.elevations_at(places) - target
    drawn = ground.draws_at(places) - target

    def one_side(value: float, sign: float) -> Estimate:
        excess = np.maximum(sign * drawn, 0.0).sum(axis=1) - np.maximum(sign * here, 0.0).sum()
        return outer_interval(value, value + weight * excess)

    weights = np.full(len(places), weight)
    # the design is laid out from the same marks: what moves them all on the map moves it as well
    marks = sigma(ground.network.relative, ground.sum_form(places, weights)) ** 2
    between = departure_variance(ground, places, weights)
    spread = float(np.sqrt(marks + between))
    net = Estimate.normal(cut - fill, spread, ground.coverage_factor(marks, between))
    return Volumes(one_side(cut, 1.0), one_side(fill, -1.0), net)


def _by_sections(
    name: str, shape: BaseGeometry, ground: Ground, design: Design, interval: float
) -> tuple[dict[str, tuple[float, float]], int]:
    """Return cut and fill by average end area and by the prismoidal formula, and the sections."""
    factor = ground.network.frame.combined_factor
    origin, along, length, half_width = _axis(shape)
    across = np.array([-along[1], along[0]])
    refuse_dense(f"earthwork {name}", "interval", length / factor, interval)

    def area_at(at: float) -> tuple[float, float]:
        middle = origin + along * at
        reach = shapely.linestrings([middle - across * half_width, middle + across * half_width])
        cut = fill = 0.0
        for part in shapely.get_parts(shapely.intersection(reach, shape)):
            if part.geom_type != "LineString" or part.length == 0:
                continue
            ends = shapely.get_coordinates(part)
            count = max(int(np.ceil(part.length / (interval * factor / 10))), 8)
            t = (np.arange(count) + 0.5) / count
            places = ends[0] + t[:, None] * (ends[-1] - ends[0])
            height = np.nan_to_num(ground.elevations_at(places) - design.at(places))
            width = part.length / count / factor
            cut += float(height[height > 0].sum()) * width
            fill += float(-height[height < 0].sum()) * width
        return cut, fill

    steps = max(int(np.ceil(length / factor / interval - 1e-9)), 1)
    stations = np.minimum(np.arange(steps + 1) * interval * factor, length)
    halfway = (stations[:-1] + stations[1:]) / 2
    # A section exactly on the end of the area meets its outline in a point or all along, as the
    # last digit falls: a hundredth of the interval further in it is what is meant.
    inset = min(interval * factor / 100, length / 4)
    ends = np.array([area_at(s) for s in np.clip(stations, inset, length - inset)])
    middles = np.array([area_at(s) for s in halfway])
    chain = stations / factor
    return {
        "average end area": (
            average_end_area(chain, ends[:, 0]),
            average_end_area(chain, ends[:, 1]),
        ),
        "prismoidal": (
            prismoidal(chain, ends[:, 0], middles[:, 0]),
            prismoidal(chain, ends[:, 1], middles[:, 1]),
        ),
    }, len(stations)


def _by_grid(
    shape: BaseGeometry, ground: Ground, design: Design, interval: float
) -> tuple[float, float]:
    factor = ground.network.frame.combined_factor
    spacing = max(interval * factor / 10, float(np.sqrt(shape.area / _CELLS)))
    places, weight = _lattice(shape, spacing)
    height = np.nan_to_num(ground.elevations_at(places) - design.at(places))
    prism = weight / factor**2
    return float(height[height > 0].sum()) * prism, float(-height[height < 0].sum()) * prism


def _axis(shape: BaseGeometry) -> tuple[Floats, Floats, float, float]:
    """Return start, unit vector and length of the long axis, and half the width beside it."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))[:4]
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*sides.T)
    k = 0 if lengths[0] >= lengths[1] else 1
    along = sides[k] / lengths[k]
    width = lengths[1 - k]
    across = np.array([-along[1], along[0]])
    ahead = corners @ along
    aside = corners @ across
    start = along * ahead.min() + across * (aside.min() + aside.max()) / 2
    return start, along, float(lengths[k]), float(width) / 2 * (1 + 1e-9) + 1e-6


def _lattice(shape: BaseGeometry, spacing: float) -> tuple[Floats, float]:
    """Return points of a square lattice inside a shape and the area each represents.

    The area is the shape's own divided by the number of points, so that the lattice's rim does not
    change the total.
    """
    west, south, east, north = shape.bounds
    e = np.arange(west + spacing / 2, east, spacing)
    n = np.arange(south + spacing / 2, north, spacing)
    grid_e, grid_n = (g.ravel() for g in np.meshgrid(e, n))
    shapely.prepare(shape)
    inside = shapely.contains_xy(shape, grid_e, grid_n)
    places = np.column_stack([grid_e[inside], grid_n[inside]])
    if not len(places):
        places = shapely.get_coordinates(shapely.point_on_surface(shape))
    return places, shape.area / len(places)
