"""What is said about the accuracy: noise, control, check points, lever arm, advice."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, replace
from typing import Any

import numpy as np
import pytest
from network_cases import Row, notes, turned
from network_spoilt import clean
from walk_simulator import Noise

from geosite.base.errors import SurveyRefused
from geosite.base.statistics import chi2_isf, chi2_sf
from geosite.handover.report_model.serialise import plain
from geosite.network.accuracy.check_points import ELLIPSE_95
from geosite.network.accuracy.ellipses import error_ellipses
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical
from geosite.network.mistakes.suspects import leg_tests
from geosite.network.noise import judge_noise
from geosite.network.report_model import Unchecked
from geosite.network.tie_runs import tie
from geosite.network.walk.device import device_of


def codes(network: Any) -> list[str]:
    return [f.code for f in network.findings]


def test_chi_square_tail_against_scipy() -> None:
    from scipy.stats import chi2

    for freedom in (1, 2, 3, 6, 21, 400, 30_000):
        for probability in (1e-12, 1e-3, 0.025, 0.5, 0.975):
            value = chi2.isf(probability, freedom)
            assert chi2_sf(value, freedom) == pytest.approx(probability, rel=1e-8)
            assert chi2_isf(probability, freedom) == pytest.approx(value, rel=1e-9)
    assert chi2_sf(0.0, 3) == 1.0
    assert chi2_sf(math.inf, 3) == 0.0
    assert chi2_sf(1e6, 3) == 0.0


@pytest.mark.parametrize(
    ("squares", "freedom", "verdict", "factor"),
    [
        (20.0, 20, "as expected", 1.0),
        (80.0, 20, "worse than assumed", 4.0),
        (2.0, 20, "better than assumed", 0.1),
        (0.1, 6, "better than assumed", 1.0),  # too few to promise more
        (50.0, 3, "too little to tell", 1.0),
        (0.0, 0, "too little to tell", 1.0),
        (0.0, 30, "better than assumed", 0.01),
    ],
)
def test_noise_is_judged_by_the_misclosures(
    squares: float, freedom: int, verdict: str, factor: float
) -> None:
    noise = judge_noise(squares, freedom)
    assert (noise.verdict, noise.factor) == (verdict, pytest.approx(factor))
    # Ghilani & Wolf, Adjustment Computations, chapter 21: an estimated factor brings Student's t
    assert noise.degrees_of_freedom == (math.inf if factor == 1.0 else freedom)


@pytest.mark.slow
def test_variance_factor_follows_the_real_noise() -> None:
    # the device is twice as noisy as the site file says, then a third
    estimates = {}
    for share in (2.0, 1.0, 1 / 3):
        found = []
        for seed in range(12):
            survey = clean(seed, Noise(0.006 * share, 0.004 * share))
            noise = survey.site.survey.leg_noise
            assumed = type(noise)(constant=0.006, per_sqrt_metre=0.004)
            network = adjust(with_noise(survey, assumed))
            found.append(network.variance_factor)
            plan = network.report.noise.horizontal
            assert plan.freedom == 22  # 17 long legs twice, less 6 knots and 3 runs, plus datum
            if share != 1.0:
                words = "worse than assumed" if share > 1 else "better than assumed"
                assert plan.verdict == words
                assert f"noise-{words.split()[0]}" in codes(network)
        estimates[share] = math.sqrt(float(np.mean(found)))
    assert estimates[2.0] == pytest.approx(2.0, rel=0.1)
    assert estimates[1.0] == pytest.approx(1.0, rel=0.05)
    assert estimates[1 / 3] == pytest.approx(1 / 3, rel=0.1)


def with_noise(survey: Any, noise: Any) -> Any:
    import msgspec

    table = msgspec.structs.replace(survey.site.survey, leg_noise=noise)
    return replace(survey, site=msgspec.structs.replace(survey.site, survey=table))


@pytest.mark.slow
def test_tests_of_legs_have_the_distribution_they_claim() -> None:
    # the chi-square of a leg that is right, over many surveys, against its own quantiles
    beyond_95 = []
    for seed in range(60):
        survey = clean(seed)
        tied = tie(survey.book, device_of(survey), ("B1", "B2"), frozenset(), 1.0)
        _, freedom, test = leg_tests(tied)
        limit = np.array([chi2_isf(0.05, int(f)) if f else np.inf for f in freedom])
        beyond_95.append(test > limit)
    # 1020 tests, correlated within a survey: about 5 %
    assert 0.035 < np.mean(beyond_95) < 0.065


# ---- control and check points -------------------------------------------------------------------

SQUARE = {"A": (0, 0), "B": (30, 0), "C": (30, 40), "D": (0, 40), "E": (15, 20)}


def square_rows(rng: np.random.Generator | None = None) -> list[Row]:
    stops = "ABCDEABCDEA"
    local = np.array([(*SQUARE[s], 0.02 * SQUARE[s][0]) for s in stops], dtype=float)
    if rng is not None:
        local = local + np.cumsum(rng.normal(0, 0.02, local.shape), axis=0)
    return [("R", s, *xyz) for s, xyz in zip(stops, turned(local, 33), strict=True)]


def mark(name: str, sigma: float = 0.02, **more: Any) -> dict[str, Any]:
    east, north = SQUARE[name]
    place = {"easting": 1000.0 + east, "northing": 2000.0 + north, "elevation": 0.02 * east}
    return place | {"sigma": sigma} | more


CRS = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0=1000 +y_0=2000 +ellps=GRS80 +units=m +type=crs"


def test_many_control_marks_have_residuals_and_the_wrong_one_is_named() -> None:
    rows = square_rows(np.random.default_rng(4))
    right = {name: mark(name) for name in "ABCD"}
    network = adjust(notes(rows, right, crs=CRS))
    control = network.report.control.horizontal
    assert control.freedom == 5
    assert control.chi_square < chi2_isf(0.001, 5)
    assert {r.mark for r in control.residuals} == set("ABCD")
    assert max(abs(r.east_m) for r in control.residuals) < 0.2
    assert "control-misfit" not in codes(network)

    wrong = right | {"C": mark("C") | {"easting": 1000.0 + 30 + 2.0}}
    network = adjust(notes(rows, wrong, crs=CRS))
    (told,) = [f for f in network.findings if f.code == "control-misfit"]
    assert "the position of mark C looks wrong by 2." in told.text

    wrong = right | {"D": mark("D") | {"elevation": 1.5}}
    (told,) = [
        f for f in adjust(notes(rows, wrong, crs=CRS)).findings if f.code == "control-misfit"
    ]
    assert "the elevation of mark D looks wrong by 1." in told.text


def test_residuals_of_exact_control_do_not_vanish() -> None:
    # marks taken as exact are held, but the report still says how badly the walk fits them
    rows = square_rows()
    exact = {name: mark(name, 0.0) for name in "ABC"} | {"D": mark("D", 0.0) | {"northing": 2040.3}}
    network = adjust(notes(rows, exact, crs=CRS))
    residuals = network.report.control.horizontal.residuals
    assert max(abs(r.north_m) for r in residuals) > 0.1
    at_d = network.frame.to_map(network.en[3])
    assert at_d == pytest.approx([1000.0, 2040.3], abs=1e-9)


def test_check_points_give_rmse_and_nssda_figures() -> None:
    rows = square_rows()
    off = {"C": (0.03, -0.04, 0.10), "D": (-0.03, 0.04, -0.10)}
    marks = {name: mark(name, 0.0) for name in "AB"}
    for name, (east, north, up) in off.items():
        place = mark(name)
        marks[name] = place | {
            "easting": place["easting"] - east,
            "northing": place["northing"] - north,
            "elevation": place["elevation"] - up,
            "check": True,
        }
    network = adjust(notes(rows, marks, crs=CRS))
    found = network.report.check_points
    assert [(p.mark) for p in found.points] == ["C", "D"]
    assert found.points[0].east_m == pytest.approx(0.03, abs=1e-6)
    assert found.rmse_r_m == pytest.approx(0.05, abs=1e-6)
    # RMSE_x 0.03 and RMSE_y 0.04 are within 0.6 of each other: 2.4477 x their mean
    assert found.horizontal_95_m == pytest.approx(2.4477 * 0.035, abs=1e-5)
    assert found.rmse_z_m == pytest.approx(0.10, abs=1e-6)
    assert found.vertical_95_m == pytest.approx(0.196, abs=1e-6)
    (told,) = [f for f in network.findings if f.code == "check-points-few"]
    assert "2 check points; the standard behind the 95 % figures asks for 20" in told.text
    # check points place nothing
    alone = adjust(notes(rows, {n: marks[n] for n in "AB"}, crs=CRS))
    assert network.en == pytest.approx(alone.en, abs=1e-12)


def test_a_check_point_far_off_is_named() -> None:
    marks = {n: mark(n, 0.01) for n in "AB"} | {"D": mark("D", check=True) | {"northing": 2041.0}}
    network = adjust(notes(square_rows(), marks, crs=CRS))
    (told,) = [f for f in network.findings if f.code == "check-point-off"]
    assert "Check point D" in told.text


# ---- lever arm and advice -----------------------------------------------------------------------


def short_baseline(ties: bool, extra: tuple[int, Row] | None = None) -> Any:
    """Two runs on a 5 m baseline, the far end 60 m away; with one common mark or without."""
    rng = np.random.default_rng(8)
    far = {"F": (58.0, 20.0, 0.0), "G": (40.0, 15.0, 0.0), "H": (50.0, -12.0, 0.0)}
    near = {"A": (0.0, 0.0, 0.0), "B": (5.0, 0.0, 0.0), "K": (20.0, 5.0, 0.0)}
    where = {k: np.array(v) for k, v in (near | far).items()}
    walks = {"R1": "ABGFKAB", "R2": "ABK" + ("G" if ties else "") + "HAB"}
    rows: list[Row] = []
    for number, (run, stops) in enumerate(walks.items()):
        local = turned(np.array([where[s] for s in stops]), 60 * number, rng.normal(0, 5, 3))
        rows += [(run, s, *xyz) for s, xyz in zip(stops, local, strict=True)]
    if extra is not None:
        rows.insert(*extra)
    marks = {
        name: {"easting": 1000.0 + float(where[name][0]), "northing": 2000.0, "elevation": 0.0}
        for name in "AB"
    }
    return notes(rows, marks, crs=CRS)


def test_lever_arm_before_and_after_ties() -> None:
    network = adjust(short_baseline(ties=True))
    arm = network.report.lever_arm
    assert (arm.mark, arm.line) == ("F", 5)
    assert arm.baseline_m == pytest.approx(5.0, abs=1e-6)
    assert arm.distance_m == pytest.approx(math.hypot(55.5, 20.0), abs=1e-3)
    assert arm.error_95_m == pytest.approx(ELLIPSE_95 * error_ellipses(network)[0][3], rel=1e-12)
    # the baseline alone: every other common mark made unknown to the other run
    survey = short_baseline(ties=True)
    blank = survey.book.mark.copy()
    for name in "KG":
        blank[survey.book.mark == survey.book.marks.index(name)] = -1
    alone = adjust(replace(survey, book=replace(survey.book, mark=blank)))
    expected = ELLIPSE_95 * error_ellipses(alone)[0][3]
    assert arm.baseline_only_95_m == pytest.approx(expected, rel=1e-6)
    assert arm.baseline_only_95_m > arm.error_95_m
    (told,) = [f for f in network.findings if f.code == "lever-arm"]
    assert "The baseline is 5.0 m long and mark F is 59 m from it" in told.text


def test_swing_of_a_short_baseline_is_its_noise_times_the_arm() -> None:
    # one pass over an exact baseline: the turn of the run is the error of one leg over 5 m
    survey = short_baseline(ties=False)
    once = np.flatnonzero(survey.book.run == 0)[:4]
    book_once = replace(
        survey.book,
        **{
            name: getattr(survey.book, name)[once]
            for name in ("local", "run", "mark", "feature", "code", "kind", "piece", "line")
        },
        runs=("R1",),
        notes=("",) * 4,
    )
    network = adjust(replace(survey, book=book_once))
    arm = network.report.lever_arm
    turn = math.sqrt(0.005**2 + 0.004**2 * 5.0) / 5.0
    # the run goes on from B, which is exact: what lies beyond turns about it
    assert arm.swing_95_m == pytest.approx(1.959964 * turn * math.hypot(53.0, 20.0), rel=1e-6)
    assert arm.swing_95_m < arm.error_95_m


@pytest.mark.parametrize("known", ["AF", "ABF", "ABFG", "ABFGHK"])
def test_with_more_anchors_the_worst_mark_is_one_that_is_not_known(known: str) -> None:
    survey = short_baseline(ties=True)
    where = {"A": (0, 0), "B": (5, 0), "F": (58, 20), "G": (40, 15), "H": (50, -12), "K": (20, 5)}
    anchor = {
        name: {"easting": 1000.0 + where[name][0], "northing": 2000.0 + where[name][1]}
        for name in known
    }
    # a rough position: F is the mark known worst, and is anchored all the same
    anchor["F"] |= {"sigma": 0.3}
    network = adjust(notes(survey.book, anchor, crs=CRS))
    arm, advice = network.report.lever_arm, network.report.advice
    assert arm.swing_95_m <= arm.error_95_m
    if known == "ABFGHK":  # nothing else is left
        return
    assert arm.mark not in known
    free = [i for i, m in enumerate(survey.book.mark) if survey.book.marks[m] not in known]
    assert arm.error_95_m == pytest.approx(ELLIPSE_95 * error_ellipses(network)[0][free].max())
    assert all(a.mark not in known for a in advice if a.kind == "control")


def test_known_marks_that_fit_exactly_have_no_misfit() -> None:
    # the difference of large numbers went below zero here
    for height in (0.0, 500.0, 3000.0, 8848.86):
        rows = [(r, n, x, y, z + height) for r, n, x, y, z in square_rows()]
        known = {n: mark(n) | {"elevation": mark(n)["elevation"] + height} for n in "ABCDE"}
        control = adjust(notes(rows, known, crs=CRS)).report.control
        assert 0 <= control.vertical.chi_square < 1e-6
        assert control.horizontal.chi_square >= 0


@pytest.mark.parametrize("ties", [True, False])
def test_the_advised_tie_brings_what_it_promises(ties: bool) -> None:
    survey = short_baseline(ties)
    network = adjust(survey)
    (tie_advice,) = [a for a in network.report.advice if a.kind == "tie"]
    assert tie_advice.error_95_m < 0.95 * network.report.lever_arm.error_95_m
    # walk there from the line it names and back again: put the visit into the field book. The walk
    # goes on from where it was, so the row before is repeated without a leg between
    run, after = tie_advice.run, tie_advice.after_line
    number = int(np.flatnonzero(survey.book.line == after)[0])
    at = np.flatnonzero(survey.book.mark == survey.book.marks.index(tie_advice.mark))[0]
    turn = network.orientation[survey.book.runs.index(run)]
    step = (network.en[at] - network.en[number]) / network.frame.combined_factor
    cosine, sine = math.cos(turn), math.sin(turn)
    x, y, z = survey.book.local[number]
    place = (
        x + cosine * step[0] + sine * step[1],
        y - sine * step[0] + cosine * step[1],
        z,
    )
    is_last = number == np.flatnonzero(survey.book.run == survey.book.runs.index(run))[-1]
    visit = (run, tie_advice.mark, *place)
    better = adjust(short_baseline(ties, (number + 1, visit)))
    far = np.flatnonzero(survey.book.line == network.report.lever_arm.line)[0]
    far += far > number
    reached = ELLIPSE_95 * error_ellipses(better)[0][far] / math.sqrt(better.variance_factor)
    promised = tie_advice.error_95_m / math.sqrt(network.variance_factor)
    if is_last:
        assert reached == pytest.approx(promised, rel=1e-6)
    else:  # the walk back ties as well, so it brings a little more
        assert 0.7 * promised < reached < promised * 1.01


def test_the_advised_control_brings_what_it_promises() -> None:
    survey = short_baseline(ties=True)
    network = adjust(survey)
    (advice,) = [a for a in network.report.advice if a.kind == "control"]
    at = np.flatnonzero(survey.book.mark == survey.book.marks.index(advice.mark))[0]
    east, north = network.frame.to_map(network.en[at]).tolist()
    import msgspec

    marks = msgspec.to_builtins(survey.site.anchor.marks)
    marks[advice.mark] = {"easting": east, "northing": north, "sigma": 0.01}
    better = adjust(notes(survey.book, marks, crs=CRS))
    reached = ELLIPSE_95 * error_ellipses(better)[0][3] / math.sqrt(better.variance_factor)
    promised = advice.error_95_m / math.sqrt(network.variance_factor)
    assert reached == pytest.approx(promised, rel=1e-6)


# ---- heights and azimuths -----------------------------------------------------------------------


def test_a_benchmark_without_a_position_levels_the_survey() -> None:
    rows = square_rows()
    known = {n: mark(n) for n in "AB"}
    for place in known.values():
        del place["elevation"]
    known["E"] = {"elevation": 112.5, "sigma": 0.004}
    network = adjust(notes(rows, known, crs=CRS))
    assert network.elevation[4] == pytest.approx(112.5, abs=1e-9)
    assert network.elevation[0] == pytest.approx(112.5 - 0.02 * 15, abs=1e-9)
    assert sigma_vertical(network)[4] == pytest.approx(0.004, rel=1e-9)
    assert "elevation-relative" not in codes(network)
    assert "elevation-relative" in codes(adjust(notes(rows, _flat(known), crs=CRS)))


def _flat(known: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {n: known[n] for n in "AB"}


@pytest.mark.parametrize(("degrees", "level"), [(90.0, "note"), (92.0, "look")])
def test_an_azimuth_beside_two_known_marks_is_compared(degrees: float, level: str) -> None:
    known = {n: mark(n) for n in "AB"}
    with_azimuth = notes(square_rows(), known, crs=CRS, azimuth={"value": degrees})
    network = adjust(with_azimuth)
    (told,) = [f for f in network.findings if f.code == "azimuth-compared"]
    assert told.level == level
    assert f"differs by {degrees - 90:+.3f}°" in told.text
    assert network.en == pytest.approx(adjust(notes(square_rows(), known, crs=CRS)).en, abs=1e-12)


# ---- large networks, plain report ---------------------------------------------------------------


def test_sparse_and_dense_solutions_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    import geosite.network.equations.normal as solve

    survey = clean(5)
    dense = adjust(survey)
    one_mark = {"B1": {"easting": 512310.995, "northing": 5276107.996, "elevation": 402.6}}
    by_azimuth = notes(
        survey.book,
        one_mark,
        baseline=("B1", "B2"),
        limit=100.0,
        crs="EPSG:25832",
        azimuth={"value": 88.0, "sigma": 0.01},
    )
    dense_azimuth = adjust(by_azimuth)
    monkeypatch.setattr(solve, "DENSE", 0)
    for expected, found in ((dense, adjust(survey)), (dense_azimuth, adjust(by_azimuth))):
        assert found.en == pytest.approx(expected.en, abs=1e-9)
        assert found.elevation == pytest.approx(expected.elevation, abs=1e-10)
        assert sigma_horizontal(found) == pytest.approx(sigma_horizontal(expected), rel=1e-8)
        assert sigma_vertical(found) == pytest.approx(sigma_vertical(expected), rel=1e-8)


def test_the_report_is_frozen_facts_that_json_can_say() -> None:
    import json

    for survey in (clean(5), notes(square_rows(), {n: mark(n) for n in "ABCD"}, crs=CRS)):
        report = adjust(survey).report
        with pytest.raises(FrozenInstanceError):
            report.closures = ()  # type: ignore[misc]
        written = plain(report)
        assert json.loads(json.dumps(written, allow_nan=False)) == written
        assert len(written["closures"]) == len(report.closures)


# ---- redundancy, unchecked ends, scale ----------------------------------------------------------


def test_a_survey_that_nothing_checks_says_so() -> None:
    rows = [("R", s, *SQUARE[s], 0.0) for s in "ABCD"]
    network = adjust(notes(rows, {n: mark(n) for n in "AB"}, crs=CRS))
    assert "nothing-checks" in codes(network)
    assert network.report.unchecked == (
        Unchecked(run="R", first_line=4, last_line=5, observations=2),
    )
    assert network.report.noise.horizontal.verdict == "too little to tell"


def test_few_misclosures_say_so() -> None:
    rows = [("R", s, *SQUARE[s], 0.0) for s in "ABCA"]
    network = adjust(notes(rows, {n: mark(n) for n in "AB"}, crs=CRS))
    assert "redundancy-small" in codes(network)


def test_sigma_of_a_loop_is_that_of_a_bridge() -> None:
    # one loop from an exact mark, direction exact: half way round the bridge has V/4
    rows = [
        ("R", s, *xy, 0.0)
        for s, xy in zip("ABCA", [(0, 0), (40, 0), (40, 40), (0, 0)], strict=True)
    ]
    network = adjust(
        notes(rows, {"A": mark("A", 0.0)}, crs=CRS, azimuth={"value": 90.0}, noise=(0.0, 0.01))
    )
    length = 80 + math.hypot(40, 40)
    spent = 80.0
    bridge = 0.01**2 * spent * (length - spent) / length
    east, north = network.en[2] - network.en[0]
    assert (east, north) == pytest.approx((40, 40), abs=1e-6)
    # the turn of the loop is held by its first leg: C moves with it as well
    assert sigma_horizontal(network)[2] > math.sqrt(bridge)
    assert sigma_horizontal(network)[0] == pytest.approx(0.0, abs=1e-9)


def test_measured_baseline_is_reported_in_ppm_and_sigmas() -> None:
    rows = square_rows()
    long = {n: mark(n) for n in "AB"}
    long["B"]["easting"] = 1000.0 + 30.03
    network = adjust(notes(rows, long, crs=CRS))
    check = network.report.baseline
    assert check.measured_m == pytest.approx(30.0, abs=1e-6)
    assert check.mapped_m == pytest.approx(30.03, abs=1e-4)
    assert check.ppm == pytest.approx(-1000.0, abs=2.0)
    assert check.sigmas == pytest.approx(-0.03 / check.sigma_m, rel=1e-2)
    assert 0.02 * math.sqrt(2) < check.sigma_m < 0.05


def test_open_traverse_still_refuses_a_wrong_unit() -> None:
    rows = [("R", s, *(v * 3.28084 for v in SQUARE[s]), 0.0) for s in "ABCD"]
    with pytest.raises(SurveyRefused, match="the notes look like feet"):
        adjust(notes(rows, {n: mark(n) for n in "AB"}, crs=CRS))
