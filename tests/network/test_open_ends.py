"""Runs that do not come back are named, with what it costs and what to do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from network_cases import SMALL_ANCHORS, SMALL_CRS, SMALL_PLACES, Row, notes

from geosite.base.errors import Finding
from geosite.fieldbook.model import Notes
from geosite.network.accuracy.sight import orientation_variances
from geosite.network.adjust import adjust
from geosite.network.model import Network

BACK = ["A", "B", "T1", "T2", "B", "A"]
LINE = ["A", "B", "P1", "P2", "P3"]
"""Stops 10 m apart in a line after B."""
ALONE = [["A", "B", f"Q{i}"] for i in range(8)]
"""Runs of two legs, each to a mark of its own, every one a little farther."""
PLACES = SMALL_PLACES | {f"P{i}": (6.0 + 10 * i, 1.0, 1.1) for i in (1, 2, 3)}
PLACES |= {f"Q{i}": (6.0 + i, 10.0 + i, 1.1) for i in range(8)}


def walked(*runs: list[str], anchor: str = "two exact marks", named: bool = True) -> Notes:
    rng = np.random.default_rng(7)
    rows: list[Row] = []
    for number, stops in enumerate(runs, 1):
        local = np.array([PLACES[s] for s in stops])
        local = local - local[0] + np.cumsum(rng.normal(0, 1e-3, local.shape), axis=0)
        for stop, (x, y, z) in zip(stops, local, strict=True):
            shown = stop if named or not stop.startswith("P") else ""
            rows.append((f"R{number}", shown, float(x), float(y), float(z)))
    marks, more = SMALL_ANCHORS[anchor]
    return notes(rows, marks, crs=SMALL_CRS, **more)


def told(network: Network, code: str) -> list[Finding]:
    return [f for f in network.findings if f.code == code]


def test_a_run_that_does_not_come_back_is_named_with_its_drift() -> None:
    survey = walked(BACK, LINE)
    network = adjust(survey)
    (finding,) = told(network, "run-open")
    assert finding.level == "look"
    assert finding.text.startswith("Run R2 does not come back")
    assert "Visit A or B again before a run ends." in finding.text
    assert finding.line == 12  # its last row
    # three legs of 10 m of this device, and the turn of the run over 30 m, which they do not share
    legs = 3 * (0.005**2 + 0.004**2 * 10)
    turn = float(orientation_variances(network)[1])
    plan = math.sqrt(network.variance_factor * legs + 30**2 * turn) * network.ellipse_factor
    assert f"from B to the end of R2 up to {plan:.2f} m in plan" in finding.text
    up = math.sqrt(network.vertical_variance_factor * legs) * network.vertical_interval_factor
    assert f"and {up:.2f} m in height (95 %)" in finding.text


def test_runs_that_come_back_to_a_mark_seen_twice_are_not_named() -> None:
    assert not told(adjust(walked(BACK, ["A", "B", "P1", "P2", "B"])), "run-open")
    # a mark of another run does as well
    assert not told(adjust(walked(BACK, ["A", "B", "P1", "T1"])), "run-open")


def test_the_way_home_on_which_nothing_was_noted_does_not_count() -> None:
    assert not told(adjust(walked(BACK, LINE, named=False)), "run-open")


def test_the_worst_run_comes_first() -> None:
    (finding,) = told(adjust(walked(BACK, ALONE[0], LINE)), "run-open")
    assert finding.text.startswith("Runs R3 and R2 do not come back")
    assert "to the end of R3" in finding.text


def test_many_runs_are_counted() -> None:
    (finding,) = told(adjust(walked(BACK, *ALONE)), "run-open")
    assert finding.text.startswith("Runs R9, R8, R7, R6, R5 and 3 more do not come back")


def test_where_nothing_checks_the_survey_that_is_said_once() -> None:
    network = adjust(walked(LINE))
    assert not told(network, "run-open")
    assert told(network, "nothing-checks")


@pytest.mark.parametrize(
    ("anchor", "says"),
    [
        ("two exact marks", "A and B alone give it"),
        ("one mark and an azimuth", "the azimuth alone gives it"),
        ("three marks, one seen once", ""),
    ],
)
def test_an_unchecked_direction_is_told(anchor: str, says: str) -> None:
    survey = walked(BACK, ["A", "B", "C", "B"], anchor=anchor)
    found = [f.text for f in told(adjust(survey), "direction-unchecked")]
    assert len(found) == bool(says)
    assert all(says in text and "mirrored axes" in text for text in found)


def test_a_check_point_or_an_azimuth_checks_the_direction() -> None:
    marks, _ = SMALL_ANCHORS["two exact marks"]
    rows = walked(BACK, ["A", "B", "C", "B"]).book
    point = {"easting": 528.0, "northing": 703.0, "sigma": 0.02, "check": True}
    with_point = notes(rows, marks | {"C": point}, crs=SMALL_CRS)
    assert not told(adjust(with_point), "direction-unchecked")
    azimuth = {"value": math.degrees(math.atan2(6, 1)), "sigma": 0.1}
    assert not told(
        adjust(notes(rows, marks, crs=SMALL_CRS, azimuth=azimuth)), "direction-unchecked"
    )
