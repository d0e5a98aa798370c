"""Today's baseline against the known one."""

from __future__ import annotations

from dataclasses import replace

import network_cases
import numpy as np
import pytest

from geosite.analysis.setting_out.baseline import BaselineCheck, check_baseline
from geosite.base.errors import SurveyRefused
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.adjust import adjust
from geosite.network.model import Network

PLACES = {"A": (0.0, 0.0, 0.0), "B": (12.0, 0.0, 0.8), "C": (5.0, 7.0, 0.2)}


def survey(places: dict = PLACES) -> Notes:
    rng = np.random.default_rng(3)
    rows = network_cases.run_rows("R1", "ABCAB", places, 25, (1, 2, 3), rng, 0.003)
    marks = {
        "A": {"easting": 1000.0, "northing": 1000.0, "elevation": 5.0, "sigma": 0.01},
        "B": {"easting": 1000.0 + places["B"][0], "northing": 1000.0, "sigma": 0.01},
    }
    return network_cases.notes(rows, marks, limit=20)


def today(stops: str, scale: float = 1.0, places: dict = PLACES) -> FieldBook:
    rows = network_cases.run_rows("T", stops, places, -70, (4, 4, 1))
    return network_cases.book([(r, p, x * scale, y * scale, z * scale) for r, p, x, y, z in rows])


def checked(walk: FieldBook, places: dict = PLACES) -> BaselineCheck:
    notes = survey(places)
    return check_baseline(notes, adjust(notes), walk)


def refused(walk: FieldBook) -> str:
    with pytest.raises(SurveyRefused) as error:
        checked(walk)
    assert len(error.value.problems) == 1
    assert error.value.problems[0].file == "field_book.csv"
    return str(error.value)


def test_a_baseline_that_fits_is_told_with_its_sigma() -> None:
    found = checked(today("AB"))
    assert found.length_m == pytest.approx(12)
    assert found.known_m == pytest.approx(12, abs=0.02)
    assert 0.01 < found.sigma_m < 0.05
    assert found.swap_seen
    assert found.visits == (1, 1)
    assert abs(found.ppm) < 2000


def test_an_exchange_that_noise_could_hide_is_not_said_to_be_seen() -> None:
    steep = checked(today("AB"))
    for sigmas, seen in ((0.0, False), (1.5, False), (4.5, True)):
        rise = (steep.rise_limit_m + sigmas * steep.rise_sigma_m) / 2 + 0.002
        places = {**PLACES, "B": (12.0, 0.0, rise)}
        found = checked(today("AB", places=places), places)
        assert found.rise_limit_m == pytest.approx(steep.rise_limit_m, rel=0.15)
        assert found.swap_seen == seen, sigmas


def test_of_several_visits_the_mean_counts_and_of_several_runs_the_last() -> None:
    first = today("AB", places={**PLACES, "B": (11.0, 0.0, 0.8)})
    rows = [("S", "A", *first.local[0]), ("S", "B", *first.local[1])]
    rows += [("T", "AB"[i % 2], *xyz) for i, xyz in enumerate(today("ABAB").local)]
    found = checked(network_cases.book(rows))
    assert (found.run, found.visits) == ("T", (2, 2))
    assert found.length_m == pytest.approx(12)


def test_feet_and_metres_are_told_by_name() -> None:
    assert "0.3048 of its length" in refused(today("AB", 0.3048))
    assert "looks like metres read as feet: if so, give --unit m" in refused(today("AB", 0.3048))
    assert "looks like feet read as metres: if so, give --unit ft" in refused(
        today("AB", 1 / 0.3048)
    )


def test_a_wrong_mark_is_refused_without_a_guess() -> None:
    said = refused(today("AB", places={**PLACES, "B": (11.0, 2.0, 0.8)}))
    assert "11.180 m long, 0.9318 of its length" in said
    assert "walk them again" in said


def test_exchanged_names_show_in_the_heights() -> None:
    said = refused(today("AB", places={"A": PLACES["B"], "B": PLACES["A"]}))
    assert "as if the two names were exchanged" in said


def exchanged(walk: FieldBook, rows: list[int]) -> FieldBook:
    mark = walk.mark.copy()
    mark[rows] = [walk.marks.index("BA"["AB".index(walk.marks[mark[row]])]) for row in rows]
    return replace(walk, mark=mark)


@pytest.mark.parametrize("length", [4.0, 12.0, 34.0])
@pytest.mark.parametrize("sigmas", [1.0, 2.0, 4.0])
def test_an_exchange_that_is_refused_is_named_however_little_it_misfits(
    length: float, sigmas: float
) -> None:
    long = {**PLACES, "B": (length, 0.0, 1.0)}
    known = checked(today("AB", places=long), long)
    # twice the rise is that much beyond the limit: exchanged names misfit by 0.1 m and less
    rise = (known.rise_limit_m + sigmas * known.rise_sigma_m) / 2
    places = {**PLACES, "B": (length, 0.0, rise)}
    notes = survey(places)
    network = adjust(notes)
    rng = np.random.default_rng(4)
    for _ in range(20):
        walk = exchanged(today("AB", places=places), [0, 1])
        walk.local[1, 2] += rng.normal(0, known.rise_sigma_m / 3)
        said = outcome(notes, network, walk)
        assert "as if the two names were exchanged" in said or said == "not seen, and told"


def outcome(notes: Notes, network: Network, walk: FieldBook) -> str:
    try:
        check = check_baseline(notes, network, walk)
    except SurveyRefused as error:
        return str(error)
    return "seen" if check.swap_seen else "not seen, and told"


@pytest.mark.parametrize("stops", ["ABAB", "ABCAB", "ABCBA", "ABABAB"])
def test_an_exchange_in_one_pass_is_named_with_its_lines(stops: str) -> None:
    walk = today(stops)
    rows = [row for row, stop in enumerate(stops) if stop in "AB"][-2:]
    first, last = (int(line) for line in walk.line[rows])
    said = refused(exchanged(walk, rows))
    assert f"A and B are exchanged on lines {first} and {last}, or on lines 2 and 3" in said
    assert "places 12.00 m apart" in said
    # in the first pass: then the others look odd, and both are told
    assert "or on lines 2 and 3" in refused(exchanged(walk, [0, 1]))


def test_a_rise_that_fits_neither_way_is_refused() -> None:
    assert "check both marks" in refused(today("AB", places={**PLACES, "B": (12.0, 0.0, 0.2)}))


def test_a_walk_that_misses_a_mark_is_refused() -> None:
    assert "does not visit B" in refused(today("AC"))
    assert "does not visit A nor B" in refused(today("CC", places={"C": (5, 7, 0.2)}))


def test_both_marks_on_one_place_are_refused() -> None:
    assert "note each mark under its own name" in refused(
        today("AB", places={**PLACES, "B": (0, 0, 0)})
    )
