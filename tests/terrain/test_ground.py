"""The ground between the marks keeps its dependence on the marks."""

import math
from dataclasses import replace

import numpy as np
import pytest
from rough_sites import plane_yard, walk_site
from simulated import ferry_landing
from walk_simulator import Noise

from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.terrain.site import model_terrain
from geosite.terrain.surface.raster_rows import rasterise
from geosite.terrain.surface.roughness import EVEN


@pytest.fixture(scope="module")
def laid(tmp_path_factory):
    survey = ferry_landing(3, tmp_path_factory.mktemp("walk"))
    network = adjust(survey.notes)
    terrain = model_terrain(survey.notes, network, draw(survey.notes, network))
    return network, terrain, terrain.ground


def test_elevations_are_those_of_the_raster(laid):
    network, terrain, ground = laid
    east, north = terrain.grid.centres()
    places = np.stack(np.meshgrid(east, north), axis=-1).reshape(-1, 2)
    here = ground.elevations_at(network.frame.to_local(places)).reshape(terrain.grid.shape)
    raster = rasterise_again(terrain, network)
    both = np.isfinite(here) & np.isfinite(raster)
    assert both.mean() > 0.5
    assert np.abs(here - raster)[both].max() < 1e-6


def rasterise_again(terrain, network):
    points = terrain.ground.tin.points.copy()
    points[:, :2] = network.frame.to_map(points[:, :2])
    return rasterise(replace(terrain.ground.tin, points=points), terrain.grid)


def test_outside_the_marks_there_is_no_ground(laid):
    _, _, ground = laid
    far = ground.tin.points[:, :2].max(axis=0) + 1.0
    assert ground.at([far]) == [None]
    assert np.isnan(ground.elevations_at([far])).all()
    # a caller tells it by this number
    triangle, shares = ground.weights([far, ground.tin.points[0, :2]])
    assert triangle[0] == -1
    assert triangle[1] >= 0
    assert np.isnan(shares).all(axis=1).tolist() == [True, False]


def test_every_triangle_is_known_so_well(laid):
    _, _, ground = laid
    middles = ground.tin.points[ground.tin.triangles, :2].mean(axis=1)
    marks, between = ground.sigmas_at(middles)
    assert np.isfinite(marks).all()
    # the covariance at places, of which this is the diagonal
    expected = np.diagonal(ground.covariance_at(middles[:5]))
    assert (marks**2 + between**2)[:5] == pytest.approx(expected, rel=1e-6)


def test_form_is_the_derivative_with_respect_to_the_marks(laid):
    _, _, ground = laid
    place = ground.tin.points[ground.tin.triangles[17], :2].mean(axis=0) + np.array([0.01, -0.02])
    (spot,) = ground.at([place])
    for row, east, north, up in zip(
        spot.form.rows, spot.form.east, spot.form.north, spot.form.up, strict=True
    ):
        point = ground.tin.origin[np.flatnonzero(ground.rows == row)[0]]
        for axis, expected in enumerate((east, north, up)):
            step = np.zeros_like(ground.tin.points)
            step[point, axis] = 1e-6
            moved = [
                replace(ground, tin=replace(ground.tin, points=ground.tin.points + sign * step))
                for sign in (1, -1)
            ]
            high, low = (g.elevations_at([place])[0] for g in moved)
            assert (high - low) / 2e-6 == pytest.approx(expected, abs=1e-6)


def test_sum_form_adds_up(laid):
    _, _, ground = laid
    corners = ground.tin.points[ground.tin.triangles[[3, 40]], :2]
    places = corners.mean(axis=1)
    one, two = ground.at(places)
    both = ground.sum_form(places, [2.0, -3.0])
    summed = one.form * 2.0 + two.form * -3.0
    for axis in ("east", "north", "up"):
        seen = np.bincount(both.rows, getattr(both, axis), 200)
        expected = np.bincount(summed.rows, getattr(summed, axis), 200)
        assert np.allclose(seen, expected, atol=1e-12)


