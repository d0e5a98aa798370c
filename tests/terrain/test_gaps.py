"""Gaps along the border and the ground round buildings: what was not measured is not told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from rough_sites import landing, walk_site

from geosite.terrain.surface.border_gaps import without_gaps
from geosite.terrain.surface.tin import Tin, border_sides, triangulate


def yard(seed: int) -> np.ndarray:
    """Marks on a loose lattice 5 m apart."""
    rng = np.random.default_rng(seed)
    east, north = np.meshgrid(np.arange(0.0, 36.0, 5.0), np.arange(0.0, 31.0, 5.0))
    places = np.column_stack([east.ravel(), north.ravel()]) + rng.uniform(-1, 1, (east.size, 2))
    return np.column_stack([places, np.zeros(east.size)])


def test_every_mark_stays_and_the_border_does_not_touch_itself() -> None:
    for seed in range(20):
        whole = triangulate(yard(seed))
        tin = without_gaps(whole)
        assert set(tin.triangles.ravel().tolist()) == set(range(len(tin.points)))
        _, start, _ = border_sides(tin)
        assert len(np.unique(start)) == len(start)
        outline = shapely.union_all(shapely.polygons(tin.points[tin.triangles][:, :, :2]))
        assert outline.geom_type == "Polygon"
        left_out = shapely.polygons(whole.points[whole.triangles][:, :, :2])
        # a triangle that was left out is thin: little ground goes with it
        assert shapely.area(left_out).sum() - outline.area < 0.06 * outline.area


def test_a_corner_walked_twice_as_far_apart_is_no_gap() -> None:
    corners = np.array([(0, 0, 1), (60, 0, 1), (60, 8, 1), (0, 8, 1), (30, 4, 1)], float)
    tin = triangulate(corners)
    assert len(without_gaps(tin).triangles) == len(tin.triangles)


def border_of(tin: Tin) -> set[tuple[int, ...]]:
    _, start, end = border_sides(tin)
    return {tuple(row) for row in np.sort(np.column_stack([start, end]), axis=1).tolist()}


def test_breaklines_stay_in_the_ground() -> None:
    marks = np.array([(e, n, 0.0) for e in range(0, 50, 5) for n in (0.0, 5.0)])
    marks[1:, 1] += np.where(np.arange(19) % 2 == 0, 0.1, 0.0)[: len(marks) - 1]
    marks[-1, 1] = 5.0
    marks[3:-1:2, 1] = 4.9
    tin = triangulate(marks)
    line = [marks[1], marks[-1]]
    kept = triangulate(marks, [line])
    assert len(without_gaps(tin).triangles) < len(tin.triangles)
    sides = border_of(kept)
    left = border_of(without_gaps(kept))
    walked = {tuple(edge) for edge in kept.edges.tolist()}
    assert walked & sides
    assert walked & sides <= left


@pytest.mark.parametrize(("back", "is_gap"), [(0.7, True), (0.9, False)])
def test_a_gap_is_thinner_than_a_tenth_of_its_side(back: float, is_gap: bool) -> None:
    # marks 2 m apart; those of the last row between its ends stand back from a side of 8 m
    marks = np.array([(e, n, 0.0) for n in (0.0, 2.0, 4.0) for e in (0.0, 2.0, 4.0, 6.0, 8.0)])
    marks[11:14, 1] -= back
    tin = triangulate(marks)
    assert (len(without_gaps(tin).triangles) < len(tin.triangles)) == is_gap


@pytest.mark.slow
def test_no_triangle_runs_through_a_building(tmp_path: Path) -> None:
    def none(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return np.zeros(np.shape(east))

    ground = walk_site(landing(), 3, tmp_path, rough=none).terrain.ground
    (house,) = ground.buildings
    shapes = shapely.polygons(ground.tin.points[ground.tin.triangles][:, :, :2])
    within = shapely.area(shapely.intersection(shapes, house))
    # in or out, but for the last digits of the outline
    assert (np.minimum(within, shapely.area(shapes) - within) < 1e-3).all()
    west, south, east, north = house.bounds
    middle = np.array([[(west + east) / 2, (south + north) / 2]])
    foot = np.array([[(west + east) / 2, south - 0.2]])
    assert not ground.measured(middle)[0]
    assert ground.measured(foot)[0]
    assert ground.measured(shapely.get_coordinates(house)).all()
