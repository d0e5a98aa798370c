"""Edges that two areas share and that were walked twice, as facts with their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from geosite.analysis.takeoff.shared_edges import SharedEdge, Snapped
from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.linework.model import Feature
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

__all__ = ["EdgePair", "edge_pairs"]

#: Marks no farther from the other outline than so many mean widths lie along the shared edge.
_NEAR_WIDTHS = 4.0
_NEAR_M = 0.05


@dataclass(frozen=True, slots=True)
class EdgePair:
    """An edge that two areas share and that was walked twice, on the ground.

    Parameters
    ----------
    first, second
        Names of the features; of a nested pair, the outer one first.
    nested
        One lies inside the other.
    length_m
        Along which the two outlines run side by side.
    overlap, gap
        Square metres, see `geosite.analysis.takeoff.shared_edges.SharedEdge`.
    width
        Mean distance of the edges, metres.
    outcome
        ``"one"`` the same marks, ``"reported"`` they differ and stay so, ``"snapped"`` made one,
        ``"failed"`` could not be made one within the tolerance.
    """

    first: str
    second: str
    nested: bool
    length_m: float
    overlap: Estimate
    gap: Estimate
    width: Estimate
    outcome: Literal["one", "reported", "snapped", "failed"]


def edge_pairs(
    network: Network,
    areas: Sequence[Feature],
    edges: Sequence[SharedEdge],
    snapped: Snapped,
    tolerance: float,
) -> tuple[EdgePair, ...]:
    """Return what was measured of shared edges, with its accuracy.

    Parameters
    ----------
    network
        For the covariance.
    areas
        In the order that the edges count them.
    edges, snapped, tolerance
        What was found, what was made one, and within which tolerance.

    Notes
    -----
    What is uncertain is how far the two walks lie apart. To first order that is the mean of the
    marks of one edge less the mean of those of the other, square to the edge; overlap and gap are
    it times the length, and none of the three is negative.
    """
    if not edges:
        return ()
    factor = network.frame.combined_factor
    failed = set(snapped.failed)
    forms = [_apart(network, areas[e.first], areas[e.second], e.width_m) for e in edges]
    spread, half_widths = accuracies(network, forms)

    def outcome(edge: SharedEdge) -> Literal["one", "reported", "snapped", "failed"]:
        if edge.is_one:
            return "one"
        if not tolerance:
            return "reported"
        return "failed" if {edge.first, edge.second} & failed else "snapped"

    def at_least_none(value: float, half: float, sigma: float) -> Estimate:
        even = value >= half
        return Estimate(value, max(0.0, value - half), value + half, sigma if even else None)

    found = []
    for edge, sigma, half in zip(edges, spread.tolist(), half_widths.tolist(), strict=True):
        length = edge.length_m / factor
        # the form is of grid metres, as the outlines are
        off, reach = sigma / factor, half / factor
        found.append(
            EdgePair(
                first=areas[edge.first].name,
                second=areas[edge.second].name,
                nested=edge.nested,
                length_m=length,
                overlap=at_least_none(edge.overlap_m2 / factor**2, reach * length, off * length),
                gap=at_least_none(edge.gap_m2 / factor**2, reach * length, off * length),
                width=at_least_none(edge.width_m / factor, reach, off),
                outcome=outcome(edge),
            )
        )
    return tuple(found)


def _apart(network: Network, first: Feature, second: Feature, width: float) -> LinearForm:
    """Return the form of the mean distance of the second edge from the first, outwards."""
    outline, other = _outline(first), _outline(second)
    near = max(_NEAR_WIDTHS * width, _NEAR_M)
    sides = []
    for feature, line, sign in ((second, outline, 1.0), (first, other, -1.0)):
        places = network.en[feature.rows]
        distance = shapely.distance(shapely.points(places), line)
        # at least the nearest mark: an edge may run between marks far away
        along = distance <= max(near, float(distance.min()) * (1 + 1e-9))
        normal = _outward(outline, places[along]) * (sign / along.sum())
        rows = feature.rows[along]
        sides.append(LinearForm(rows, normal[:, 0], normal[:, 1], np.zeros(len(rows))))
    return sides[0] + sides[1]


def _outline(area: Feature) -> shapely.LinearRing:
    ring = shapely.get_exterior_ring(shapely.force_2d(area.geometry))
    assert isinstance(ring, shapely.LinearRing)  # areas are polygons
    return ring


def _outward(outline: shapely.LinearRing, places: Floats) -> Floats:
    """Return the unit vector out of a counter-clockwise outline at the place nearest to each."""
    at = shapely.line_locate_point(outline, shapely.points(places))
    step = min(0.05, outline.length / 100)
    before, after = (
        shapely.get_coordinates(
            shapely.line_interpolate_point(outline, np.mod(at + way, outline.length))
        )
        for way in (-step, step)
    )
    along = after - before
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)
    outward: Floats = np.column_stack([along[:, 1], -along[:, 0]]) / length[:, None]
    return outward
