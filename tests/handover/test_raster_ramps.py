"""Colours of rasters: over which values they run, and what their titles say."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest

from geosite.base.grid import Grid
from geosite.handover.model import Raster
from geosite.handover.palette import ALERT, DIRECTION_RAMP
from geosite.handover.styles.model import Stop
from geosite.handover.styles.rasters import ramp_of


def stops(
    name: str,
    values: object,
    unit: str = "m",
    is_elevation: bool = False,
    words: Literal["m", "ft"] = "m",
) -> tuple[Stop, ...]:
    z = np.atleast_2d(np.asarray(values, np.float32))
    grid = Grid(0.0, 1.0, 1.0, *z.shape)
    return ramp_of(Raster(name, name, "", z, grid, unit, is_elevation), words).stops


def ends(found: tuple[Stop, ...]) -> tuple[float, float]:
    return found[0].value, found[-1].value


HUNDRED_AND_ONE = np.arange(101.0)


def test_outliers_are_left_out_but_of_elevations_and_water() -> None:
    assert ends(stops("slope", HUNDRED_AND_ONE, "percent")) == pytest.approx((2.0, 98.0))
    assert ends(stops("elevation", HUNDRED_AND_ONE, is_elevation=True)) == (0.0, 100.0)
    assert ends(stops("ponding_depth", HUNDRED_AND_ONE)) == (0.0, 100.0)
    # where nearly all is one value the outliers are all there is to see
    lone = np.append(np.full(99, 5.0), 7.0)
    assert ends(stops("slope", lone, "percent")) == (5.0, 7.0)
    assert ends(stops("slope", np.full(9, 5.0), "percent")) == (4.5, 5.5)
    assert ends(stops("slope", [np.nan, np.nan], "percent")) == (0.0, 1.0)


def test_a_fall_of_the_ground_is_as_strong_as_a_rise() -> None:
    low, high = ends(stops("difference", np.linspace(-0.3, 0.1, 101)))
    assert (low, high) == pytest.approx((-0.292, 0.292))
    low, high = ends(stops("difference", np.linspace(-0.1, 0.3, 101)))
    assert (low, high) == pytest.approx((-0.292, 0.292))


def test_contributing_areas_run_by_ratios() -> None:
    found = [stop.value for stop in stops("contributing_area", np.geomspace(1, 1e4, 101), "m2")]
    ratios = np.array(found[1:]) / found[:-1]
    assert ratios == pytest.approx(np.full(len(ratios), ratios[0]))
    even = [stop.value for stop in stops("contributing_area", HUNDRED_AND_ONE - 50, "m2")]
    assert np.diff(even) == pytest.approx(np.full(len(even) - 1, even[1] - even[0]))


def test_dry_ground_is_clear_and_only_there() -> None:
    assert [s.opacity for s in stops("ponding_depth", HUNDRED_AND_ONE)][:2] == [0.0, 1.0]
    assert {s.opacity for s in stops("slope", HUNDRED_AND_ONE)} == {1.0}


def test_azimuths_go_round_and_no_way_out_stands_apart() -> None:
    found = stops("aspect", [[0.0, 359.0]], "degree")
    assert [(s.value, s.title) for s in found] == [
        *((0.0, "north"), (90.0, "east"), (180.0, "south"), (270.0, "west"), (360.0, "north")),
    ]
    assert [s.colour for s in found] == [*DIRECTION_RAMP, DIRECTION_RAMP[0]]
    for name, word in (("aspect", "level"), ("drainage_direction", "no way out")):
        first, second, third, *_ = stops(name, [[-1.0, 10.0]], "degree")
        assert (first.value, first.colour, first.title) == (-1.0, ALERT, word)
        assert -1.0 < second.value < 0.0
        assert (second.colour, third.value) == (ALERT, 0.0)


def test_titles_have_the_digits_that_tell_neighbours_apart_in_the_unit_that_is_spoken() -> None:
    fine = stops("elevation_sigma", np.linspace(0.01, 0.02, 101))
    assert len({s.title for s in fine}) == len(fine)
    assert all(s.title.endswith(" m") for s in fine)
    feet = stops("ponding_depth", [[0.0, 0.3048]], words="ft")
    assert feet[-1].title.split() == ["1.000", "ft"]
    assert feet[-1].value == pytest.approx(0.3048)
    # an elevation stays in the unit of its vertical CRS
    assert stops("elevation", [[0.0, 5.0]], is_elevation=True, words="ft")[-1].title == "5.00 m"
    share = stops("drains_to_inlet_1", HUNDRED_AND_ONE / 100, "1")
    assert [s.title for s in share][:2] == ["0.020", "0.212"]
