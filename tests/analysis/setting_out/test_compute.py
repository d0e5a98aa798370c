"""Readings of design points in today's frame, and what is said about them."""

from __future__ import annotations

import math
from dataclasses import replace

import network_cases
import numpy as np
import pytest

from geosite.analysis.setting_out.compute import Today, set_out
from geosite.analysis.setting_out.model import SettingOut
from geosite.analysis.setting_out.targets import Target
from geosite.base.errors import SurveyRefused
from geosite.fieldbook.model import Notes
from geosite.network.adjust import adjust
from geosite.network.model import Network

PLACES = {"A": (0.0, 0.0, 0.0), "B": (12.0, 0.0, 0.8), "C": (5.0, 7.0, 0.2), "D": (9.0, -6.0, 0.1)}
CRS = "+proj=tmerc +lat_0=48 +lon_0=11 +k={k} +x_0=0 +y_0=0 +ellps=GRS80 +units=m +type=crs"
FACTOR = 1.0004


def survey(unit: str = "m", noise: float = 0.0) -> tuple[Notes, Network]:
    unit_m = {"m": 1.0, "ft": 0.3048}[unit]
    rng = np.random.default_rng(8)
    rows = network_cases.run_rows("R1", "ABCDAB", PLACES, 25, (1, 2, 3), rng, noise)
    rows = [(r, p, x / unit_m, y / unit_m, z / unit_m) for r, p, x, y, z in rows]
    marks = {
        "A": {"easting": 1000.0, "northing": 1000.0, "elevation": 5.0, "sigma": 0.01},
        "B": {"easting": 1000 + 12 * FACTOR, "northing": 1000.0, "sigma": 0.01},
    }
    notes = network_cases.notes(rows, marks, limit=20, unit=unit, crs=CRS.format(k=FACTOR))
    return notes, adjust(notes)


def target(name: str, east: float, north: float, up: float) -> Target:
    place = (1000 + FACTOR * east, 1000 + FACTOR * north, 5 + up)
    return Target(name, "", "point", np.array(place))


POINTS = [target("P", 3.0, -2.0, 0.5), target("Q", -4.0, 6.0, -0.25)]


def today(stops: str = "AB", unit_m: float = 1.0, mirror: bool = False) -> Today:
    rows = network_cases.run_rows("T", stops, PLACES, -70, (4, 4, 1))
    sign = -1 if mirror else 1
    walk = [(r, p, x / unit_m, sign * y / unit_m, z / unit_m) for r, p, x, y, z in rows]
    return Today(network_cases.book(walk, unit_m), "left-handed" if mirror else "right-handed")


def in_frame(place: tuple[float, float, float], unit_m: float = 1.0, mirror: bool = False) -> list:
    x, y, z = network_cases.turned(np.array([place]), -70, (4, 4, 1))[0] / unit_m
    return [x, -y if mirror else y, z]


def found(how: Today | None, unit: str = "m", **more: object) -> SettingOut:
    notes, network = survey(unit)
    return set_out(notes, network, None, POINTS, how, unit=unit, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("unit", "unit_m"), [("m", 1.0), ("ft", 0.3048)])
@pytest.mark.parametrize("mirror", [False, True])
def test_a_walk_without_error_shows_the_points_where_they_are(
    unit: str, unit_m: float, mirror: bool
) -> None:
    made = found(today("AB", unit_m, mirror), unit)
    assert made.points[0].reading == pytest.approx(in_frame((3, -2, 0.5), unit_m, mirror), abs=2e-4)
    assert made.points[1].reading == pytest.approx(
        in_frame((-4, 6, -0.25), unit_m, mirror), abs=2e-4
    )


def test_map_lengths_become_ground_lengths_and_offset_counts_to_the_right() -> None:
    first, second = found(None).points
    assert (first.along, first.offset, first.rise) == pytest.approx((3, 2, 0.5), abs=1e-4)
    assert (second.along, second.offset, second.rise) == pytest.approx((-4, -6, -0.25), abs=1e-4)
    assert first.reading is None
    assert first.distance == pytest.approx(math.hypot(3, 2), abs=1e-4)
    assert math.degrees(first.angle) == pytest.approx(math.degrees(math.atan2(2, 3)), abs=1e-3)
    assert math.degrees(second.angle) == pytest.approx(
        180 + math.degrees(math.atan2(6, 4)), abs=1e-3
    )


