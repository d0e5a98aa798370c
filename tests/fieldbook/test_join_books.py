"""Two field books as one, and the runs of one day."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import network_cases
import numpy as np
import pytest

from geosite.base.errors import InputError
from geosite.fieldbook.days import days, of_day, only_runs
from geosite.fieldbook.join_books import joined
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Run, Site

FIRST = [("R1", "A", 0, 0, 0), ("R1", "B", 5, 0, 0), ("R2", "A", 1, 1, 1), ("R2", "C", 2, 2, 2)]
SECOND = [("R1", "B", 9, 9, 9), ("R1", "", 8, 8, 8), ("R3", "D", 7, 7, 7)]
MARKS = {"A": {"easting": 0.0, "northing": 0.0}, "B": {"easting": 5.0, "northing": 0.0}}


def test_marks_of_one_name_are_one_and_runs_of_one_name_are_two() -> None:
    both = joined(network_cases.book(FIRST), network_cases.book(SECOND), " (today)")
    assert both.runs == ("R1", "R2", "R1 (today)", "R3")
    assert both.marks == ("A", "B", "C", "D")
    assert both.mark.tolist() == [0, 1, 0, 2, 1, -1, 3]
    assert both.run.tolist() == [0, 0, 1, 1, 2, 2, 3]
    assert len(both.notes) == len(both.line) == len(both) == 7
    assert both.time is None


def test_times_are_joined_and_missing_ones_stay_missing() -> None:
    one, other = network_cases.book(FIRST), network_cases.book(SECOND)
    timed = replace(one, time=np.arange(4.0))
    both = joined(timed, other, "").time
    assert both is not None
    assert both[:4].tolist() == [0, 1, 2, 3]
    assert np.isnan(both[4:]).all()
    assert only_runs(timed, ["R2"]).time.tolist() == [2, 3]


def survey() -> Notes:
    notes = network_cases.notes(FIRST, MARKS)
    site = msgspec.structs.replace(
        notes.site, site=Site(date="2026-04-12"), runs={"R2": Run(date="2026-05-11")}
    )
    return replace(notes, site=site)


def test_a_run_has_its_own_day_or_that_of_the_site() -> None:
    assert days(survey()) == {"R1": "2026-04-12", "R2": "2026-05-11"}
    later = of_day(survey(), "2026-05-11")
    assert later.book.runs == ("R2",)
    assert later.book.marks == ("A", "C")
    assert later.book.mark.tolist() == [0, 1]
    assert later.site.site.date == "2026-05-11"
    with pytest.raises(InputError, match="one of the days 2026-04-12, 2026-05-11"):
        of_day(survey(), "2026-05-12")
