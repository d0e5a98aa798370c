"""Edges as built against edges as designed, station by station."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geosite.analysis.as_built.datum import Datum
from geosite.analysis.as_built.model import Deviation
from geosite.analysis.design_ground.zones import Edge
from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate
from geosite.linework.model import Drawing, Feature
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

__all__ = ["edge_deviations"]

STATION_M = 1.0
"""Between places along an edge."""
SAME_WAY = math.cos(math.pi / 4)
"""A built piece that turns away from the design by more belongs to another side."""
NOTHING = 1e-9
"""Nearer than this, in metres, is on the line."""


@dataclass(frozen=True, eq=False)
class _Pieces:
    """The straight pieces of a line, each from `start` along the unit vector `way`."""

    start: Floats
    way: Floats
    length: Floats

    @classmethod
    def of(cls, places: Floats) -> _Pieces:
        step = np.diff(places, axis=0)
        length = np.hypot(*step.T)
        some = length > NOTHING
        return cls(places[:-1][some], step[some] / length[some, None], length[some])

    def nearest(self, place: Floats, way: Floats) -> Floats:
        """Return the nearest place on the pieces that run the way of the design, if there are."""
        alike = np.abs(self.way @ way) >= SAME_WAY
        if not alike.any():
            alike = np.ones(len(alike), bool)
        start, ways = self.start[alike], self.way[alike]
        along = np.clip(((place - start) * ways).sum(axis=1), 0.0, self.length[alike])
        feet = start + along[:, None] * ways
        found: Floats = feet[int(np.hypot(*(feet - place).T).argmin())]
        return found


def edge_deviations(
    network: Network, drawing: Drawing, datum: Datum, edges: Sequence[Edge]
) -> list[Deviation]:
    """Compare each edge of the design with the feature of its name, station by station.

    The deviation of a station is its distance from the side that was built for it, positive where
    that lies to the left. A corner belongs to two sides: the worse of them is told.
    """
    features = {f.name: f for f in drawing.features if f.kind != "point"}
    found = []
    for edge in edges:
        if edge.name in features:
            found += _along(network, datum, edge, features[edge.name])
    return found


def _along(network: Network, datum: Datum, edge: Edge, feature: Feature) -> list[Deviation]:
    factor = network.frame.combined_factor
    line = _Pieces.of(edge.places[:, :2])
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(edge.places[:, :2], axis=0).T))])
    total = float(chainage[-1])
    count = max(2, math.ceil(total / factor / STATION_M - 0.01) + 1)
    built = _built(feature)
    found = []
    for at in np.linspace(0.0, total, count)[: -1 if edge.closed else None].tolist():
        on, place, left, off = _worst(line, built, at, edge.closed)
        designed = float(np.interp(at, chainage, edge.places[:, 2]))
        first, second, share = _between(network, feature.rows, place, feature.kind == "area")
        height = (1 - share) * network.elevation[first] + share * network.elevation[second]
        weights = np.array([1 - share, share])
        pair, none = np.array([first, second]), np.zeros(2)
        off_line = LinearForm(pair, left[0] * weights, left[1] * weights, none)
        forms = [
            datum.in_plan(off_line, place, left) * (1 / factor),
            datum.in_height(LinearForm(pair, none, none, weights)),
        ]
        sigma, half = accuracies(network, forms)
        values = (off / factor, float(height - designed))
        plan, up = (
            Estimate(v, float(v - h), float(v + h), float(s))
            for v, s, h in zip(values, sigma, half, strict=True)
        )
        found.append(
            Deviation(
                "edge",
                f"{edge.name}+{at / factor:.2f}",
                feature.code,
                np.array([*place, height]),
                None,
                None,
                plan,
                up,
                shift=place - on,
            )
        )
    return found


def _built(feature: Feature) -> _Pieces:
    """Return the pieces of what was built, none across its gaps."""
    shape = shapely.force_2d(feature.geometry)
    if feature.kind == "area":
        parts = [shape.exterior]  # type: ignore[attr-defined]
    else:
        parts = list(getattr(shape, "geoms", [shape]))
    each = [_Pieces.of(shapely.get_coordinates(part)) for part in parts]
    return _Pieces(
        np.concatenate([one.start for one in each]),
        np.concatenate([one.way for one in each]),
        np.concatenate([one.length for one in each]),
    )


def _worst(
    line: _Pieces, built: _Pieces, at: float, closed: bool
) -> tuple[Floats, Floats, Floats, float]:
    """Return a station, the built place for it, the direction between and the signed distance.

    The direction points to the left of the edge, so that a positive distance does as well.
    """
    ends = np.cumsum(line.length)
    piece = min(int(np.searchsorted(ends, at + 1e-6, side="right")), len(ends) - 1)
    begin = float(ends[piece] - line.length[piece])
    on = line.start[piece] + line.way[piece] * (at - begin)
    sides = [piece]
    if abs(at - begin) <= 1e-6 and (piece > 0 or closed):
        sides.append(piece - 1)
    found: list[tuple[float, Floats, Floats, float]] = []
    for side in sides:
        way = line.way[side]
        left = np.array([-way[1], way[0]])
        place = built.nearest(on, way)
        away = place - on
        distance = float(np.hypot(*away))
        if distance > NOTHING:
            sign = -1.0 if float(away @ left) < 0 else 1.0
            left = sign * away / distance
            found.append((distance, place, left, sign * distance))
        else:
            found.append((0.0, place, left, 0.0))
    _, place, left, off = max(found, key=lambda one: one[0])
    return on, place, left, off


def _between(network: Network, rows: Ints, place: Floats, closed: bool) -> tuple[int, int, float]:
    """Return the two marks of a feature that a place lies between, and how far along."""
    ends = np.append(rows, rows[:1]) if closed else rows
    a, b = network.en[ends[:-1]], network.en[ends[1:]]
    way = b - a
    length = np.maximum((way**2).sum(axis=1), 1e-12)
    share = np.clip(((place - a) * way).sum(axis=1) / length, 0.0, 1.0)
    away = np.hypot(*(a + share[:, None] * way - place).T)
    k = int(away.argmin())
    return int(ends[k]), int(ends[k + 1]), float(share[k])
