"""Walking order and device of a survey, before anything is adjusted."""

from __future__ import annotations

import math

import pytest
from network_cases import notes

from geosite.network.walk.device import CLASSES, Device, device_of
from geosite.network.walk.runs import walk_runs

PLACE = {"A": {"easting": 0.0, "northing": 0.0}}
ROWS = [
    ("R1", "A", 0.0, 0.0, 0.0),
    ("R2", "A", 500.0, 0.0, 0.0),
    ("R1", "B", 3.0, 4.0, 0.0),
    ("R2", "C", 500.0, 0.0, 12.0),
]


def test_the_way_to_where_a_run_begins_is_not_walked() -> None:
    walk = walk_runs(notes(ROWS, PLACE).book, CLASSES["unknown"], frozenset("A"))
    assert walk.row.tolist() == [0, 2, 1, 3]
    assert walk.way.tolist() == [0.0, 5.0, 0.0, 12.0]
    assert walk.length.tolist() == [0.0, 5.0, 5.0, 17.0]


@pytest.mark.parametrize(
    ("given", "plan", "up"),
    [
        ({}, None, None),
        ({"walk_per_second": 0.02}, 0.02, 0.02),
        ({"walk_per_second": 0.02, "walk_up_per_second": 0.03}, 0.02, 0.03),
        ({"walk_up_per_second": 0.03}, None, 0.03),
    ],
)
def test_what_is_given_in_plan_goes_for_heights_too(
    given: dict[str, float], plan: float | None, up: float | None
) -> None:
    device = device_of(notes(ROWS, PLACE, device={"class": "good", "pointing": 0.004, **given}))
    assert (device.walk_per_second, device.walk_up_per_second) == (plan, up)
    assert (device.pointing, device.pointing_up) == (0.004, 0.004)
    assert (device.walk, device.walk_up) == (CLASSES["good"].walk, CLASSES["good"].walk_up)
    assert (device.name, device.degrees_of_freedom) == ("calibrated", 4.0)


def test_a_survey_without_noise_shares_out_what_is_left_by_the_way() -> None:
    rows = [("R", name, x, 0.0, 0.0) for name, x in (("A", 0.0), ("B", 100.0), ("C", 500.0))]
    walk = walk_runs(notes(rows, PLACE).book, Device.from_leg_noise(0.0, 0.0), frozenset("A"))
    for variance in (walk.step_variance, walk.step_variance_up):
        assert variance[0] == 0.0
        assert variance[2] == pytest.approx(4 * variance[1])
        assert math.sqrt(variance[2]) < 0.01
