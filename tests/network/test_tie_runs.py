"""The free network, and how known marks fit it: against the joint adjustment of all of them."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from network_cases import Row, book, run_rows

from geosite.fieldbook.model import FieldBook
from geosite.network.control.model import Control
from geosite.network.equations.heights import adjust_heights
from geosite.network.equations.normal import Prior
from geosite.network.equations.plan import PlanInput, adjust_plan
from geosite.network.tie_runs import (
    NO_FIT,
    Tied,
    first_visits,
    known_heights,
    known_places,
    misfit,
    plan_steps,
    tie,
)
from geosite.network.walk.device import Device

NOISE = Device.from_leg_noise(0.02, 0.01)
PLACES = {
    "A": (3.0, 1.0, 1.0),
    "B": (3.0, 21.0, 1.2),
    "C": (35.0, 18.0, 0.5),
    "D": (-4.0, 12.0, 0.8),
    "E": (60.0, 29.0, 2.0),
}
WALKS = {"R1": "ABCDAECB", "R2": "BADCEB"}


def walked(seed: int | None = None) -> FieldBook:
    rng = None if seed is None else np.random.default_rng(seed)
    rows: list[Row] = []
    for number, (run, stops) in enumerate(WALKS.items()):
        shift = (7.0, -3.0 * number, 2.0)
        rows += run_rows(run, stops, PLACES, 50 + 100 * number, shift, rng, 0.03)
    return book(rows)


def tied(survey: FieldBook) -> Tied:
    return tie(survey, NOISE, ("A", "B"), frozenset("E"), 1.0)


def test_free_network_starts_at_the_baseline_and_runs_east() -> None:
    survey = walked()
    free = tied(survey)
    # the baseline goes north: east of it lies what is right of it
    for name, (east, north, up) in PLACES.items():
        knot = free.knot[name]
        assert free.plan.position[knot] == pytest.approx([north - 1.0, 3.0 - east], abs=1e-7)
        assert free.heights.elevation[knot] == pytest.approx(up - 1.0, abs=1e-9)
    turns = np.degrees(free.plan.orientation)
    assert turns == pytest.approx([-90.0 - 50, -90.0 - 150 + 360], abs=1e-6)
    assert free.walk.knots == tuple("ABCDE")
    assert free.squares == pytest.approx(0.0, abs=1e-9)
    assert free.plan.converged
    # 12 legs; 4 knots with two and one unknowns, 2 turns, less the azimuth
    assert (free.plan.redundancy, free.heights.redundancy) == (24 - 8 - 2 + 1, 12 - 4)
    assert free.redundancy == 23
    # what another adjustment starts from has a heading at every mark, knot or not
    begin = free.plan.start(0.25).heading
    assert begin == pytest.approx(free.plan.orientation[free.walk.run] + 0.25, abs=1e-9)
    noisy = tied(walked(1))
    assert noisy.squares == noisy.plan.weighted_squares + noisy.heights.weighted_squares
    assert noisy.squares > noisy.plan.weighted_squares > 1.0
    assert noisy.plan.position[noisy.knot["A"]].tolist() == [0.0, 0.0]
    assert noisy.plan.position[noisy.knot["B"], 1] == pytest.approx(0.0, abs=1e-9)
    # the baseline is east by definition: B moves along it only
    east = int(noisy.plan.knot[noisy.knot["B"]])
    own = noisy.plan.posterior.block(np.array([east, east + 1])).diagonal()
    assert own[0] > 1e-5
    assert own[1] == pytest.approx(0.0, abs=1e-12)
    # baseline marks count though they are seen once
    once = tie(book([("R", n, *PLACES[n]) for n in "CABD"]), NOISE, ("A", "B"), frozenset(), 1.0)
    assert once.walk.knots == ("A", "B")


def test_map_lengths_are_ground_lengths_times_the_factor() -> None:
    free = tie(walked(), NOISE, ("A", "B"), frozenset(), 0.5)
    assert free.plan.position[free.knot["C"]] == pytest.approx([17 / 2, -32 / 2], abs=1e-7)
    assert free.heights.elevation[free.knot["C"]] == pytest.approx(-0.5, abs=1e-9)


def test_long_legs_go_from_knot_to_knot() -> None:
    free = tied(walked(1))
    walk = free.walk
    pairs = zip(walk.leg_from, walk.leg_to, strict=True)
    names = [walk.knots[a] + walk.knots[b] for a, b in pairs]
    assert names == ["AB", "BC", "CD", "DA", "AE", "EC", "CB", "BA", "AD", "DC", "CE", "EB"]
    assert walk.leg_run.tolist() == [0] * 7 + [1] * 5
    steps = plan_steps(walk, free.path)
    assert steps[[0, 8]].tolist() == [0.0, 0.0]
    legs = np.diff(free.path[:8, :2], axis=0)
    assert np.column_stack([steps.real, steps.imag])[1:8] == pytest.approx(legs)


def test_first_visits_of_each_run() -> None:
    walk = tied(walked()).walk
    knot = {name: k for k, name in enumerate(walk.knots)}
    assert first_visits(walk, 2, knot["B"]).tolist() == [1, 8]
    assert first_visits(walk, 2, knot["E"]).tolist() == [5, 12]
    # a run that never goes there
    assert first_visits(walk, 3, knot["A"]).tolist() == [0, 9, -1]


def test_known_marks_place_the_survey_unless_they_check_it() -> None:
    controls = (
        Control("D", (4.0, 5.0), 6.0, 0.1, 0.2, False),
        Control("A", None, 7.0, 0.3, 0.4, False),
        Control("B", (8.0, 9.0), None, 0.5, 0.6, False),
        Control("C", (1.0, 1.0), 1.0, 0.7, 0.8, True),
    )
    knot = {"A": 5, "B": 6, "C": 7, "D": 8}
    places, heights = known_places(controls, knot), known_heights(controls, knot)
    assert places.knot.tolist() == [8, 6]
    assert places.value.tolist() == [[4.0, 5.0], [8.0, 9.0]]
    assert places.sigma.tolist() == [0.1, 0.5]
    assert heights.knot.tolist() == [8, 5]
    assert heights.value.tolist() == [6.0, 7.0]
    assert heights.sigma.tolist() == [0.2, 0.4]
    assert known_places(controls[1:2], knot).value.shape == (0, 2)


# ---- known marks against the free network -------------------------------------------------------

KNOWN = "CADE"
OFF = np.array([[0.03, -0.02, 0.08], [-0.01, 0.04, 0.01], [0.02, 0.01, -0.19], [0, -0.03, 0.2]])


def known(
    free: Tied, axes: int, names: str = KNOWN, sigma: Any = (0.02, 0.01, 0.03, 0.05)
) -> Prior:
    places = np.array([PLACES[n] for n in KNOWN]) + OFF
    pick = [KNOWN.index(n) for n in names]
    value = places[pick, :2] + [500.0, 800.0] if axes == 2 else places[pick, 2] + 300.0
    return Prior(np.array([free.knot[n] for n in names]), value, np.array(sigma)[pick])


def joint_squares(free: Tied, prior: Prior, factors: tuple[float, float]) -> float:
    """What the known marks add to the weighted squares when all is adjusted at once."""
    walk, device = free.walk, free.device
    if prior.value.ndim == 1:
        joint = adjust_heights(walk, free.path, device, factors[1], prior, 2)
        return joint.weighted_squares - free.heights.weighted_squares / factors[1]
    turn = free.plan.orientation + math.pi / 2
    steps = plan_steps(walk, free.path)
    there = adjust_plan(PlanInput(walk, steps, device, factors[0], prior, turn))
    assert there.converged
    return there.weighted_squares - free.plan.weighted_squares / factors[0]


@pytest.mark.parametrize("axes", [1, 2])
@pytest.mark.parametrize("factors", [(1.0, 1.0), (3.0, 0.2)])
def test_misfit_is_what_known_marks_add_to_the_joint_adjustment(
    axes: int, factors: tuple[float, float]
) -> None:
    # the map is turned by a quarter against the free network, so north noise there is east noise
    free = tied(walked(3))
    for names, freedom in ((KNOWN, {1: 3, 2: 5}), ("CAE", {1: 2, 2: 3}), ("CA", {1: 1, 2: 1})):
        prior = known(free, axes, names)
        found = misfit(free, prior, factors)
        assert found.freedom == freedom[axes]
        assert found.knot is prior.knot
        expected = joint_squares(free, prior, factors)
        if factors == (1.0, 1.0):
            assert misfit(free, prior).squares == found.squares
        assert expected > 0.02
        assert found.squares == pytest.approx(expected, rel=2e-3)
        assert found.residual.shape == found.error.shape == (len(names), axes)
        # taking out the mistake of a mark is leaving the mark out
        for i in range(len(names)):
            if found.freedom < axes:
                assert not found.error[i].any()
                assert found.test[i] == 0.0
                continue
            others = np.arange(len(names)) != i
            rest = Prior(prior.knot[others], prior.value[others], prior.sigma[others])
            left = misfit(free, rest, factors).squares
            assert found.test[i] == pytest.approx(found.squares - left, rel=2e-3, abs=1e-3)
            value = prior.value.copy()
            value[i] -= found.error[i] if axes == 2 else found.error[i, 0]
            mended = misfit(free, replace(prior, value=value), factors)
            assert mended.squares == pytest.approx(left, rel=2e-3, abs=1e-3)


def test_residuals_of_known_marks_by_hand() -> None:
    # exact walk: only the known marks are off. Where all are known alike it is the plain fit
    free = tied(walked())
    prior = known(free, 1, "CADE", (30.0,) * 4)
    found = misfit(free, prior)
    off = OFF[:, 2] - OFF[:, 2].mean()
    assert found.residual[:, 0] == pytest.approx(off, abs=1e-6)
    assert found.squares == pytest.approx((off**2).sum() / 900.0, rel=1e-3)
    prior = known(free, 2, "CADE", (30.0,) * 4)
    found = misfit(free, prior)
    # normal equations of shift and turn
    around = np.array([PLACES[n][:2] for n in KNOWN])
    around = around - around.mean(axis=0)
    design = np.zeros((8, 3))
    design[0::2, 0] = design[1::2, 1] = 1.0
    design[0::2, 2], design[1::2, 2] = -around[:, 1], around[:, 0]
    errors = OFF[:, :2].ravel()
    off = errors - design @ np.linalg.lstsq(design, errors, rcond=None)[0]
    assert found.residual.ravel() == pytest.approx(off, abs=3e-5)
    assert found.squares == pytest.approx((off**2).sum() / 900.0, rel=1e-2)


def test_too_few_known_marks_fit_always() -> None:
    free = tied(walked(3))
    for axes, names in ((1, "C"), (2, "C"), (1, ""), (2, "")):
        found = misfit(free, known(free, axes, names))
        assert (found.squares, found.freedom) == (0.0, 0)
        assert found.residual.shape == found.error.shape == (len(names), axes)
        assert not found.residual.any()
        assert not found.error.any()
        assert found.test.tolist() == [0.0] * len(names)


def test_known_marks_that_the_notes_lay_on_one_place_do_not_fit() -> None:
    free = tied(walked())
    knots = [free.knot[n] for n in "CAD"]
    for apart, fits in ((0.9e-3, False), (1.1e-3, True)):
        position = free.plan.position.copy()
        position[knots] = [[5.0, 5.0], [5.0, 5.0 + apart], [5.0, 5.0]]
        there = replace(free, plan=replace(free.plan, position=position))
        prior = known(free, 2, "CAD")
        found = misfit(there, prior)
        assert (found.squares == NO_FIT) != fits
        assert found.freedom == 3
        if not fits:
            assert found.residual == pytest.approx(prior.value - prior.value.mean(axis=0))
            assert found.error.tolist() == [[0.0, 0.0]] * 3
            assert found.test.tolist() == [0.0] * 3
