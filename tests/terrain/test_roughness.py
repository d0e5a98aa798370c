"""How rough the ground is: what marks that are left out tell, and surfaces drawn from it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from geosite.terrain.surface.correlation import rough_correlation, smooth_correlation
from geosite.terrain.surface.cross_validation import (
    border_vertices,
    breakline_vertices,
    marks_to_leave_out,
    triangles_without,
)
from geosite.terrain.surface.realisations import Lattice, draw_rough
from geosite.terrain.surface.roughness import (
    EVEN,
    Contrasts,
    Roughness,
    estimate_roughness,
    local_scales,
    sharp_bends,
)
from geosite.terrain.surface.tin import triangulate

ROUGH = Roughness((4e-4,), (6.0,), (1.0,))


def surface_on(places: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Heights of the rough surface by the square root of its whole covariance."""
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(ROUGH.covariance(apart) + 1e-14 * np.eye(len(places)))
    return root @ rng.standard_normal(len(places))


def left_out(points: np.ndarray, noise: float = 0.0) -> Contrasts:
    tin = triangulate(points)
    which = marks_to_leave_out(tin)
    corners, shares = triangles_without(tin, which)
    departure = points[which, 2] - (shares * points[corners, 2]).sum(axis=1)
    spread = noise * np.sqrt(1 + (shares**2).sum(axis=1))
    every = np.column_stack([which, corners])
    on_line = np.zeros(len(which), bool)
    return Contrasts(departure, spread, points[every, :2], shares, every, on_line)


def yard(rng: np.random.Generator, count: int = 120) -> np.ndarray:
    places = rng.uniform(0, 40, (count, 2))
    # a plane more or less is no roughness
    plane = 3.0 + 0.05 * places[:, 0] - 0.02 * places[:, 1]
    return np.column_stack([places, plane + surface_on(places, rng)])


def test_departures_have_the_variance_of_the_surface() -> None:
    rng = np.random.default_rng(1)
    ratio = []
    for _ in range(60):
        contrasts = left_out(yard(rng, 60))
        ratio.append(contrasts.departure**2 / contrasts.variance(ROUGH))
    # some 2000 departures, half of them news: 4.5 % one sigma
    assert np.concatenate(ratio).mean() == pytest.approx(1.0, abs=0.13)


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.0, 0.005])
def test_what_the_estimate_says_between_marks_is_what_is_there(noise: float) -> None:
    rng = np.random.default_rng(2)
    said = []
    for _ in range(25):
        points = yard(rng)
        points[:, 2] += noise * rng.standard_normal(len(points))
        contrasts = left_out(points, noise)
        found = estimate_roughness(contrasts)
        said.append(contrasts.variance(found).mean() / contrasts.variance(ROUGH).mean())
    assert np.exp(np.log(said).mean()) == pytest.approx(1.0, abs=0.15)


def test_a_plane_with_noise_is_not_rough() -> None:
    rng = np.random.default_rng(3)
    places = rng.uniform(0, 40, (150, 2))
    points = np.column_stack([places, places @ [0.03, 0.01] + rng.normal(0, 0.01, 150)])
    found = estimate_roughness(left_out(points, 0.01))
    whole = sum(w * s for w, s in zip(found.weights, found.sills, strict=True))
    assert math.sqrt(whole) < 0.004
    assert estimate_roughness(left_out(points)).departures > 80


def test_too_few_marks_say_nothing() -> None:
    square = np.array([[0.0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0], [4, 4, 1.0], [5, 3, 0.0]])
    assert estimate_roughness(left_out(square)) == EVEN
    assert EVEN.covariance(np.array([0.0, 1.0])).tolist() == [0.0, 0.0]


