"""Lines that run side by side all along: two edges of one thing, which would be ordered twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geosite.analysis.takeoff.quantities import Quantity
from geosite.linework.model import Feature

__all__ = ["BesideLine", "lines_beside"]

NEAR_M = 0.6
"""Two edges of a kerb, a wall or a channel are nearer than this (common practice, no source)."""
SHARE = 0.8
"""Of each of the two that runs beside the other."""


@dataclass(frozen=True, slots=True)
class BesideLine:
    """Two lines that run side by side and are both ordered.

    Parameters
    ----------
    first, second
        Names of the features, in the order they were walked.
    first_code, second_code
    apart_m
        Mean distance of the second from the first, on the ground.
    """

    first: str
    second: str
    first_code: str
    second_code: str
    apart_m: float


def lines_beside(
    features: Sequence[Feature], quantities: Sequence[Quantity], factor: float
) -> tuple[BesideLine, ...]:
    """Find pairs of lines that are ordered both and run beside each other all along.

    Parameters
    ----------
    features
        Drawn features, in field-book order.
    quantities
        One per feature, for what is ordered.
    factor
        Grid metres per metre on the ground.
    """
    ordered = {q.feature for q in quantities if q.kind == "line" and q.order_by}
    lines = [f for f in features if f.kind == "line" and f.name in ordered]
    if len(lines) < 2:
        return ()
    shapes = shapely.force_2d(np.array([f.geometry for f in lines], dtype=object))
    near = NEAR_M * factor
    one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=near)
    ahead = one < other
    one, other = one[ahead], other[ahead]
    bands = shapely.buffer(shapes, near, cap_style="flat")
    along = np.minimum(
        _share(shapes[one], bands[other]),
        _share(shapes[other], bands[one]),
    )
    found = []
    for i, j in zip(one[along >= SHARE].tolist(), other[along >= SHARE].tolist(), strict=True):
        places = shapely.line_interpolate_point(
            shapes[j], np.linspace(0.05, 0.95, 19), normalized=True
        )
        apart = float(np.mean(shapely.distance(shapes[i], places))) / factor
        first, second = lines[i], lines[j]
        found.append(BesideLine(first.name, second.name, first.code, second.code, apart))
    return tuple(found)


def _share(lines: np.ndarray, bands: np.ndarray) -> np.ndarray:
    length = np.maximum(shapely.length(lines), 1e-9)
    share: np.ndarray = shapely.length(shapely.intersection(lines, bands)) / length
    return share
