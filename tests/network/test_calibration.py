"""What a calibration is made of: likelihoods against dense ones, fits whose answer is known."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from dense_walks import EVERYTHING, Dense, DenseHeights, start_of, survey
from network_cases import SMALL_ANCHORS, SMALL_CRS, SMALL_PLACES, notes, turned
from scipy.stats import chi2

from geosite.fieldbook.model import Notes
from geosite.network.adjust import adjust
from geosite.network.calibration.components import Component, curvature, fit_components
from geosite.network.calibration.fit import loops_held
from geosite.network.calibration.likelihood import misfit_of, read_case
from geosite.network.walk.device import CLASSES, Device

Misfit = Callable[[Device], float]
START = CLASSES["unknown"]
OTHERS = {
    "walk": replace(START, walk=0.03, walk_up=0.03),
    "pointing": replace(START, pointing=0.02, pointing_up=0.03),
    "of a run": replace(START, scale=0.03, climb=0.02, tilt=0.02),
    "heading": replace(START, heading=math.radians(0.8)),
}


# --- how badly a device explains a survey ----------------------------------------------------


@pytest.mark.parametrize("other", OTHERS)
def test_heights_are_as_likely_as_the_dense_solution_says(other: str) -> None:
    case = survey(EVERYTHING, "two marks with sigma")
    device = OTHERS[other]
    found = misfit_of([read_case(case)], True)
    expected = [DenseHeights(case, one, 1.0, 1.0).likelihood() for one in (device, START)]
    assert found(device) - found(START) == pytest.approx(expected[0] - expected[1], abs=1e-6)


def small(walks: Sequence[str], seed: int = 3) -> Notes:
    """Walk some marks of the small site, each walk in a frame of its own, with noise of 5 cm."""
    rng = np.random.default_rng(seed)
    rows = []
    for number, walk in enumerate(walks):
        stops = walk.split()
        local = np.array([SMALL_PLACES[stop] for stop in stops]) + rng.normal(
            0, 0.05, (len(stops), 3)
        )
        local = turned(local, 100.0 * number + 17, (3.0, -8.0, 2.0))
        rows += [(f"R{number}", stop, *xyz) for stop, xyz in zip(stops, local, strict=True)]
    known, _ = SMALL_ANCHORS["two marks with sigma"]
    return notes(rows, known, device={"class": "unknown"}, limit=None, crs=SMALL_CRS)


@pytest.mark.parametrize("other", OTHERS)
def test_a_plan_is_as_likely_as_the_dense_solution_says(other: str) -> None:
    case = small(["A B T1 A", "B T1 C A B"])
    device, begin = OTHERS[other], start_of(case, adjust(case))
    found = misfit_of([read_case(case)], False)
    expected = [Dense(case, one, 1.0, 1.0, begin).likelihood() for one in (device, START)]
    assert found(device) - found(START) == pytest.approx(expected[0] - expected[1], abs=3e-4)


def test_surveys_add_up_however_their_runs_and_maps_are_turned() -> None:
    cases = [small(["A B T1 A", "B T1 C A B"]), small(["A T2 B A", "B A T2 T1 B"], 4)]
    for in_height in (False, True):
        each = [misfit_of([read_case(case)], in_height)(START) for case in cases]
        both = misfit_of([read_case(case) for case in cases], in_height)
        assert both(START) == pytest.approx(sum(each), abs=1e-6)
        assert both(START) == pytest.approx(sum(each), abs=1e-6)  # from where it ended before


# --- fits whose answer is known --------------------------------------------------------------


def squares(middle: Sequence[float], matrix: Sequence[Sequence[float]]) -> Misfit:
    """Return ``7 + (x - m)' A (x - m)``, x the logarithms of pointing and walk over the start."""

    def misfit(device: Device) -> float:
        logs = np.log([device.pointing / START.pointing, device.walk / START.walk])
        return float(7.0 + (logs - middle) @ matrix @ (logs - middle))

    return misfit


def test_components_are_where_squares_and_the_prior_are_least() -> None:
    # half of the squares and half of the prior's: (A + 1) x = A m, with the inverse of A + 1
    middle, matrix = np.array([0.9, -0.6]), np.array([[60.0, 20.0], [20.0, 30.0]])
    found, misfit = fit_components(squares(middle, matrix), ("pointing", "walk"), START)
    inverse = np.linalg.inv(matrix + np.eye(2))
    logs, sigmas = inverse @ matrix @ middle, np.sqrt(np.diag(inverse))
    for part, name, log, sigma in zip(found, ("pointing", "walk"), logs, sigmas, strict=True):
        value = getattr(START, name) * math.exp(log)
        assert (part.name, part.identified) == (name, True)
        assert part.value == pytest.approx(value, rel=0.02)
        # as of a variance that is known as by so many squares: Satterthwaite 1946
        known_by = (sigma**-2 - 1) / 2
        low, high = np.sqrt(known_by / chi2.ppf([0.975, 0.025], known_by))
        # the prior moves the ends a little
        assert part.low / part.value == pytest.approx(low, rel=0.02)
        assert part.high / part.value == pytest.approx(high, rel=0.03)
    assert misfit == pytest.approx(7.0 + (logs - middle) @ matrix @ (logs - middle), abs=0.05)