def test_one_part_of_a_site_may_be_rougher_than_the_rest() -> None:
    rng = np.random.default_rng(4)
    points = yard(rng, 300)
    plane = points[:, :2] @ [0.05, -0.02] + 3.0
    # four times as rough in the east as in the west
    times = np.where(points[:, 0] < 20, 0.5, 2.0)
    points[:, 2] = plane + times * (points[:, 2] - plane)
    contrasts = left_out(points)
    rough = estimate_roughness(contrasts)
    none = np.zeros(len(points), bool)
    scale = local_scales(contrasts, rough, points[:, :2], none)
    west, east = points[:, 0] < 15, points[:, 0] > 25
    assert np.median(scale[east]) > 2.0 * np.median(scale[west])


def test_a_swale_leaves_the_yard_beside_it_as_calm_as_it_is() -> None:
    rng = np.random.default_rng(9)
    places = np.stack(np.meshgrid(np.arange(0, 61, 4.0), np.arange(0, 41, 4.0)), -1).reshape(-1, 2)
    places += rng.uniform(-0.8, 0.8, places.shape)
    calm = surface_on(places, rng)
    # between the marks of 12 m and of 20 m it is 0.35 m deep
    swale = -0.35 * np.exp(-(((places[:, 0] - 16.0) / 2.5) ** 2))
    points = np.column_stack([places, calm + swale])
    contrasts, none = left_out(points, 0.005), np.zeros(len(points), np.bool_)
    rough = estimate_roughness(contrasts)
    scale = local_scales(contrasts, rough, points[:, :2], none)
    away = np.abs(points[:, 0] - 16.0)
    yard = scale[away > 10.0]
    assert np.median(scale[away < 6.0]) > 4 * np.median(yard)
    # what marks of the swale depart by is not that of marks three spacings away
    assert np.median(scale[(away > 10.0) & (away < 14.0)]) < 1.25 * np.median(yard)


def test_how_marks_beside_a_line_depart_says_nothing_of_the_open_ground() -> None:
    points = yard(np.random.default_rng(4), 120)
    contrasts = left_out(points)
    rough = estimate_roughness(contrasts)
    beside = (points[:, 0] < 20).astype(np.int64)
    mine = beside[contrasts.points[:, 0]] == 1
    bent = replace(contrasts, departure=contrasts.departure * np.where(mine, 6.0, 1.0))
    scale, bent_scale = (
        local_scales(one, rough, points[:, :2], beside) for one in (contrasts, bent)
    )
    assert bent_scale[beside == 0].tolist() == scale[beside == 0].tolist()
    assert np.median(bent_scale[beside == 1]) > 3 * np.median(scale[beside == 1])


def one_departure(size: float, noise: float) -> Contrasts:
    """A mark in the middle of a triangle, which departs from it by a size."""
    angle = 2 * math.pi * np.arange(3) / 3
    corners = 4.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    places = np.concatenate([[[0.0, 0.0]], corners])[None]
    thirds, four = np.full((1, 3), 1 / 3), np.arange(4)[None]
    return Contrasts(
        np.array([size]), np.array([noise]), places, thirds, four, np.zeros(1, np.bool_)
    )


@pytest.mark.parametrize("size", [0.03, 0.05, 0.1])
def test_a_mark_that_stands_out_says_by_how_much_its_ground_bends(size: float) -> None:
    contrasts = one_departure(size, 0.01)
    usual = float(contrasts.variance(ROUGH, np.array([1.5]))[0]) + 0.01**2
    # Bayes by quadrature: Student's t of 4 degrees of freedom is a normal law whose variance is
    # 0.69 times the usual one over a chi square of 4 divided by 4
    q = np.linspace(1e-4, 60, 400_001)
    variance = 0.69 * usual / (q / 4)
    likely = q * np.exp(-q / 2) * np.exp(-(size**2) / (2 * variance)) / np.sqrt(variance)
    told = (likely * variance).sum() / likely.sum()
    bend = sharp_bends(contrasts, ROUGH, np.full(4, 1.5))
    assert bend**2 == pytest.approx([max(told - usual, 0.0)], rel=1e-3)


