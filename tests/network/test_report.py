"""What the report says of a network, against numbers worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from network_cases import book, notes, turned

from geosite.base.map_frame import Frame
from geosite.fieldbook.model import Notes
from geosite.handover.report_model.serialise import plain
from geosite.network.accuracy.advice import Advice
from geosite.network.accuracy.check_points import CheckPoints, nssda_horizontal, nssda_vertical
from geosite.network.accuracy.lever_arm import LeverArm
from geosite.network.accuracy.precision import NeighbourPrecision, direction_check
from geosite.network.adjust import adjust
from geosite.network.checks.facts import LengthCheck
from geosite.network.control.model import Anchored, Control
from geosite.network.mistakes.facts import Mistake
from geosite.network.model import Closure
from geosite.network.noise import Noise
from geosite.network.report import (
    CLOSURE_CLASSES,
    Judged,
    direction,
    report,
    ties,
    unchecked,
)
from geosite.network.report_model import AnchoredMark, Unchecked
from geosite.network.tie_runs import Misfit
from geosite.network.walk.device import Device
from geosite.network.walk.runs import walk_runs

STOPS = {
    "A": (0.0, 0.0, 1.0),
    "B": (3.0, 8.0, 1.4),
    "T": (20.0, 12.0, 0.7),
    "U": (-3.0, 25.0, 0.4),
    "V": (9.0, 30.0, 0.2),
}
CRS = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0=500 +y_0=700 +ellps=GRS80 +units=m +type=crs"
KNOWN = {
    "A": {"easting": 500.0, "northing": 700.0, "elevation": 1.0, "sigma": 0.01},
    "B": {"easting": 503.0, "northing": 708.0},
    "V": {"easting": 509.03, "northing": 729.96, "elevation": 0.21, "sigma": 0.02, "check": True},
}


def walked(stops: str, run: str, degrees: float, off: float = 0.0) -> list:
    """Walk without error but for T, which is met `off` metres farther east."""
    places = np.array([STOPS[s] for s in stops])
    places[:, 0] += off * (np.array(list(stops)) == "T")
    names = [s if s in KNOWN or s in "TU" else "" for s in stops]
    local = turned(places, degrees, (5.0, 2.0, -1.0))
    return [(run, name, *xyz) for name, xyz in zip(names, local, strict=True)]


def rows() -> list:
    # R1 goes on to U and V and never comes back; R2 closes on A
    return walked("ABTUV", "R1", 40.0) + walked("ATBUA", "R2", -100.0, off=0.06)


def test_runs_and_anchor() -> None:
    report = adjust(notes(rows(), KNOWN, crs=CRS)).report
    one, two = report.runs
    assert (one.run, two.run) == ("R1", "R2")
    assert (one.observations, two.observations) == (5, 5)
    # each run lies turned by this much against the map
    assert one.orientation_deg % 360 == pytest.approx(320.0, abs=0.2)
    assert two.orientation_deg % 360 == pytest.approx(100.0, abs=0.2)
    assert 0.0 < one.orientation_sigma_deg < 0.5
    assert report.anchor.grid_azimuth_deg is None
    assert report.anchor.marks == (
        AnchoredMark(mark="A", use="anchor", sigma_m=0.01, exact=False),
        AnchoredMark(mark="B", use="anchor", sigma_m=0.0, exact=True),
        AnchoredMark(mark="V", use="check", sigma_m=0.02, exact=False),
    )


def test_ties_tell_how_far_runs_put_a_mark_apart() -> None:
    report = adjust(notes(rows(), KNOWN, crs=CRS)).report
    ties = {tie.mark: tie for tie in report.ties}
    assert set(ties) == {"A", "B", "T", "U"}
    assert all(tie.runs == ("R1", "R2") for tie in ties.values())
    assert ties["T"].spread_m == pytest.approx(0.06, abs=1e-4)
    for mark in "ABU":
        assert ties[mark].spread_m == pytest.approx(0.0, abs=1e-4)


def test_a_mark_met_twice_by_a_run_counts_with_its_mean() -> None:
    book = walked("ABTUTBA", "R1", 40.0) + walked("ATBA", "R2", -100.0, off=0.06)
    east = np.array([math.cos(math.radians(40.0)), math.sin(math.radians(40.0))])
    run, name, x, y, z = book[4]
    book[4] = (run, name, x + 0.04 * east[0], y + 0.04 * east[1], z)
    (tie,) = [t for t in adjust(notes(book, KNOWN, crs=CRS)).report.ties if t.mark == "T"]
    assert tie.spread_m == pytest.approx(0.04, abs=1e-4)


def test_what_nothing_checks_is_listed_by_lines() -> None:
    book = walked("ABTUV", "R1", 40.0) + walked("VVABTU", "R2", -100.0)
    book = [(run, "" if name == "V" else name, *xyz) for run, name, *xyz in book]
    report = adjust(notes(book, {k: KNOWN[k] for k in "AB"}, crs=CRS)).report
    assert report.unchecked == (Unchecked(run="R1", first_line=6, last_line=6, observations=1),)


def test_a_check_point_is_compared_and_not_used() -> None:
    network = adjust(notes(rows(), KNOWN, crs=CRS))
    found = network.report.check_points
    (point,) = found.points
    assert point.mark == "V"
    place = network.frame.to_map(network.en[4:5])[0]
    off = [place[0] - 509.03, place[1] - 729.96, network.elevation[4] - 0.21]
    assert [getattr(point, k) for k in ("east_m", "north_m", "up_m")] == pytest.approx(
        off, abs=1e-6
    )
    assert (found.horizontal_points, found.vertical_points) == (1, 1)
    # FGDC-STD-007.3-1998, appendix 3-A: 2.4477 times half of RMSE_x + RMSE_y, 1.9600 times RMSE_z
    assert found.rmse_r_m == pytest.approx(math.hypot(*off[:2]), abs=1e-6)
    assert found.horizontal_95_m == pytest.approx(
        2.4477 * (abs(off[0]) + abs(off[1])) / 2, rel=1e-4
    )
    assert found.rmse_z_m == pytest.approx(abs(off[2]), abs=1e-6)
    assert found.vertical_95_m == pytest.approx(1.96 * found.rmse_z_m, rel=1e-4)


def by_rules(asked: Notes) -> Notes:
    """Compare closures with every published rule: the site file has to name them."""
    from msgspec.structs import replace as changed

    survey = changed(asked.site.survey, closure_rules=tuple(CLOSURE_CLASSES))
    return replace(asked, site=changed(asked.site, survey=survey))


def test_a_closure_names_the_rules_it_would_meet() -> None:
    book = walked("ABTUA", "R1", 40.0)
    run, name, x, y, z = book[-1]
    book[-1] = (run, name, x + 0.006, y + 0.008, z + 0.003)
    asked = notes(book, {k: KNOWN[k] for k in "AB"}, crs=CRS)
    (bare,) = adjust(asked).report.closures
    assert bare.would_meet == ()
    report = adjust(by_rules(asked)).report
    (closure,) = report.closures
    places = np.array([STOPS[s] for s in "ABTU"])
    length = float(np.hypot(*np.diff(places[:, :2], axis=0).T).sum()) + math.hypot(3.0, 25.0)
    assert (closure.mark, closure.first_line, closure.last_line) == ("A", 2, 6)
    assert closure.length_m == pytest.approx(length, abs=0.02)
    assert closure.misclosure_m == pytest.approx(0.010, abs=1e-6)
    assert closure.misclosure_up_m == pytest.approx(0.003, abs=1e-6)
    # some 80 m and 1 cm: better than 1:5000, not 1:10000
    assert closure.ratio == pytest.approx(closure.length_m / 0.010, rel=1e-4)
    assert len(closure.would_meet) == 1
    assert closure.would_meet[0].startswith("WAC 332-130-090(1), subdivisions")


def test_the_baseline_is_compared_with_the_map_within_its_own_noise() -> None:
    # one leg from A to B, 5 mm and 4 mm per root metre, on marks known to 1 cm and 2 cm
    known = {"A": KNOWN["A"], "B": KNOWN["B"] | {"sigma": 0.02}}
    rows = [("R1", "A", 0.0, 0.0, 0.0), ("R1", "B", 8.55, 0.0, 0.4)]
    for start, end, degrees in (("A", "B", 0.0), ("A", "B", 75.0), ("B", "A", 20.0)):
        local = turned(np.array([row[2:] for row in rows]), degrees)
        book = [(*row[:2], *xyz) for row, xyz in zip(rows, local, strict=True)]
        walk = notes(book, known, baseline=(start, end), crs=CRS, noise=(0.005, 0.004))
        found = adjust(walk).report.baseline
        assert (found.from_, found.to) == (start, end)
        assert found.measured_m == pytest.approx(8.55, abs=1e-6)
        assert found.mapped_m == pytest.approx(math.hypot(3.0, 8.0), abs=1e-5)
        length = math.hypot(8.55, 0.4)
        leg = math.sqrt(0.005**2 + 0.004**2 * length)
        assert found.sigma_m == pytest.approx(math.hypot(leg, 0.01, 0.02), rel=1e-4)
        off = found.measured_m - found.mapped_m
        assert found.sigmas == pytest.approx(off / found.sigma_m, rel=1e-6)
        assert found.ppm == pytest.approx(off / found.mapped_m * 1e6, rel=1e-6)


def test_known_marks_fit_as_well_however_the_run_lies() -> None:
    known = {name: place | {"sigma": 0.01} for name, place in KNOWN.items()}
    known["V"] = {k: v for k, v in known["V"].items() if k != "check"}
    found = []
    for degrees in (0.0, 40.0, 130.0):
        book = walked("ABTUV", "R1", degrees)
        found.append(adjust(notes(book, known, crs=CRS)).report.control.horizontal)
    assert found[0].freedom == 3
    assert found[0].chi_square > 0.5
    for other in found[1:]:
        assert other.chi_square == pytest.approx(found[0].chi_square, rel=1e-6)


# ---- every entry, from made-up judgements ------------------------------------------------------

NAN = math.nan
WALKED = [("R1", n) for n in ("A", "B", "", "C", "D", "")] + [("R2", n) for n in "BACAE"]
NORTH = Frame("", "map", None, "up", 1.0, 1.0, "metre", "foot", (0, 0), 0.5, 0.25, 0.125, math.pi)


def reported(**changed: Any) -> dict[str, Any]:
    """Report made-up judgements of eleven rows, lines 2 to 12."""
    rows = [(r, n, *xy, 0.0) for (r, n), xy in zip(WALKED, RAW.tolist(), strict=True)]
    survey = by_rules(notes(book(rows), {}))
    walk = walk_runs(survey.book, Device.from_leg_noise(0.1, 0.0), frozenset("AB"))
    fields: dict[str, Any] = {
        "noise": (
            Noise("as expected", 1.0, 1.25, 5.0, 4, 0.5),
            Noise("too little to tell", 1.0, None, 0.0, 0, math.inf),
        ),
        "device": Device.from_leg_noise(0.1, 0.0),
        "length": None,
        "azimuth": None,
        "misfits": (misfit(np.zeros((1, 2)), 0), misfit(np.zeros((1, 1)), 0)),
        "checks": CheckPoints((), np.zeros((0, 3)), np.zeros((0, 3))),
        "arm": LeverArm(3, 40.0, 10.0, 0.3, 0.2, None),
        "advice": (),
        "neighbours": None,
        "mistakes": (),
    }
    network: Any = SimpleNamespace(
        frame=NORTH,
        raw_en=RAW,
        plan=SimpleNamespace(orientation=np.array([0, 1]), posterior=Turns()),
        orientation=np.radians([30.0, -40.0]),
        closures=changed.pop("closures", ()),
        interval_factor=2.0,
        accuracy_known=True,
    )
    azimuth = changed.pop("azimuth", None)
    anchored = Anchored(NORTH, (Control("A", None, None, 0.0, 9.0, True),), azimuth, ())
    found: dict[str, Any] = plain(
        report(survey, anchored, network, walk, Judged(**(fields | changed)))
    )
    return found


class Turns:
    """Orientations known to 2 and 3 degrees."""

    def entries(self, at: np.ndarray, to: np.ndarray) -> np.ndarray:
        """Return their variances."""
        assert at is to
        return np.radians([2.0, 3.0]) ** 2


RAW = np.zeros((11, 2))
RAW[[3, 8], 0] = 7.0, 10.0  # C, 3 m and 4 m apart
RAW[[3, 8], 1] = 9.0, 5.0
RAW[[0, 7, 9], 0] = 1.0, 2.0, 6.0  # A, by R2 twice: 4 in the mean


def misfit(residual: np.ndarray, freedom: int) -> Misfit:
    return Misfit(np.arange(len(residual)), residual, 2.5, freedom, residual, np.zeros(0))


def test_frame_runs_and_noise_as_reported() -> None:
    found = reported(azimuth=(-math.pi / 2, 0.0))
    assert found["frame"] == {
        "crs": "map",
        "vertical_crs": "up",
        "unit": "metre",
        "elevation_unit": "foot",
        "grid_scale_factor": 0.5,
        "elevation_factor": 0.25,
        "combined_factor": 0.125,
        "convergence_deg": 180.0,
        "latitude": None,
        "longitude": None,
    }
    assert found["anchor"]["marks"] == [
        {"mark": "A", "use": "check", "sigma_m": 0.0, "exact": True}
    ]
    assert found["anchor"]["grid_azimuth_deg"] == pytest.approx(270.0)
    one, two = found["runs"]
    assert (one["observations"], two["observations"]) == (6, 5)
    assert [r["orientation_deg"] for r in (one, two)] == pytest.approx([30.0, -40.0])
    assert [r["orientation_sigma_deg"] for r in (one, two)] == pytest.approx([2.0, 3.0])
    assert [r["orientation_95_deg"] for r in (one, two)] == pytest.approx([4.0, 6.0])
    assert (one["direction"], two["direction"]) == (None, None)
    plan, up = found["noise"]["horizontal"], found["noise"]["vertical"]
    assert (plan["verdict"], plan["factor"], plan["estimate"]) == ("as expected", 1.0, 1.25)
    assert (plan["squares"], plan["freedom"], plan["chance"]) == (5.0, 4, 0.5)
    assert (up["estimate"], up["chance"]) == (None, None)


def test_what_was_not_judged_is_nothing() -> None:
    found = reported()
    assert found["anchor"]["grid_azimuth_deg"] is None
    for key in ("baseline", "check_points", "neighbour_precision"):
        assert found[key] is None
    assert found["control"] == {"horizontal": None, "vertical": None}
    assert found["closures"] == found["advice"] == found["mistakes"] == []


def test_rules_that_closures_would_meet() -> None:
    def meets(ratio: float) -> Any:
        (closure,) = reported(closures=(Closure("R1", "A", 3, 7, 250.0, 0.5, -0.006, ratio, 0.2),))[
            "closures"
        ]
        assert closure | {"ratio": 0, "would_meet": 0} == {
            "run": "R1",
            "mark": "A",
            "first_line": 3,
            "last_line": 7,
            "length_m": 250.0,
            "misclosure_m": 0.5,
            "misclosure_up_m": -0.006,
            "ratio": 0,
            "sigma_m": 0.2,
            "levelling_mm_per_sqrt_km": pytest.approx(12.0),
            "would_meet": 0,
        }
        return closure["ratio"], len(closure["would_meet"])

    assert meets(4999.0) == (4999.0, 0)
    assert meets(5000.0) == (5000.0, 1)
    assert meets(9999.0) == (9999.0, 1)
    assert [meets(float(r))[1] for r in (10_000, 20_000, 50_000, 100_000)] == [2, 3, 4, 5]
    assert meets(math.inf) == (None, 5)
    assert [r for rule in CLOSURE_CLASSES.values() for r, _ in rule] == [5e3, 1e4, 2e4, 5e4, 1e5]


def test_length_control_and_check_points_as_reported() -> None:
    residual = np.array([[0.1, 0.2], [0.3, 0.4]])
    found = reported(
        length=LengthCheck("A", "B", 101.0, 100.0, 0.5, 1.0),
        misfits=(misfit(residual, 1), misfit(residual[:, :1], 2)),
    )
    assert found["baseline"] == {
        "from": "A",
        "to": "B",
        "measured_m": 101.0,
        "mapped_m": 100.0,
        "ppm": pytest.approx(10_000.0),
        "sigma_m": 0.5,
        "sigmas": 2.0,
    }
    assert found["control"]["horizontal"] == {
        "chi_square": 2.5,
        "freedom": 1,
        "residuals": [
            {"mark": "A", "east_m": 0.1, "north_m": 0.2},
            {"mark": "B", "east_m": 0.3, "north_m": 0.4},
        ],
    }
    assert found["control"]["vertical"]["residuals"] == [
        {"mark": "A", "up_m": 0.1},
        {"mark": "B", "up_m": 0.3},
    ]
    error = np.array([[0.3, 0.4, NAN], [NAN, NAN, 0.6], [0.5, 0.2, 0.8]])
    sigma = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0], [7.0, 8.0, 9.0]])
    checks = reported(checks=CheckPoints(("P", "Q", "S"), error, sigma))["check_points"]
    keys = ("mark", "east_m", "north_m", "up_m", "sigma_h_m", "sigma_v_m")
    assert [tuple(p[k] for k in keys) for p in checks["points"]] == [
        ("P", 0.3, 0.4, None, 1.0, 3.0),
        ("Q", None, None, 0.6, 4.0, 6.0),
        ("S", 0.5, 0.2, 0.8, 7.0, 9.0),
    ]
    plan = nssda_horizontal(error[[0, 2], 0], error[[0, 2], 1])
    assert (checks["rmse_r_m"], checks["horizontal_95_m"]) == plan
    assert (checks["rmse_z_m"], checks["vertical_95_m"]) == nssda_vertical(error[1:, 2])
    assert (checks["horizontal_points"], checks["vertical_points"]) == (2, 2)
    up_only = reported(checks=CheckPoints(("Q",), error[1:2], sigma[1:2]))["check_points"]
    assert [up_only[k] for k in ("rmse_r_m", "horizontal_95_m", "horizontal_points")] == [None] * 3
    assert up_only["vertical_points"] == 1
    plan_only = reported(checks=CheckPoints(("P",), error[:1], sigma[:1]))["check_points"]
    assert [plan_only[k] for k in ("rmse_z_m", "vertical_95_m", "vertical_points")] == [None] * 3
    assert plan_only["horizontal_points"] == 1


def test_lever_arm_advice_and_neighbours_as_reported() -> None:
    advice = (Advice("tie", "C", "R2", 0, 0.1), Advice("control", "D", "", -1, 0.2))
    found = reported(advice=advice, neighbours=NeighbourPrecision(5, 4, (0, 2), 0.25, 0.125))
    assert found["lever_arm"] == {
        "mark": "C",
        "line": 5,
        "distance_m": 40.0,
        "baseline_m": 10.0,
        "error_95_m": 0.3,
        "swing_95_m": 0.2,
        "baseline_only_95_m": None,
        "calibrated_95_m": None,
    }
    assert reported(arm=LeverArm(0, 1.0, 1.0, 1.0, 1.0, 2.0))["lever_arm"]["mark"] == "A"
    assert reported(arm=LeverArm(2, 1.0, 1.0, 1.0, 1.0, 2.0))["lever_arm"]["mark"] is None
    assert found["advice"] == [
        {"kind": "tie", "mark": "C", "run": "R2", "after_line": 2, "error_95_m": 0.1},
        {"kind": "control", "mark": "D", "run": None, "after_line": None, "error_95_m": 0.2},
    ]
    neighbours = found["neighbour_precision"]
    assert (neighbours["pairs"], neighbours["within"]) == (5, 4)
    assert neighbours["worst_pair"] == ["A", None]
    assert (neighbours["worst_95_m"], neighbours["allowed_m"]) == (0.25, 0.125)


def test_mistakes_as_reported() -> None:
    one = Mistake(
        "leg", "R1", book([]), (1, 3), ("B", "C"), np.array([NAN, 0.5, 0.25]), chance=0.125
    )
    assert reported(mistakes=(one,))["mistakes"] == [
        {
            "kind": "leg",
            "run": "R1",
            "lines": [3, 5],
            "marks": ["B", "C"],
            "error_m": [None, 0.5, 0.25],
            "chance": 0.125,
        }
    ]


def test_ties_and_open_ends_as_reported() -> None:
    found = reported()
    # E and D are seen by one run alone
    assert found["ties"] == [
        {"mark": "A", "runs": ["R1", "R2"], "spread_m": pytest.approx(3.0)},
        {"mark": "B", "runs": ["R1", "R2"], "spread_m": 0.0},
        {"mark": "C", "runs": ["R1", "R2"], "spread_m": pytest.approx(5.0)},
    ]
    assert found["unchecked"] == [
        {"run": "R1", "first_line": 6, "last_line": 7, "observations": 2},
        {"run": "R2", "first_line": 12, "last_line": 12, "observations": 1},
    ]


def test_nothing_common_and_nothing_open_is_nothing_listed() -> None:
    survey = book([("R1", n, 1.0, 2.0, 3.0) for n in "ABA"])
    walk = walk_runs(survey, Device.from_leg_noise(0.1, 0.0), frozenset("AB"))
    assert unchecked(survey, walk) == ()
    assert ties(survey, np.zeros((3, 2))) == ()
    assert ties(book([("R1", "", 1.0, 2.0, 3.0)]), np.zeros((1, 2))) == ()


def test_turns_of_runs_are_compared_with_the_rule() -> None:
    # the second pass over the baseline lies turned by a degree: two angles in between
    turn = math.radians(1.0)
    ring = [("A", 0, 0), ("B", 10, 0), ("C", 10, 10), ("A", 0, 0)]
    ring.append(("B", 10 * math.cos(turn), 10 * math.sin(turn)))
    survey = notes([("R", n, float(x), float(y), 0.0) for n, x, y in ring], KNOWN, crs=CRS)
    walk = walk_runs(survey.book, Device.from_leg_noise(0.1, 0.0), frozenset("AB"))
    check = direction_check(survey.book, walk, 0, (0, 1))
    bare = direction(check, ())
    assert bare is not None
    assert (bare.limit_10_deg, bare.information_only) == (None, None)
    found = direction(check, ("WAC 332-130-090",))
    assert found is not None
    assert found.misclosure_deg == pytest.approx(1.0)
    # a leg's 0.1 m over 10 m, twice
    assert found.sigma_deg == pytest.approx(math.degrees(0.01 * math.sqrt(2)), rel=1e-4)
    assert found.angles == 2
    assert found.limit_10_deg == pytest.approx(10 / 3600 * math.sqrt(2))
    assert found.limit_30_deg == pytest.approx(30 / 3600 * math.sqrt(2))
