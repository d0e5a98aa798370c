"""How near a design comes to a parcel line, and whether it reaches over one. No boundary survey."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.approach import (
    ClearanceVerdict,
    approach,
    clearance_verdict,
    sigma_across,
    with_map,
)
from geosite.base.estimate import Estimate
from geosite.base.statistics import NORMAL_95

if TYPE_CHECKING:
    from geosite.analysis.design_ground.model import DesignedGround
    from geosite.analysis.design_ground.zones import Zone
    from geosite.analysis.parcels import ParcelMap
    from geosite.base.arrays import Floats
    from geosite.network.model import Network
    from geosite.terrain.uncertainty.ground import Ground

__all__ = ["DesignClearance", "design_clearances"]

_ON_M = 1e-3
"""A place so near an outline lies on it."""
_STEP_M = 0.5
"""Over which the fall of the ground at the foot of a bank is taken."""


@dataclass(frozen=True, eq=False, slots=True)
class DesignClearance:
    """Nearest approach of a design to the line of the parcel that holds most of it.

    Parameters
    ----------
    design, title
        As in the site file.
    what
        ``parts``: pads, strips, closed edges and files; ``banks``: with them out to the foot of
        their banks.
    parcel
        Its name.
    distance
        Ground metres, negative over the line. Parcel map and coordinate transformation; of parts
        on marks the survey, too; of banks what the ground at their foot is uncertain by.
    verdict
        At 95 %.
    line : array, shape (2, 2)
        From the design to the line, local grid metres.
    """

    design: str
    title: str
    what: Literal["parts", "banks"]
    parcel: str
    distance: Estimate
    verdict: ClearanceVerdict
    line: Floats


def design_clearances(
    design: DesignedGround,
    side_slope: float,
    parcel_map: ParcelMap,
    network: Network,
    ground: Ground,
    cell_m: float,
) -> tuple[DesignClearance, ...]:
    """Return how near the parts of a design come to a parcel line, and the foot of its banks.

    Parameters
    ----------
    design
    side_slope
        Length of a bank per height; 0 for a wall.
    parcel_map
        On the survey's frame.
    network, ground
        For what lies on marks, and for the foot of the banks.
    cell_m
        Of the raster that the foot is found on, grid metres.

    Returns
    -------
    tuple of DesignClearance
        None where the design lies on no parcel of the map.

    Notes
    -----
    A foot where the ground is `u` higher lies `u s / (1 - s g)` farther in, for a bank of one in
    `s` on ground that falls `g` away from it: that is how the sigma of an elevation becomes one in
    plan. The foot is found on cells, which adds a uniform error of one of them.
    """
    parts = shapely.union_all([zone.shape for zone in design.zones])
    factor = network.frame.combined_factor
    of_cells = cell_m / factor / math.sqrt(12)
    found = []
    for what, shape in (("parts", parts), ("banks", _to_foot(design, side_slope, parts))):
        if shape is None:
            continue
        near = [p for p in parcel_map.parcels if shapely.intersects(p.geometry, shape)]
        if not near:
            continue
        met = approach(shape, [p.geometry for p in near])
        parcel = near[met.number]
        ring = _ring_at(design.zones, met.line[0]) if what == "parts" else None
        stated = math.hypot(parcel_map.sigma_m, parcel_map.transformation_sigma_m)
        apart = met.apart / factor
        if what == "banks":
            foot = _sigma_of_foot(met.line, side_slope, ground, factor)
            distance = Estimate(apart, -math.inf, math.inf)
            if math.isfinite(foot):
                distance = with_map(network, apart, foot, math.hypot(stated, of_cells))
        elif ring is None:
            distance = Estimate.normal(apart, stated, NORMAL_95)
        else:
            boundary = parcel.geometry.boundary
            own = sigma_across(ring.ring, met.line, boundary, network.relative)
            distance = with_map(network, apart, own, math.hypot(stated, network.shift.sigma))
        found.append(
            DesignClearance(
                design.name,
                design.title,
                "parts" if what == "parts" else "banks",
                parcel.name,
                distance,
                clearance_verdict(distance),
                met.line,
            )
        )
    return tuple(found)


def _to_foot(design: DesignedGround, side_slope: float, parts: BaseGeometry) -> BaseGeometry | None:
    """Return the design out to the foot of its banks; None where it has none, or walls."""
    if side_slope <= 0 or not design.daylight:
        return None
    flat = [shapely.force_2d(line) for line in design.daylight]
    reach = shapely.union_all([parts, *flat])
    return None if reach.difference(parts).is_empty else reach


def _ring_at(zones: Sequence[Zone], place: Floats) -> Zone | None:
    """Return the part on marks whose outline holds a place."""
    at = shapely.Point(place)
    on = (z for z in zones if len(z.ring) and shapely.distance(z.shape.boundary, at) < _ON_M)
    return next(on, None)


def _sigma_of_foot(line: Floats, side_slope: float, ground: Ground, factor: float) -> float:
    """Return how well the foot of a bank is known in plan, ground metres."""
    foot, toward = line
    way = toward - foot
    length = float(np.hypot(*way))
    if length < 1e-6:
        return 0.0
    step = way / length * _STEP_M * factor
    before, after = ground.elevations_at(np.array([foot - step, foot + step])).tolist()
    fall = (before - after) / (2 * _STEP_M)
    if not math.isfinite(fall):
        fall = 0.0
    (of_marks,), (departure,) = (sigmas.tolist() for sigmas in ground.sigmas_at(foot))
    up = math.hypot(of_marks, departure)
    if not math.isfinite(up):
        return math.inf
    # ground that falls nearly as the bank does meets it anywhere
    spread = up * side_slope / max(1 - side_slope * abs(fall), 0.1)
    return float(spread)
