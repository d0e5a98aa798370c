"""The nearest place of an edge, beside a comparison of every pair."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geosite.analysis.design_ground.shaping import Footing, footing
from geosite.analysis.design_ground.zones import Edge, Zone


@pytest.mark.parametrize("seed", range(6))
def test_a_bank_starts_at_the_first_of_the_nearest_places(seed: int) -> None:
    """On the middles between two sides of a rectangle several places are equally near."""
    wide, high = np.random.default_rng(seed).integers(1, 9, 2).tolist()
    shape = shapely.box(0, 0, wide, high)
    corners = shapely.get_coordinates(shape)
    edge = Edge("pad", np.column_stack([corners, np.full(len(corners), 5.0)]))
    pad = Zone("pad", shape, lambda at: 5.0 + 0.1 * at[:, 0] + 0.01 * at[:, 1], (edge,))
    places = np.stack(np.meshgrid(np.arange(-3, 10, 0.25), np.arange(-3, 10, 0.25)), axis=-1)
    places = places.reshape(-1, 2)
    found = footing([pad], places, 2.0, 1.0, 0.25)
    on = shapely.get_coordinates(shapely.segmentize(shape.boundary, 0.25))
    squares = ((places[:, None] - on) ** 2).sum(axis=2)
    outside = found.zone < 0
    assert outside.any()
    nearest = squares.argmin(axis=1)[outside]
    assert np.array_equal(found.away[outside], np.sqrt(squares.min(axis=1))[outside])
    assert np.array_equal(found.level[outside], pad.heights(on[nearest]))


@pytest.mark.parametrize("side_slope", [0.0, 0.7, 3.0])
def test_what_is_not_reached_stays_on_every_ground(side_slope: float) -> None:
    draw = np.random.default_rng(5)
    zone = np.where(draw.random(500) < 0.2, 0, -1)
    away = np.where(zone < 0, draw.random(500) * 6, 0.0)
    footprint = Footing(zone, draw.normal(10, 0.5, 500), away, side_slope)
    grounds = draw.normal(10, 0.5, (7, 500))
    grounds[:, :20] = np.nan
    reached = footprint.reached(grounds)
    built = footprint.built(grounds)
    changed = np.flatnonzero((np.nan_to_num(built - grounds) != 0).any(axis=0))
    assert set(changed) <= set(reached)
    assert 0 < len(reached) < 500
    part = footprint.at(reached).built(grounds[:, reached])
    assert np.array_equal(part, built[:, reached], equal_nan=True)