def test_feet_are_told_in_feet() -> None:
    first = found(None, "ft").points[0]
    assert first.offset * 0.3048 == pytest.approx(2, abs=1e-4)
    assert first.distance * 0.3048 == pytest.approx(math.hypot(3, 2), abs=1e-4)


def test_errors_grow_with_the_way_and_a_planned_walk_is_as_sure_as_a_walked_one() -> None:
    first, second = found(today()).points
    assert first.error_95_m < second.error_95_m
    planned = found(None).points[0]
    assert planned.error_95_m == pytest.approx(first.error_95_m, rel=0.25)
    assert 1.95 * first.sigma_h_m < first.error_95_m < 3.2 * first.sigma_h_m
    # the map's own anchor is not in what the device misses, but it is in the place on the map
    assert first.map_sigma_h_m > 0.008


def test_another_visit_to_the_baseline_makes_it_surer() -> None:
    once, again = found(today("AB")).points[0], found(today("ABAB")).points[0]
    assert again.sigma_h_m < once.sigma_h_m


def test_a_known_mark_visited_today_helps_unless_it_is_what_is_set_out() -> None:
    notes, network = survey()
    here = today("ABC")
    at_c = target("C", *PLACES["C"])
    near_c = replace(at_c, name="near C")
    alone = set_out(notes, network, None, [at_c], here).points[0]
    helped = set_out(notes, network, None, [near_c], here).points[0]
    assert helped.error_95_m < alone.error_95_m
    assert alone.reading == pytest.approx(in_frame(PLACES["C"]), abs=2e-4)


def test_verdicts_say_what_would_help() -> None:
    error = found(today()).points[1].error_95_m
    assert [p.verdict for p in found(today(), tolerance=error + 1e-6).points] == ["can", "can"]
    made = found(today(), tolerance=0.001)
    assert [p.verdict for p in made.points] == ["cannot", "cannot"]
    known = [f.text for f in made.findings if f.code == "set-out-cannot"]
    assert len(known) == 2
    assert "use a longer baseline" in known[0]
    assert [p.verdict for p in found(today()).points] == [None, None]
    straight = found(today(), tolerance=error * 0.999).straight_95_m["Q"]
    assert straight < error


def test_the_device_is_tried_at_a_known_mark_first() -> None:
    made = found(today())
    known = made.check_mark
    assert known is not None
    assert known.name in "CD"
    assert known.reading == pytest.approx(in_frame(PLACES[known.name]), abs=2e-4)


def test_the_combined_factor_is_said() -> None:
    (said,) = [f.text for f in found(None).findings if f.code == "ground-grid"]
    assert "divided by the combined factor 1.000399" in said


@pytest.mark.slow
def test_a_walk_that_does_not_fit_the_survey_names_its_own_file() -> None:
    notes, network = survey()
    walk = replace(today("ABCD").walk, file="today.csv")
    moved = walk.local.copy()
    moved[2] += [3.0, 0.0, 0.0]
    moved[3:] += [3.0, 0.0, 0.0]
    with pytest.raises(SurveyRefused) as error:
        # the legs to C and D no longer fit: 3 m too far
        set_out(notes, network, None, POINTS, Today(replace(walk, local=moved * [1, -1, 1])))
    assert all(p.file == "today.csv" for p in error.value.problems)


@pytest.mark.parametrize(("unit", "unit_m"), [("ft", 0.3048), ("ftUS", 1200 / 3937)])
def test_without_a_walk_lengths_are_told_in_the_unit_that_is_named(
    unit: str, unit_m: float
) -> None:
    notes, network = survey("m")
    in_metres, asked = (
        set_out(notes, network, None, POINTS, None, unit=one)  # type: ignore[arg-type]
        for one in ("m", unit)
    )
    assert (in_metres.unit, asked.unit, asked.unit_m) == ("m", "ft", pytest.approx(unit_m))
    assert asked.baseline * unit_m == pytest.approx(in_metres.baseline)
    for own, other in zip(asked.points, in_metres.points, strict=True):
        for name in ("along", "offset", "rise", "distance"):
            assert getattr(own, name) * unit_m == pytest.approx(getattr(other, name))