def test_a_usual_departure_bends_no_more_than_its_roughness() -> None:
    assert sharp_bends(one_departure(0.005, 0.01), ROUGH, np.ones(4)).tolist() == [0.0]


def test_vertices_of_a_breakline_are_predicted_along_it() -> None:
    line = np.array([[0.0, 5, 1.0], [4, 5, 2.0], [10, 5, 3.5], [10, 9, 3.0]])
    marks = np.vstack([line, [[0.0, 0, 0], [12, 0, 0], [12, 12, 0], [0, 12, 0]]])
    which, ends, shares = breakline_vertices(triangulate(marks, [line]))
    # the third turns by 90 degrees, the first and last have an edge on one side only
    assert which.tolist() == [1]
    assert sorted(ends[0].tolist()) == [0, 2]
    assert (shares[0] @ line[ends[0], 2]) == pytest.approx(2.0)
    none = breakline_vertices(triangulate(marks))
    assert [len(part) for part in none] == [0, 0, 0]


def test_marks_of_the_border_are_predicted_along_it() -> None:
    # a yard of 12 by 9 m; of the marks on its south side one stands 2 cm within
    south = [[0.0, 0, 1.0], [4, 0, 2.0], [7, 0.02, 9.0], [9, 0, 3.0], [12, 0, 4.0]]
    marks = np.array([*south, [12, 9, 0], [0, 9, 0], [6, 4, 0]])
    which, ends, shares = border_vertices(triangulate(marks))
    # beside the side that goes past the mark within nothing is told
    assert which.tolist() == []
    marks[2, 1] = 0.0
    which, ends, shares = border_vertices(triangulate(marks))
    assert which.tolist() == [1, 2, 3]
    assert sorted(ends[1].tolist()) == [1, 3]
    assert shares[1] @ marks[ends[1], 2] == pytest.approx(2.6, abs=0.001)
    # marks of a breakline go with it
    kerb = marks[:3]
    assert border_vertices(triangulate(marks, [kerb]))[0].tolist() == [3]


def test_rough_ground_departs_as_a_power_of_the_distance() -> None:
    distance = np.geomspace(0.25, 1.0, 9)
    log_h = np.log(distance)
    rough, smooth = (
        np.polyfit(log_h, np.log(1.0 - known(distance, 1.0)), 1)[0]
        for known in (rough_correlation, smooth_correlation)
    )
    # a road's semivariance (ISO 8608) goes as the distance itself, a smooth surface's as its square
    assert 1.0 < rough < smooth < 2.0
    near = 1.0 - rough_correlation(np.array([0.1]), 1.0)
    assert near > 2.0 * (1.0 - smooth_correlation(np.array([0.1]), 1.0))
    # a covariance: of heights anywhere
    places = np.random.default_rng(3).uniform(0, 4, (80, 2))
    apart = np.hypot(*(places[:, None] - places).transpose(2, 0, 1))
    assert np.linalg.eigvalsh(rough_correlation(apart, 2.0)).min() > 0.0


def test_surfaces_on_the_lattice_have_the_covariance() -> None:
    places = np.array([[0.3, 0.4], [3.1, 0.2], [7.9, 8.7], [20.0, 14.0]])
    lattice = Lattice.over(np.array([[0.0, 0.0, 0.0], [30.0, 20.0, 0.0]]), ROUGH)
    nodes, share = lattice.weights(places)
    drawn = (draw_rough(ROUGH, lattice, 5, range(3000)).surfaces[:, nodes] * share).sum(axis=2)
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    expected = ROUGH.covariance(apart)
    # of 3000 draws a variance is known to 2.6 %, and the cubics take 2 % away
    assert np.cov(drawn.T) == pytest.approx(expected, abs=0.1 * 4e-4)
    assert abs(drawn.mean(axis=0)).max() < 4 * 0.02 / math.sqrt(3000)


