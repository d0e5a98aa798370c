"""Cut and fill of an area by three methods side by side: average end area, prismoidal, grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats
from geosite.linework.model import Feature
from geosite.network.covariance import sigma
from geosite.network.model import Network
from geosite.review.grades import refuse_dense
from geosite.terrain.ground import Ground

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Earthwork", "average_end_area", "earthwork", "plane", "prismoidal"]


@dataclass(frozen=True, slots=True)
class Volumes:
    """Cut and fill in ground cubic metres: cut is ground above the design."""

    cut_m3: float
    fill_m3: float


@dataclass(frozen=True, slots=True)
class Earthwork:
    """Earthwork of one feature.

    Parameters
    ----------
    name, feature
    average_end_area, prismoidal, grid
        The three methods.
    net_sigma_m3
        Standard deviation of cut minus fill from the marks.
    covered
        Share of the feature's area that both surfaces reach.
    sections
        Number of cross sections.
    """

    name: str
    feature: str
    average_end_area: Volumes
    prismoidal: Volumes
    grid: Volumes
    net_sigma_m3: float
    covered: float
    sections: int


def average_end_area(
    chainage: npt.ArrayLike, area: npt.ArrayLike, *, pyramid: bool = True
) -> float:
    """Return the volume between cross sections by their mean area.

    Parameters
    ----------
    chainage : array, shape (m,), metres
    area : array, shape (m,), square metres
    pyramid
        Where one end has no area the solid is a pyramid: a third of the other end's area.

    References
    ----------
    Fundamentals of Transportation (Wikibooks), Earthwork.
    """
    length = np.diff(np.asarray(chainage, np.float64))
    a = np.asarray(area, np.float64)
    start, end = a[:-1], a[1:]
    share = np.where(((start == 0) | (end == 0)) & pyramid, 1 / 3, 1 / 2)
    return float((length * share * (start + end)).sum())


def prismoidal(chainage: npt.ArrayLike, area: npt.ArrayLike, middle: npt.ArrayLike) -> float:
    """Return the volume by the prismoidal formula, L (A1 + 4 Am + A2) / 6.

    Parameters
    ----------
    chainage, area : array, shape (m,)
    middle : array, shape (m - 1,)
        Area halfway between the sections.
    """
    length = np.diff(np.asarray(chainage, np.float64))
    a, m = np.asarray(area, np.float64), np.asarray(middle, np.float64)
    return float((length * (a[:-1] + 4 * m + a[1:]) / 6).sum())


def plane(
    through: tuple[float, float],
    elevation: float,
    fall_percent: float,
    fall_azimuth_deg: float,
    combined_factor: float,
) -> Callable[[Floats], Floats]:
    """Return a design plane as a function of local grid metres, shape (m, 2) to (m,).

    The fall is per ground metre, the azimuth clockwise from grid north.
    """
    turn = np.radians(fall_azimuth_deg)
    down = np.array([np.sin(turn), np.cos(turn)]) * fall_percent / 100 / combined_factor

    def design(places: Floats) -> Floats:
        heights: Floats = elevation - (places - np.array(through)) @ down
        return heights

    return design


def earthwork(
    name: str,
    feature: Feature,
    network: Network,
    ground: Ground,
    design: Callable[[Floats], Floats],
    *,
    interval: float = 1.0,
) -> Earthwork:
    """Return cut and fill of an area between the ground and a design surface.

    Parameters
    ----------
    name
        Name of the earthwork.
    feature
        The area.
    network, ground
        The adjusted survey and the triangles between its marks.
    design
        Elevation in metres at local grid metres, NaN where the design does not reach.
    interval
        Between cross sections, ground metres; the last one is the remainder.

    Notes
    -----
    Cross sections stand square to the long side of the smallest rectangle around the area. The
    grid method sums prisms whose spacing is a tenth of the interval, at most a million of them.
    """
    factor = network.frame.combined_factor
    shape = shapely.force_2d(feature.geometry)
    origin, along, length, half_width = _axis(shape)
    across = np.array([-along[1], along[0]])
    refuse_dense(f"earthwork {name}", "interval", max(length, 2 * half_width) / factor, interval)

    def difference(places: Floats) -> Floats:
        return ground.elevations_at(places) - design(places)

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
            height = np.nan_to_num(difference(places))
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
    inside = np.clip(stations, inset, length - inset)
    ends = np.array([area_at(s) for s in inside])
    middles = np.array([area_at(s) for s in halfway])
    chain = stations / factor

    spacing = interval * factor / 10
    spacing = max(spacing, float(np.sqrt(shape.area / 1e6)))
    places, weight = _lattice(shape, spacing)
    height = difference(places)
    met = np.isfinite(height)
    prism = weight / factor**2
    form = ground.sum_form(places[met], np.full(int(met.sum()), prism))
    return Earthwork(
        name,
        feature.name,
        Volumes(average_end_area(chain, ends[:, 0]), average_end_area(chain, ends[:, 1])),
        Volumes(
            prismoidal(chain, ends[:, 0], middles[:, 0]),
            prismoidal(chain, ends[:, 1], middles[:, 1]),
        ),
        Volumes(
            float(height[met & (height > 0)].sum()) * prism,
            float(-height[met & (height < 0)].sum()) * prism,
        ),
        sigma(network, form),
        float(met.mean()) if len(met) else 0.0,
        len(stations),
    )


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
    """Return points of a square lattice inside a shape and the area each stands for.

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
