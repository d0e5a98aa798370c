"""What the report says of a network, against numbers worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from network_cases import notes, turned

from geosite.network.adjust import adjust

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
    one, two = report["runs"]
    assert (one["run"], two["run"]) == ("R1", "R2")
    assert (one["observations"], two["observations"]) == (5, 5)
    # each run lies turned by this much against the map
    assert one["orientation_deg"] % 360 == pytest.approx(320.0, abs=0.2)
    assert two["orientation_deg"] % 360 == pytest.approx(100.0, abs=0.2)
    assert 0.0 < one["orientation_sigma_deg"] < 0.5
    assert report["anchor"]["grid_azimuth_deg"] is None
    assert report["anchor"]["marks"] == [
        {"mark": "A", "use": "anchor", "sigma_m": 0.01, "exact": False},
        {"mark": "B", "use": "anchor", "sigma_m": 0.0, "exact": True},
        {"mark": "V", "use": "check", "sigma_m": 0.02, "exact": False},
    ]


def test_ties_tell_how_far_runs_put_a_mark_apart() -> None:
    report = adjust(notes(rows(), KNOWN, crs=CRS)).report
    ties = {tie["mark"]: tie for tie in report["ties"]}
    assert set(ties) == {"A", "B", "T", "U"}
    assert all(tie["runs"] == ["R1", "R2"] for tie in ties.values())
    assert ties["T"]["spread_m"] == pytest.approx(0.06, abs=1e-4)
    for mark in "ABU":
        assert ties[mark]["spread_m"] == pytest.approx(0.0, abs=1e-4)


def test_a_mark_met_twice_by_a_run_counts_with_its_mean() -> None:
    book = walked("ABTUTBA", "R1", 40.0) + walked("ATBA", "R2", -100.0, off=0.06)
    east = np.array([math.cos(math.radians(40.0)), math.sin(math.radians(40.0))])
    run, name, x, y, z = book[4]
    book[4] = (run, name, x + 0.04 * east[0], y + 0.04 * east[1], z)
    (tie,) = [t for t in adjust(notes(book, KNOWN, crs=CRS)).report["ties"] if t["mark"] == "T"]
    assert tie["spread_m"] == pytest.approx(0.04, abs=1e-4)


def test_what_nothing_checks_is_listed_by_lines() -> None:
    book = walked("ABTUV", "R1", 40.0) + walked("VVABTU", "R2", -100.0)
    book = [(run, "" if name == "V" else name, *xyz) for run, name, *xyz in book]
    report = adjust(notes(book, {k: KNOWN[k] for k in "AB"}, crs=CRS)).report
    assert report["unchecked"] == [
        {"run": "R1", "first_line": 6, "last_line": 6, "observations": 1}
    ]


def test_a_check_point_is_compared_and_not_used() -> None:
    network = adjust(notes(rows(), KNOWN, crs=CRS))
    found = network.report["check_points"]
    (point,) = found["points"]
    assert point["mark"] == "V"
    place = network.frame.to_map(network.en[4:5])[0]
    off = [place[0] - 509.03, place[1] - 729.96, network.elevation[4] - 0.21]
    assert [point[k] for k in ("east_m", "north_m", "up_m")] == pytest.approx(off, abs=1e-6)
    assert (found["horizontal_points"], found["vertical_points"]) == (1, 1)
    # FGDC-STD-007.3-1998, appendix 3-A: 2.4477 times half of RMSE_x + RMSE_y, 1.9600 times RMSE_z
    assert found["rmse_r_m"] == pytest.approx(math.hypot(*off[:2]), abs=1e-6)
    assert found["horizontal_95_m"] == pytest.approx(
        2.4477 * (abs(off[0]) + abs(off[1])) / 2, rel=1e-4
    )
    assert found["rmse_z_m"] == pytest.approx(abs(off[2]), abs=1e-6)
    assert found["vertical_95_m"] == pytest.approx(1.96 * found["rmse_z_m"], rel=1e-4)


def test_a_closure_names_the_rules_it_would_meet() -> None:
    book = walked("ABTUA", "R1", 40.0)
    run, name, x, y, z = book[-1]
    book[-1] = (run, name, x + 0.006, y + 0.008, z + 0.003)
    report = adjust(notes(book, {k: KNOWN[k] for k in "AB"}, crs=CRS)).report
    (closure,) = report["closures"]
    places = np.array([STOPS[s] for s in "ABTU"])
    length = float(np.hypot(*np.diff(places[:, :2], axis=0).T).sum()) + math.hypot(3.0, 25.0)
    assert (closure["mark"], closure["first_line"], closure["last_line"]) == ("A", 2, 6)
    assert closure["length_m"] == pytest.approx(length, abs=0.02)
    assert closure["misclosure_m"] == pytest.approx(0.010, abs=1e-6)
    assert closure["misclosure_up_m"] == pytest.approx(0.003, abs=1e-6)
    # some 80 m and 1 cm: better than 1:5000, not 1:10000
    assert closure["ratio"] == pytest.approx(closure["length_m"] / 0.010, rel=1e-4)
    assert len(closure["would_meet"]) == 1
    assert closure["would_meet"][0].startswith("WAC 332-130-090(1), subdivisions")


def test_the_baseline_is_compared_with_the_map_within_its_own_noise() -> None:
    # one leg from A to B, 5 mm and 4 mm per root metre, on marks known to 1 cm and 2 cm
    known = {"A": KNOWN["A"], "B": KNOWN["B"] | {"sigma": 0.02}}
    rows = [("R1", "A", 0.0, 0.0, 0.0), ("R1", "B", 8.55, 0.0, 0.4)]
    for start, end, degrees in (("A", "B", 0.0), ("A", "B", 75.0), ("B", "A", 20.0)):
        local = turned(np.array([row[2:] for row in rows]), degrees)
        book = [(*row[:2], *xyz) for row, xyz in zip(rows, local, strict=True)]
        walk = notes(book, known, baseline=(start, end), crs=CRS, noise=(0.005, 0.004))
        found = adjust(walk).report["baseline"]
        assert (found["from"], found["to"]) == (start, end)
        assert found["measured_m"] == pytest.approx(8.55, abs=1e-6)
        assert found["mapped_m"] == pytest.approx(math.hypot(3.0, 8.0), abs=1e-5)
        length = math.hypot(8.55, 0.4)
        leg = math.sqrt(0.005**2 + 0.004**2 * length)
        assert found["sigma_m"] == pytest.approx(math.hypot(leg, 0.01, 0.02), rel=1e-4)
        off = found["measured_m"] - found["mapped_m"]
        assert found["sigmas"] == pytest.approx(off / found["sigma_m"], rel=1e-6)
        assert found["ppm"] == pytest.approx(off / found["mapped_m"] * 1e6, rel=1e-6)


def test_known_marks_fit_as_well_however_the_run_lies() -> None:
    known = {name: place | {"sigma": 0.01} for name, place in KNOWN.items()}
    known["V"] = {k: v for k, v in known["V"].items() if k != "check"}
    found = []
    for degrees in (0.0, 40.0, 130.0):
        book = walked("ABTUV", "R1", degrees)
        found.append(adjust(notes(book, known, crs=CRS)).report["control"]["horizontal"])
    assert found[0]["freedom"] == 3
    assert found[0]["chi_square"] > 0.5
    for other in found[1:]:
        assert other["chi_square"] == pytest.approx(found[0]["chi_square"], rel=1e-6)