def test_a_draw_is_the_same_whatever_is_drawn_with_it() -> None:
    lattice = Lattice.over(np.array([[0.0, 0.0, 0.0], [30.0, 20.0, 0.0]]), ROUGH)
    many = draw_rough(ROUGH, lattice, 5, range(10)).surfaces
    assert np.array_equal(many[3:8], draw_rough(ROUGH, lattice, 5, range(3, 8)).surfaces)
    assert not np.array_equal(many[0], many[1])
    assert not np.array_equal(many, draw_rough(ROUGH, lattice, 6, range(10)).surfaces)


def test_surfaces_drawn_together_know_nothing_of_each_other() -> None:
    lattice = Lattice.over(np.array([[0.0, 0.0, 0.0], [9.0, 6.0, 0.0]]), ROUGH)
    drawn = draw_rough(ROUGH, lattice, 5, range(1000)).nodes
    for node in (0, 1, drawn.shape[1] // 2):
        together = np.corrcoef(drawn[::2, node], drawn[1::2, node])[0, 1]
        assert abs(together) < 4 / math.sqrt(500)


def test_raster_and_places_read_the_same_surface() -> None:
    lattice = Lattice.over(np.array([[0.0, 0.0, 0.0], [30.0, 20.0, 0.0]]), ROUGH)
    (drawn,) = draw_rough(ROUGH, lattice, 5, range(1)).surfaces
    east, north = np.array([0.1, 4.4, 29.9]), np.array([19.0, 7.7])
    raster = lattice.between(north, east).over_cells(drawn)
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    nodes, share = lattice.weights(places)
    assert raster.ravel() == pytest.approx((drawn[nodes] * share).sum(axis=1), rel=1e-12)


@pytest.mark.slow
def test_departures_together_tell_over_what_distances_the_ground_is_rough() -> None:
    rng = np.random.default_rng(6)
    # the marks stand about 2.2 m apart: ranges of 1.1 to 8.8 m are tried
    for reach, lowest, highest in ((0.8, 0.0, 3.0), (9.0, 4.0, 20.0)):
        rough = Roughness((4e-4,), (reach,), (1.0,))
        told = []
        for _ in range(8):
            places = rng.uniform(0, 30, (120, 2))
            apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
            root = np.linalg.cholesky(rough.covariance(apart) + 1e-12 * np.eye(120))
            points = np.column_stack([places, root @ rng.standard_normal(120)])
            found = estimate_roughness(left_out(points)).by_range()
            told.append(np.average(list(found), weights=list(found.values())))
        assert lowest <= np.median(told) <= highest


def test_a_crown_over_rough_ground_is_a_wide_surface_over_a_rough_one() -> None:
    rng = np.random.default_rng(7)
    places = np.stack(np.meshgrid(np.arange(0, 60, 5.0), np.arange(0, 15, 3.0)), -1).reshape(-1, 2)
    places += rng.uniform(-0.6, 0.6, places.shape)
    crown = 0.15 * np.exp(-(((places[:, 1] - 6.0) / 4.0) ** 2))
    points = np.column_stack([places, crown + rng.normal(0, 0.006, len(places))])
    found = estimate_roughness(left_out(points))
    wide = found.by_range()[found.wide_range_m]
    narrow = sum(sill for reach, sill in found.by_range().items() if reach < found.wide_range_m)
    assert wide > 4 * narrow > 0
    alone = [reach for reach, below in zip(found.ranges, found.wide_sills, strict=True) if below]
    assert len(alone) > 3


def test_scale_leaves_a_surface_that_is_lifted_or_tilted_where_it_is() -> None:
    # of very long range a rough surface is a tilted plane, which departs from no triangles
    contrasts = left_out(yard(np.random.default_rng(8), 60))
    far = Roughness((1.0,), (1e5,), (1.0,))
    scale = np.linspace(0.5, 2.0, len(contrasts.departure))
    assert contrasts.variance(far, scale).max() < 1e-6
