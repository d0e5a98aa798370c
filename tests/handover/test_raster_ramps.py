"""Colours of rasters: over which values they run, and what their titles say."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest

from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.handover.model import Raster
from geosite.handover.palette import ALERT, DIRECTION_RAMP
from geosite.handover.styles.model import Stop
from geosite.handover.styles.rasters import ramp_of, steps_of
from geosite.processes.derive_drainage import derived
from geosite.reading.rasters import ElevationRaster


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


def raster(name: str, values: object, unit: str = "m") -> Raster:
    z = np.atleast_2d(np.asarray(values, np.float32))
    return Raster(name, name, "", z, Grid(0.0, 1.0, 1.0, *z.shape), unit)


def coded(kind: Literal["power-of-two", "clockwise"]) -> Raster:
    """Return directions as a process writes them, of ground where 1, 2, 4 and 8 alone are met."""
    ground = ElevationRaster(np.ones((2, 2), np.float32), Grid(0.0, 2.0, 1.0, 2, 2), Frame())
    direction, _, _ = derived(ground, "d8", codes=kind)
    return replace(direction, values=np.array([[1.0, 2.0], [4.0, 8.0]]))


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
    found = stops("slope", HUNDRED_AND_ONE, "percent")
    assert (found[0].title, found[-1].title) == ("2 percent or less", "98 percent or more")
    assert stops("elevation", HUNDRED_AND_ONE, is_elevation=True)[-1].title == "100 m"
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


def test_codes_of_directions_are_no_azimuths() -> None:
    """East, 1, was told as north, and north, 64, as east."""
    found = ramp_of(coded("power-of-two")).stops
    assert [(s.value, s.title) for s in found] == [
        *((0.0, "no way out"), (1.0, "1 (east)"), (2.0, "2 (south-east)"), (4.0, "4 (south)")),
        *((8.0, "8 (south-west)"), (16.0, "16 (west)"), (32.0, "32 (north-west)")),
        *((64.0, "64 (north)"), (128.0, "128 (north-east)")),
    ]


@pytest.mark.parametrize(
    ("kind", "wind"), [("power-of-two", "south-east"), ("clockwise", "north-east")]
)
def test_a_code_has_the_colour_of_its_wind_whatever_other_codes_there_are(
    kind: Literal["power-of-two", "clockwise"], wind: str
) -> None:
    """Where a yard drains by 1, 2, 4 and 8 alone one kind of code was taken for the other."""
    colour = {stop.title: stop.colour for stop in steps_of(raster("aspect", [[0.0]], "deg"))}
    found = {stop.title: stop.colour for stop in ramp_of(coded(kind)).stops}
    assert found.pop("no way out") == ALERT
    assert found == {title: colour[title.split("(")[1].rstrip(")")] for title in found}
    assert found[f"2 ({wind})"] == colour[wind]
    assert len(set(found.values())) == 8


@pytest.mark.parametrize("name", ["slope", "elevation", "aspect", "ponding_depth", "drains_to_a"])
def test_no_swatch_of_a_map_server_stands_without_words(name: str) -> None:
    """Its legend draws the value that closes the ramp as one more colour."""
    assert all(stop.title for stop in steps(name, HUNDRED_AND_ONE))


def test_in_steps_codes_are_codes() -> None:
    found = steps_of(coded("clockwise"))
    assert [s.value for s in found] == [k - 0.5 for k in range(10)]
    assert [s.title for s in found] == [
        *("no way out", "1 (north)", "2 (north-east)", "3 (east)", "4 (south-east)", "5 (south)"),
        *("6 (south-west)", "7 (west)", "8 (north-west)", "end of the colours"),
    ]


def test_less_water_than_a_micrometre_paints_no_dry_ground() -> None:
    found = stops("ponding_depth", [[0.0, 4e-7]])
    assert (found[0].value, found[0].opacity, found[1].value > 4e-7) == (0.0, 0.0, True)
    steps = [stop.value for stop in steps_of(raster("ponding_depth", [[0.0, 4e-7]]))]
    assert steps == sorted(steps)
    assert steps[0] > 4e-7


def test_no_title_says_a_negative_nothing() -> None:
    for most in np.linspace(0.01, 2.0, 200):
        titles = [stop.title for stop in stops("difference", [[-most, most]])]
        assert not [
            title for title in titles if title.startswith("-0") and not float(title.split()[0])
        ]


def test_titles_have_the_digits_that_tell_neighbours_apart_in_the_unit_that_is_spoken() -> None:
    fine = stops("elevation_sigma", np.linspace(0.01, 0.02, 101))
    assert len({s.title for s in fine}) == len(fine)
    assert all(" m" in s.title for s in fine)
    feet = stops("ponding_depth", [[0.0, 0.3048]], words="ft")
    assert feet[-1].title.split() == ["1.00", "ft"]
    assert feet[-1].value == pytest.approx(0.3048)
    # an elevation stays in the unit of its vertical CRS
    assert stops("elevation", [[0.0, 5.0]], is_elevation=True, words="ft")[-1].title == "5.0 m"


def test_shares_run_from_nothing_to_all() -> None:
    share = stops("drains_to_inlet_1", [[0.0, 0.1, 0.4]], "1")
    assert [s.title for s in share] == ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    assert ends(stops("ponding_probability", [[0.0, 0.0]], "1")) == (0.0, 1.0)


def test_a_site_without_any_water_is_clear() -> None:
    first, second, *_ = stops("ponding_depth", [[0.0, 0.0], [np.nan, 0.0]])
    assert (first.value, first.opacity) == (0.0, 0.0)
    assert second.value > 0.0


def steps(name: str, values: object, unit: str = "m") -> tuple[Stop, ...]:
    z = np.atleast_2d(np.asarray(values, np.float32))
    return steps_of(Raster(name, name, "", z, Grid(0.0, 1.0, 1.0, *z.shape), unit))


def colour_at(found: tuple[Stop, ...], value: float) -> str | None:
    """What a reader draws that blends nothing: the colour of the last stop below."""
    below = [stop.colour for stop in found if stop.value < value]
    return below[-1] if below and value < found[-1].value else None


def test_in_steps_every_value_has_a_colour() -> None:
    found = steps("slope", HUNDRED_AND_ONE, "percent")
    ramp = [stop.colour for stop in stops("slope", HUNDRED_AND_ONE, "percent")]
    assert [colour_at(found, x) for x in (0.0, 2.0, 51.0, 98.0, 100.0)] == [
        *(ramp[0], ramp[0], ramp[3], ramp[-1], ramp[-1])
    ]
    assert [stop.title for stop in found] == [
        *("less than 12 percent", "12 to 31 percent", "31 to 50 percent", "50 to 69 percent"),
        *("69 to 88 percent", "88 percent or more", "to 100 percent"),
    ]
    assert colour_at(steps("drains_to_inlet_1", [[0.0, 0.1]], "1"), 1.0) is not None


def test_in_steps_dry_ground_is_clear_and_any_water_is_not() -> None:
    found = steps("ponding_depth", [[0.0, 0.4]])
    assert colour_at(found, 0.0) is None
    assert colour_at(found, 0.001) == stops("ponding_depth", [[0.0, 0.4]])[1].colour
    assert colour_at(found, 0.4) == stops("ponding_depth", [[0.0, 0.4]])[-1].colour


def test_in_steps_each_wind_has_a_colour() -> None:
    found = steps("drainage_direction", [[-1.0, 10.0]], "degree")
    seen = [colour_at(found, float(azimuth)) for azimuth in range(0, 361, 45)]
    assert [seen[k] for k in (0, 2, 4, 6)] == list(DIRECTION_RAMP)
    assert seen[8] == seen[0]
    assert len(set(seen)) == 8
    assert colour_at(found, -1.0) == ALERT
    assert {stop.title for stop in found} >= {"no way out", "north", "south-west"}
