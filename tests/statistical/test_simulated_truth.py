"""Does the survey come out as well as it says? 200 simulated walks of the landing, truth known."""

import math

import numpy as np
import pytest
from simulated import MEASURES, WALKS, ferry_landing

from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical, sigmas
from geosite.network.model import LinearForm

pytestmark = pytest.mark.slow

SEEDS = range(200)
STOPS = [stop for walk in WALKS for stop in walk.stops]
ROW = {s.point: i for i, s in reversed(list(enumerate(STOPS))) if s.point}
HOUSE = [ROW[f"H{i}"] for i in (1, 2, 3, 4)]
GRADES = [(ROW[a], ROW[b]) for a, b in (("A1", "A2"), ("A2", "A5"), ("S4", "S8"), ("B1", "A5"))]


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("walks")
    found = []
    for seed in SEEDS:
        survey = ferry_landing(seed, folder)
        network = adjust(survey.notes)
        truth = network.frame.to_local(survey.easting_northing)
        drawing = draw(survey.notes, network)
        found.append((survey, network, truth, drawing))
    return found


def test_adjusted_marks_are_nearer_the_truth_than_raw_ones(outcomes):
    better = 0
    for _, network, truth, _ in outcomes:
        adjusted = np.sqrt(((network.en - truth) ** 2).sum(axis=1).mean())
        raw = np.sqrt(((network.raw_en - truth) ** 2).sum(axis=1).mean())
        better += adjusted <= raw
    assert better >= 0.95 * len(outcomes)


def test_marks_lie_within_their_sigma_as_often_as_they_should(outcomes):
    east, up = [], []
    for survey, network, truth, _ in outcomes:
        east.append(np.abs(network.en[:, 0] - truth[:, 0]) < 1.96 * sigma_horizontal(network))
        up.append(np.abs(network.elevation - survey.elevation) < 1.96 * sigma_vertical(network))
    # rows of one survey err together, so the share swings more than 1/sqrt(n) suggests
    assert 0.92 <= np.mean(east) <= 0.98
    assert 0.92 <= np.mean(up) <= 0.98


@pytest.mark.parametrize("feature", ["apron", "ticket_house", "island", "slipway"])
def test_areas_lie_within_their_sigma_as_often_as_they_should(outcomes, feature):
    held = []
    for _, _, _, drawing in outcomes:
        area = next(f for f in drawing.features if f.name == feature).area
        held.append(abs(area.value - MEASURES[feature, "area_m2"]) < 1.96 * area.sigma)
    # 95 % expected; 200 draws scatter by 1.5 %: three of those either way
    assert 0.905 <= np.mean(held) <= 0.995


def grade(place: np.ndarray, up: np.ndarray, a: int, b: int) -> tuple[float, LinearForm]:
    step = place[b] - place[a]
    rise, length = float(up[b] - up[a]), math.hypot(*step)
    along = -rise / length**3 * step
    sign = np.array([-1.0, 1.0])
    rows = np.array([a, b])
    return rise / length, LinearForm(rows, sign * along[0], sign * along[1], sign / length)


def area(place: np.ndarray) -> tuple[float, LinearForm]:
    east, north = place[HOUSE].T
    d_east = (np.roll(north, -1) - np.roll(north, 1)) / 2
    d_north = (np.roll(east, 1) - np.roll(east, -1)) / 2
    value = float((east * np.roll(north, -1) - north * np.roll(east, -1)).sum() / 2)
    sign = math.copysign(1.0, value)
    form = LinearForm(np.array(HOUSE), sign * d_east, sign * d_north, np.zeros(4))
    return abs(value), form


def test_grades_lie_within_their_interval(outcomes):
    held = []
    for survey, network, truth, _ in outcomes:
        true = [grade(truth, survey.elevation, a, b)[0] for a, b in GRADES]
        made = [grade(network.en, network.elevation, a, b) for a, b in GRADES]
        off = np.abs(np.array([m[0] for m in made]) - true)
        held.append(off < 1.96 * sigmas(network, [m[1] for m in made]))
    assert 0.92 <= np.mean(held) <= 0.98


def test_shared_drift_cancels_in_an_area(outcomes):
    errors, stated, careless = [], [], []
    for _, network, truth, _ in outcomes:
        value, form = area(network.en)
        errors.append(value - area(truth)[0])
        stated.append(float(sigmas(network, [form])[0]))
        # as if the corners erred each on its own
        own = sigma_horizontal(network)[form.rows]
        careless.append(math.sqrt(float((own**2 * (form.east**2 + form.north**2)).sum())))
    # a simulated sigma scatters by 1 / sqrt(2 n), 5 %: three of those
    assert np.std(errors) == pytest.approx(np.mean(stated), rel=0.15)
    assert abs(np.mean(errors)) < 4 * np.mean(stated) / math.sqrt(len(SEEDS))
    assert np.mean(careless) > 1.7 * np.mean(stated)
    held = np.abs(errors) < 1.96 * np.array(stated)
    assert 0.90 <= np.mean(held) <= 0.99
