"""How near the device comes: against sigmas that are known, in the frame of another walk."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from geosite.analysis.setting_out.joint_network import Joint, Place
from geosite.analysis.setting_out.spread import PlaceErrors, place_errors
from geosite.base.map_frame import Frame
from geosite.base.statistics import radius_factor
from geosite.network.equations.normal import Equations, Posterior
from geosite.network.independent_marks import independent_marks
from geosite.network.model import Network

SIGMA, SIGMA_UP = 0.02, 0.03
CIRCLE_95 = math.sqrt(stats.chi2.isf(0.05, 2))


def marks(factor: float = 1.0, **known: float) -> Network:
    places = [(0, 0, 1), (10, 0, 1), (4, 3, 1)]
    frame = Frame(combined_factor=factor)
    network = independent_marks(places, sigma_m=SIGMA, sigma_up_m=SIGMA_UP, frame=frame)
    return replace(network, **known)  # type: ignore[arg-type]


def errors(
    network: Network, survey: Network | None = None, planned: bool = False, device: int = 2
) -> PlaceErrors:
    """The device at a mark, against a place two fifths of the way between the first two."""
    place = Place(np.array([4.0, 0.0]), 1.0, np.array([0, 1]), np.array([0.6, 0.4]))
    joint = Joint(network, np.array([device]), np.zeros((1, 3)))
    return place_errors(joint, [place], survey or network, planned)


APART = math.sqrt(1 + 0.6**2 + 0.4**2)


def test_errors_are_those_of_the_device_less_those_of_the_marks_on_the_ground() -> None:
    found = errors(marks(0.5))
    assert found.plan[0] == pytest.approx(APART * SIGMA / 0.5)
    assert found.radius[0] == pytest.approx(APART * SIGMA / 0.5 * CIRCLE_95, rel=1e-4)
    assert found.level[0] == pytest.approx(APART * SIGMA_UP)
    assert found.level_95[0] == pytest.approx(APART * SIGMA_UP * stats.norm.isf(0.025))
    # on the map the device's own error alone
    assert found.on_map[0] == pytest.approx(SIGMA)


def test_what_the_device_shares_with_the_marks_is_no_error() -> None:
    # e0 - (0.6 e0 + 0.4 e1)
    found = errors(marks(), device=0)
    assert found.plan[0] == pytest.approx(math.sqrt(2 * 0.4**2) * SIGMA)
    assert found.level[0] == pytest.approx(math.sqrt(2 * 0.4**2) * SIGMA_UP)


@pytest.mark.parametrize("turn", [0.0, 0.4, math.pi / 2])
def test_long_ellipses_have_the_radius_of_their_axes_whichever_way_they_lie(turn: float) -> None:
    major, minor = 0.05, 0.01
    way = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    one = way @ np.diag([1 / major**2, 1 / minor**2]) @ way.T
    normal = np.eye(8)  # three marks; heading and scale of a walk that nobody walked are exact
    normal[:6, :6] = np.kron(np.eye(3), one)
    network = marks()
    posterior = Posterior(Equations(normal, np.arange(6)))
    found = errors(replace(network, plan=replace(network.plan, posterior=posterior)))
    expected = APART * major * float(radius_factor(minor / major, math.inf))
    assert found.radius[0] == pytest.approx(expected, rel=1e-6)
    assert found.plan[0] == pytest.approx(APART * math.sqrt((major**2 + minor**2) / 2))


def test_the_least_radius_is_what_the_noise_may_be_at_least() -> None:
    found = errors(marks(degrees_of_freedom=8.0))
    least = APART * SIGMA * CIRCLE_95 * math.sqrt(8 / stats.chi2.isf(0.025, 8))
    assert found.least[0] == pytest.approx(least, rel=1e-4)
    # |t| of two axes: r^2 / 2 follows F(2, n)
    assert found.radius[0] == pytest.approx(
        APART * SIGMA * math.sqrt(2 * stats.f.isf(0.05, 2, 8)), rel=1e-3
    )
    sure = errors(marks(degrees_of_freedom=math.inf))
    assert sure.least[0] == pytest.approx(sure.radius[0])


def test_a_planned_walk_says_nothing_of_the_noise_and_the_surveys_stays() -> None:
    joint = marks(variance_factor=4.0, vertical_variance_factor=9.0, degrees_of_freedom=3.0)
    survey = marks(variance_factor=1.0, vertical_variance_factor=1.0)
    walked, planned = errors(joint, survey), errors(joint, survey, planned=True)
    assert planned.plan[0] == pytest.approx(walked.plan[0] / 2)
    assert planned.level[0] == pytest.approx(walked.level[0] / 3)
    assert planned.radius[0] == pytest.approx(planned.plan[0] * CIRCLE_95, rel=1e-4)


@pytest.mark.parametrize(
    ("tolerance", "verdict"),
    [(0.05, "can"), (0.0499, "undecided"), (0.03, "undecided"), (0.0299, "cannot"), (None, None)],
)
def test_the_verdict_at_its_limits(tolerance: float | None, verdict: str | None) -> None:
    one = np.array([0.05])
    assert PlaceErrors(one, one, one, np.array([0.03]), one, one).verdict(0, tolerance) == verdict


def test_where_nothing_is_known_nothing_is_judged() -> None:
    unknown = np.array([math.nan])
    found = PlaceErrors(unknown, unknown, unknown, unknown, unknown, unknown)
    assert found.verdict(0, 1.0) == "undecided"
    assert found.known("plan", 0) is None
