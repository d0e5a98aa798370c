"""How near a shape comes to the line of a parcel, and how well that is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate
from geosite.base.statistics import t_factor
from geosite.network.covariance import sigma
from geosite.network.model import LinearForm, Network

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "Approach",
    "ClearanceVerdict",
    "approach",
    "clearance_verdict",
    "sigma_across",
    "with_map",
]

ClearanceVerdict = Literal["clear", "crosses", "cannot tell"]


@dataclass(frozen=True, eq=False, slots=True)
class Approach:
    """Nearest approach of a shape to a line.

    Parameters
    ----------
    number
        Of the polygon that holds most of the shape.
    apart
        Grid metres; negative where the shape reaches over its line by so much.
    line : array, shape (2, 2)
        From the shape to the line, local grid metres.
    """

    number: int
    apart: float
    line: Floats


def approach(shape: BaseGeometry, polygons: Sequence[BaseGeometry]) -> Approach:
    """Return how near a shape comes to the line of the polygon that holds most of it.

    Parameters
    ----------
    shape
        Local grid metres.
    polygons
        Those that it meets, at least one.

    Examples
    --------
    A pad that reaches 1 m over the line of the parcel with most of it:

    >>> met = approach(shapely.box(3, 1, 11, 4), [shapely.box(0, -5, 10, 9)])
    >>> met.number, met.apart
    (0, -1.0)
    """

    def share(polygon: BaseGeometry) -> float:
        common = shape.intersection(polygon)
        return float(common.area or common.length or (1.0 if not common.is_empty else 0.0))

    number = max(range(len(polygons)), key=lambda i: share(polygons[i]))
    boundary = polygons[number].boundary
    outside = shape.difference(polygons[number])
    if outside.is_empty:
        line = shapely.get_coordinates(shapely.shortest_line(shape, boundary))
        sign = 1.0
    else:
        # the point that reaches farthest over the line
        corners = shapely.get_coordinates(outside)
        reach = shapely.distance(shapely.points(corners), boundary)
        farthest = shapely.Point(corners[int(np.argmax(reach))])
        line = shapely.get_coordinates(shapely.shortest_line(farthest, boundary))
        sign = -1.0
    return Approach(number, sign * float(np.hypot(*(line[1] - line[0]))), line)


def clearance_verdict(distance: Estimate) -> ClearanceVerdict:
    """Return what a distance to a line allows to say at 95 %.

    Examples
    --------
    >>> clearance_verdict(Estimate(0.3, -0.1, 0.7)), clearance_verdict(Estimate(-1.0, -1.3, -0.7))
    ('cannot tell', 'crosses')
    """
    if distance.low > 0:
        return "clear"
    return "crosses" if distance.high < 0 else "cannot tell"


def with_map(network: Network, value: float, survey: float, parcel_map: float) -> Estimate:
    """Combine the sigmas of survey and parcel map, degrees of freedom after Satterthwaite (1946).

    The map's is stated, not estimated, so that its degrees of freedom are infinite.
    """
    if not network.accuracy_known:
        return Estimate(value, -math.inf, math.inf)
    total = survey**2 + parcel_map**2
    degrees = network.degrees_of_freedom * (total / survey**2) ** 2 if survey else math.inf
    return Estimate.normal(value, math.sqrt(total), t_factor(degrees))


def sigma_across(rows: Ints, line: Floats, boundary: BaseGeometry, network: Network) -> float:
    """Return the survey's sigma, ground metres, of a place in the direction of a line.

    Parameters
    ----------
    rows
        Observations that the outline with the place on it was drawn through, in order.
    line : array, shape (2, 2)
        From the place on, local grid metres.
    boundary
        That the line leads to: its direction where the place lies on it.
    network
    """
    offset = line[1] - line[0]
    length = float(np.hypot(*offset))
    if length < 1e-6:
        # on the line: take the direction across the boundary there
        at = boundary.project(shapely.Point(line[0]))
        before = np.array(boundary.interpolate(max(at - 0.5, 0.0)).coords[0][:2])
        after = np.array(boundary.interpolate(at + 0.5).coords[0][:2])
        along = after - before
        offset, length = np.array([-along[1], along[0]]), float(np.hypot(*along)) or 1.0
    unit = offset / length
    # between two marks the point moves with both of them, by its share of the way
    places = network.en[rows]
    best, shares = np.inf, {int(rows[0]): 1.0}
    for a, b in zip(range(len(rows)), [*range(1, len(rows)), 0], strict=True):
        leg = places[b] - places[a]
        square = float(leg @ leg)
        if square == 0:
            continue
        t = float(np.clip((line[0] - places[a]) @ leg / square, 0.0, 1.0))
        off = float(np.hypot(*(places[a] + t * leg - line[0])))
        if off < best - 1e-9:
            best, shares = off, {int(rows[a]): 1.0 - t, int(rows[b]): t}
    weights = np.array(list(shares.values()))
    form = LinearForm(
        np.array(list(shares)), weights * unit[0], weights * unit[1], np.zeros(len(weights))
    )
    return float(sigma(network, form)) / network.frame.combined_factor
