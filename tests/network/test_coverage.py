"""Stated accuracy against the truth of simulated surveys: marks, grades, areas.

Five hundred surveys, with the drawn areas, are in tests/benchmark/network_coverage.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from ferry_landing import make_site
from network_spoilt import FACTOR, WALKS, clean

from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical, sigmas
from geosite.network.model import LinearForm, Network

pytestmark = pytest.mark.slow

SURVEYS = 150
STOPS = [stop for walk in WALKS for stop in walk.stops]
TRUTH = np.array([[*make_site.to_map(s.east, s.north, FACTOR), s.up] for s in STOPS])
ROW = {s.point: i for i, s in reversed(list(enumerate(STOPS))) if s.point}
HOUSE = [ROW[f"H{i}"] for i in (1, 2, 3, 4)]
GRADES = [(ROW[a], ROW[b]) for a, b in (("A1", "A2"), ("A2", "A5"), ("S4", "S8"), ("B1", "A5"))]


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


@pytest.fixture(scope="module")
def outcomes() -> list[Network]:
    return [adjust(clean(seed)) for seed in range(3000, 3000 + SURVEYS)]


def test_marks_lie_within_their_interval(outcomes: list[Network]) -> None:
    held: list[np.ndarray] = []
    for network in outcomes:
        plan, up = 1.96 * sigma_horizontal(network), 1.96 * sigma_vertical(network)
        off = np.abs(network.frame.to_map(network.en) - TRUTH[:, :2])
        held += [off[:, 0] < plan, off[:, 1] < plan, np.abs(network.elevation - TRUTH[:, 2]) < up]
    assert 0.92 <= np.mean(held) <= 0.98


def test_grades_lie_within_their_interval(outcomes: list[Network]) -> None:
    held: list[np.ndarray] = []
    for network in outcomes:
        true = [grade(TRUTH[:, :2] - TRUTH[0, :2], TRUTH[:, 2], a, b)[0] for a, b in GRADES]
        made = [grade(network.en, network.elevation, a, b) for a, b in GRADES]
        off = np.abs(np.array([m[0] for m in made]) - true)
        held.append(off < 1.96 * sigmas(network, [m[1] for m in made]))
    assert 0.92 <= np.mean(held) <= 0.98


def test_shared_drift_cancels_in_an_area(outcomes: list[Network]) -> None:
    true, _ = area(TRUTH[:, :2] - TRUTH[0, :2])
    errors, stated, careless = [], [], []
    for network in outcomes:
        value, form = area(network.en)
        errors.append(value - true)
        stated.append(float(sigmas(network, [form])[0]))
        # as if the corners erred each on its own
        own = sigma_horizontal(network)[form.rows]
        careless.append(math.sqrt(float((own**2 * (form.east**2 + form.north**2)).sum())))
    # a simulated sigma scatters by 1 / sqrt(2 n), 6 %: three of those
    assert np.std(errors) == pytest.approx(np.mean(stated), rel=0.18)
    assert abs(np.mean(errors)) < 4 * np.mean(stated) / math.sqrt(SURVEYS)
    assert np.mean(careless) > 1.7 * np.mean(stated)
    held = np.abs(errors) < 1.96 * np.array(stated)
    assert 0.90 <= np.mean(held) <= 0.99