def test_forms_of_many_places_are_those_of_each(laid):
    _, _, ground = laid
    low, high = ground.tin.points[:, :2].min(axis=0), ground.tin.points[:, :2].max(axis=0)
    places = np.random.default_rng(5).uniform(low - 3.0, high + 3.0, (200, 2))
    places[:20] = ground.tin.points[:20, :2]  # on corners, where triangles meet
    forms = ground.forms_at(places)
    assert 20 < sum(len(form.rows) == 0 for form in forms) < 180
    for place, form in zip(places, forms, strict=True):
        alone = ground.sum_form(place, [1.0])
        for part in ("rows", "east", "north", "up"):
            assert getattr(form, part).tolist() == getattr(alone, part).tolist()


def test_level_covariance_of_pairs_is_that_of_the_forms(laid):
    from geosite.network.covariance import covariance, level_covariance
    from geosite.network.model import LinearForm

    network, terrain, _ = laid
    rows = terrain.rows[::5]
    zero, one = np.zeros(1), np.ones(1)
    whole = covariance(network, [LinearForm(np.array([r]), zero, zero, one) for r in rows])
    a, b = np.meshgrid(rows, rows, indexing="ij")
    pairs = level_covariance(network, a.ravel(), b.ravel()).reshape(whole.shape)
    assert np.allclose(pairs, whole, rtol=1e-9, atol=1e-15)


@pytest.mark.slow
def test_draws_have_the_covariance_of_the_closed_form(laid):
    _, _, ground = laid
    places = ground.tin.points[ground.tin.triangles[[3, 17, 40, 60]], :2].mean(axis=1)
    # without the tails that stand for estimated sills
    known = replace(ground.roughness, degrees_of_freedom=math.inf)
    # and without what the marks tell of each other, which the closed form leaves out
    drawn = replace(ground, draws=4000, roughness=known, compared=None).draws_at(places)
    expected = ground.covariance_at(places)
    sigma = np.sqrt(expected.diagonal())
    assert np.abs(drawn.mean(axis=0) - ground.elevations_at(places)).max() < 5 * sigma.max() / 63
    seen = np.cov(drawn.T)
    assert seen / np.outer(sigma, sigma) == pytest.approx(
        expected / np.outer(sigma, sigma), abs=0.12
    )


def test_possible_grounds_are_the_same_however_they_are_asked_for(laid):
    _, _, ground = laid
    places = ground.tin.points[ground.tin.triangles[[3, 17]], :2].mean(axis=1)
    both = ground.draws_at(places)
    assert np.array_equal(both[:, :1], ground.draws_at(places[:1]))
    assert np.array_equal(both[:21], replace(ground, draws=21).draws_at(places))


def test_ground_departs_from_the_triangles_nowhere_on_a_mark(laid):
    _, _, ground = laid
    marks = ground.tin.points[5:25, :2]
    on_marks, between = ground.sigmas_at(marks)
    assert between.max() < 1e-9
    assert on_marks.min() > 0
    inside = ground.tin.points[ground.tin.triangles, :2].mean(axis=1)
    assert np.median(ground.sigmas_at(inside)[1]) > 0.005


@pytest.mark.slow
def test_without_noise_and_roughness_all_grounds_are_the_ground(tmp_path):
    # legs of a micrometre on a plane: what is left is where the anchor puts the whole of it
    site = replace(plane_yard(0.01), noise=Noise(1e-6, 1e-6))
    walked = walk_site(site, 1, tmp_path, rough=lambda east, north: np.zeros(np.shape(east)))
    ground = replace(walked.terrain.ground, roughness=EVEN)
    places = ground.tin.points[ground.tin.triangles[[3, 17, 40]], :2].mean(axis=1)
    off = ground.draws_at(places) - ground.elevations_at(places)
    assert np.ptp(off, axis=1).max() < 1e-3
    assert off.std() > 0.005
    drop = np.array([1.0, -1.0, 0.0])
    assert np.sqrt(drop @ ground.covariance_at(places) @ drop) < 5e-4


def test_far_from_marks_the_ground_is_not_measured(laid):
    _, _, ground = laid
    marks = ground.tin.points[:10, :2]
    assert ground.measured(marks + (ground.tin.points[:, :2].mean(axis=0) - marks) * 1e-6).all()
    assert not ground.measured(ground.tin.points[:, :2].max(axis=0) + 1.0).any()
    near = replace(ground, roughness=replace(ground.roughness, reach_m=0.001))
    assert not near.measured(ground.tin.points[ground.tin.triangles[[17]], :2].mean(axis=1)).any()
