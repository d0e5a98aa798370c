"""Error rates of the congruency test on simulated surveys of the same marks."""

from __future__ import annotations

import network_cases
import numpy as np
import pytest
from walk_simulator import Noise, Stop, Walk, recorded

from geosite.analysis.change.congruency import congruency, find_stable, frame_of_plan
from geosite.network.adjust import adjust
from geosite.network.covariance import covariance
from geosite.network.model import LinearForm

pytestmark = pytest.mark.slow

NOISE = Noise(0.006, 0.004)
MARKS = {"A": (0, 0), "B": (20, 0), "C": (24, 15), "D": (10, 20), "E": (-3, 14), "F": (9, 9)}


def survey(rng: np.random.Generator, moved: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    rows = []
    for run, way in (("R1", "ABCDEFABC"), ("R2", "BAFEDCBA")):
        stops = []
        for name in way:
            east, north = MARKS[name]
            off = moved if name == "D" else (0.0, 0.0)
            stops.append(Stop(east + off[0], north + off[1], 0.0, name))
        seen = recorded(Walk(run, tuple(stops)), NOISE, rng)
        rows += [(run, s.point, *xyz) for s, xyz in zip(stops, seen, strict=True)]
    anchor = {
        "A": {"easting": 1000 + rng.normal(0, 0.02), "northing": 1000.0, "sigma": 0.02},
        "B": {"easting": 1020.0, "northing": 1000 + rng.normal(0, 0.02), "sigma": 0.02},
    }
    notes = network_cases.notes(rows, anchor, noise=(0.006, 0.004), limit=10)
    network = adjust(notes)
    at = [int(np.flatnonzero(notes.book.mark == notes.book.marks.index(m))[0]) for m in MARKS]
    one, none = np.ones(1), np.zeros(1)
    forms = [
        LinearForm(np.array([row]), *axis, none)
        for row in at
        for axis in ((one, none), (none, one))
    ]
    return network.en[at].ravel(), covariance(network, forms)


Survey = tuple[np.ndarray, np.ndarray]


@pytest.fixture(scope="module")
def quiet() -> list[tuple[Survey, Survey]]:
    """Two surveys of the site each, between which nothing moved."""
    draws = [np.random.default_rng(seed) for seed in range(300)]
    return [(survey(rng, (0.0, 0.0)), survey(rng, (0.0, 0.0))) for rng in draws]


def between(first: Survey, second: Survey) -> tuple[np.ndarray, np.ndarray]:
    return second[0] - first[0], first[1] + second[1]


FRAME = frame_of_plan(np.array(list(MARKS.values()), float))


def test_five_in_a_hundred_quiet_sites_are_said_to_move(
    quiet: list[tuple[Survey, Survey]],
) -> None:
    wrong = sum(not congruency(*between(*pair), FRAME).passed for pair in quiet)
    assert 6 <= wrong <= 25  # 95 % of binomial(300, 0.05) and a little more


def test_a_detectable_movement_is_found_in_eighty_of_a_hundred(
    quiet: list[tuple[Survey, Survey]],
) -> None:
    shift, q = between(*quiet[0])
    mark = find_stable(shift * 0, q, FRAME, size=2).marks[list(MARKS).index("D")]
    size, direction = np.linalg.eigh(mark.covariance)
    far = mark.detectable * direction[:, -1] * np.sign(size[-1])
    found = 0
    for seed in range(200):
        moved = survey(np.random.default_rng(5000 + seed), (float(far[0]), float(far[1])))
        change = between(quiet[seed][0], moved)
        found += not find_stable(*change, FRAME, size=2).marks[3].test.passed
    assert 0.70 <= found / 200 <= 0.90