def one(misfit: Callable[[float], float], name: str = "walk") -> Component:
    """Fit one component, given the misfit by the logarithm of its size over its start."""
    start = getattr(START, name)
    ((part,), _) = fit_components(
        lambda d: misfit(math.log(getattr(d, name) / start)), [name], START
    )
    return part


@pytest.mark.parametrize("bend", [-0.5, 0.0, 0.1])
def test_what_surveys_do_not_tell_stays_with_the_prior(bend: float) -> None:
    # known to a factor of e, and no better where the surveys would rather have it elsewhere
    part = one(lambda log: bend * log**2)
    assert part.value == pytest.approx(START.walk, rel=0.02)
    assert part.high == pytest.approx(part.value * math.exp(1.96), rel=0.01)
    assert (part.low, part.identified) == (0.0, False)


@pytest.mark.parametrize(("bend", "told"), [(0.54, False), (0.58, True)])
def test_a_component_is_told_from_four_fifths_of_the_prior_on(bend: float, told: bool) -> None:
    # 1 / sqrt(1 + 0.5625) = 0.8
    part = one(lambda log: bend * log**2)
    assert (part.low > 0.0, part.identified) == (True, told)


@pytest.mark.parametrize(("middle", "told"), [(-2.0, True), (0.5, False)])
def test_a_component_that_may_be_none_is_news_where_an_unknown_device_has_more(
    middle: float, told: bool
) -> None:
    # too much of it is punished, none of it is not
    part = one(lambda log: 40.0 * max(log - middle, 0.0) ** 2)
    assert (part.low, part.identified) == (0.0, told)


@pytest.mark.parametrize(("without", "none"), [(3.7, True), (4.0, False)])
def test_none_is_ruled_out_by_a_likelihood_95_percent_away(without: float, none: bool) -> None:
    # chi-square of one degree of freedom: 3.84
    part = one(lambda log: without if log < -5.0 else 0.5 * log**2)
    assert (part.low == 0.0) == none


def test_what_another_component_may_stand_in_for_is_not_ruled_out() -> None:
    """Alone either could not be missing; more of the other makes up for it."""

    def misfit(device: Device) -> float:
        squares = (device.pointing / START.pointing) ** 2, (device.walk / START.walk) ** 2
        # what is told is their sum, and hardly which of them it is
        return 200.0 * (sum(squares) / 2 - 1) ** 2 + 0.5 * (squares[0] - squares[1]) ** 2

    for part in fit_components(misfit, ("pointing", "walk"), START)[0]:
        assert part.low == 0.0
        assert part.value == pytest.approx(getattr(START, part.name), rel=0.03)


@pytest.mark.parametrize(("name", "log"), [("heading", -2.5), ("walk", 0.0)])
def test_a_heading_is_also_searched_where_it_hardly_strays(name: str, log: float) -> None:
    # a hollow at -2.5, deeper than that at the start, and a ridge between
    part = one(lambda x: min(60.0 * x**2 + 20.0, 60.0 * (x + 2.5) ** 2), name)
    assert math.log(part.value / getattr(START, name)) == pytest.approx(log, abs=0.05)


@pytest.mark.parametrize("towards", [-1.0, 1.0])
def test_no_component_runs_away(towards: float) -> None:
    part = one(lambda log: -100.0 * towards * log)
    assert math.log(part.value / START.walk) == pytest.approx(6.0 * towards, abs=0.05)


def test_the_rest_of_the_device_stays() -> None:
    asked = []

    def misfit(device: Device) -> float:
        asked.append(replace(device, climb=START.climb))
        return 5.0 * math.log(device.climb / START.climb) ** 2

    fit_components(misfit, ["climb"], START)
    assert set(asked) == {START}


def test_second_derivatives_of_squares_are_exact() -> None:
    matrix = np.array([[3.0, 1.0, -0.5], [1.0, 2.0, 0.25], [-0.5, 0.25, 5.0]])
    found = curvature(lambda x: float(x @ matrix @ x) / 2 + x[0] - 4.0, np.array([0.3, -1.0, 2.0]))
    assert found == pytest.approx(matrix, abs=1e-9)


# --- loops of a survey that was left out -----------------------------------------------------


def test_loops_are_held_within_the_95_percent_of_four_misclosures() -> None:
    # 100 m with 1 cm per root metre: 10 cm per axis; the ellipse's factor is the root of twice
    # 6.944, the 95 % of F with 2 and 4 degrees of freedom: 37.27 cm
    rows = [
        (run, mark, x, 0.0, 0.0)
        for run, gap in (("R1", 0.370), ("R2", 0.375), ("R3", 0.1))
        for mark, x in (("A", 0.0), ("B", 50.0 + gap / 2), ("A", gap))
    ]
    case = notes(rows, {"A": {"easting": 0.0, "northing": 0.0}})
    assert loops_held(case, Device.from_leg_noise(0.0, 0.01)) == (3, 2)
