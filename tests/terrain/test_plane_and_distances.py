"""One plane through all marks, and averages by distance, against the textbook's formulas."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.base.grid import Grid
from geosite.terrain.surface import idw
from geosite.terrain.surface.idw import interpolate_inverse_distance, inverse_distance
from geosite.terrain.surface.plane import fit_plane


def marks(n: int) -> np.ndarray:
    return np.random.default_rng(n).random((n, 3)) * [40.0, 30.0, 2.0] + [500.0, 800.0, 5.0]


@pytest.mark.parametrize("kind", ["none", "all exact", "some"])
def test_a_plane_by_the_normal_equations(kind: str) -> None:
    points = marks(9)
    sigma = {"none": None, "all exact": np.zeros(9), "some": np.linspace(0.0, 0.08, 9)}[kind]
    weight = np.ones(9)
    if kind == "some":
        # none counts as known more than a thousand times better than the poorest, and what the
        # ground does beside the plane counts for all
        known = np.maximum(np.linspace(0.0, 0.08, 9), 0.08e-3) ** 2
        plane = fit_plane(points, sigma)
        weight = 1.0 / (known + plane.lack_of_fit**2)
        assert (weight * plane.residuals**2).sum() == pytest.approx(9 - 3, rel=1e-6)
    middle = points[:, :2].mean(axis=0)
    design = np.column_stack([np.ones(9), points[:, :2] - middle])
    normal = design.T @ (weight[:, None] * design)
    level, east, north = np.linalg.solve(normal, design.T @ (weight * points[:, 2]))
    plane = fit_plane(points, sigma)
    assert plane.middle == pytest.approx(middle)
    assert (plane.level, plane.east, plane.north) == pytest.approx((level, east, north), rel=1e-6)
    fitted = design @ [level, east, north]
    np.testing.assert_allclose(plane.residuals, points[:, 2] - fitted, atol=1e-7)
    hat = weight * np.einsum("ij,jk,ik->i", design, np.linalg.inv(normal), design)
    np.testing.assert_allclose(plane.leverage, hat, rtol=1e-6, atol=1e-9)
    assert plane.leverage.sum() == pytest.approx(3.0)
    grid = Grid(500.0, 830.0, 10.0, 3, 4)
    for (r, c), z in np.ndenumerate(plane.over(grid)):
        at = np.array([505.0 + 10.0 * c, 825.0 - 10.0 * r]) - middle
        assert z == pytest.approx(level + east * at[0] + north * at[1], rel=1e-9)


@pytest.mark.parametrize("n", [30, 1002])
def test_few_places_at_a_time_say_the_same(n: int, monkeypatch: pytest.MonkeyPatch) -> None:
    points = marks(n)
    places = np.vstack([points[:3, :2], marks(40)[:, :2]])
    whole = inverse_distance(points, places)
    assert whole[:3].tolist() == points[:3, 2].tolist()
    monkeypatch.setattr(idw, "_PAIRS_AT_ONCE", 7 * [24, n][n <= 1000])
    np.testing.assert_array_equal(inverse_distance(points, places), whole)
    left_out = np.arange(43) % n
    parts = inverse_distance(points, places, leave_out=left_out)
    monkeypatch.undo()
    np.testing.assert_array_equal(inverse_distance(points, places, leave_out=left_out), parts)
    for place, out, value in list(zip(places, left_out, parts, strict=True))[:9]:
        rest = np.delete(points, out, axis=0)
        assert value == pytest.approx(inverse_distance(rest, place[None])[0], rel=1e-9)


def test_only_the_cells_asked_for_are_averaged() -> None:
    points = marks(20)
    grid = Grid(500.0, 830.0, 10.0, 3, 4)
    inside = np.zeros(grid.shape, bool)
    inside[0, 1] = inside[2, 3] = True
    z = interpolate_inverse_distance(points, grid, inside)
    assert np.isnan(z[~inside]).all()
    for (r, c), place in {(0, 1): (515.0, 825.0), (2, 3): (535.0, 805.0)}.items():
        weight = 1.0 / ((points[:, :2] - place) ** 2).sum(axis=1)
        assert z[r, c] == pytest.approx(np.average(points[:, 2], weights=weight), rel=1e-12)


def test_tiles_find_the_nearest_of_streamed_marks_too() -> None:
    """Dense along two edges, empty between: a tile's marks lie far from it."""
    rng = np.random.default_rng(5)
    along = np.sort(rng.uniform(0.0, 60.0, 700))
    edges = [np.column_stack([512_000 + along, 5_276_000 + y + 0 * along]) for y in (3.0, 41.0)]
    place = np.vstack(edges)
    points = np.column_stack([place, 400 + 0.1 * place[:, 0] % 3])
    assert len(points) > idw.ALL_MARKS
    grid = Grid(512_000.0, 5_276_050.0, 0.5, 100, 120)
    found = interpolate_inverse_distance(points, grid, np.ones(grid.shape, dtype=bool))
    east, north = grid.centres()
    places = np.column_stack([a.ravel() for a in np.meshgrid(east, north)])
    expected = inverse_distance(points, places).reshape(grid.shape)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-7)
