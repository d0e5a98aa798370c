"""Lengths as people write them."""

import doctest

import pytest

from geosite.base import units
from geosite.base.units import IN_FEET, UNIT_M, YARD_M, length_m, may_be_one_unit, plural


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("4 in", 0.1016),
        ('4"', 0.1016),
        ("0.33 ft", 0.100584),
        ("0.33ft", 0.100584),
        ("5' 6\"", 1.6764),
        ("-2 ft 6 in", -0.762),
        ("40'-3 1/2\"", 12.2809),
        ("-40' - 3-1/2\"", -12.2809),
        ("+0'-0\"", 0.0),
        ("1/2 in", 0.0127),
        ("6.5\u2033", 0.1651),
        ("1 ftUS", 0.304800609601),
        ("1 us-ft", 0.304800609601),
        ("100 mm", 0.1),
        ("0.1 m", 0.1),
        (".5 yd", 0.4572),
    ],
)
def test_lengths_with_a_unit(text: str, metres: float) -> None:
    assert length_m(text) == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["4", "in", "4 stone", "4,5 m", "", "4 m 3", "1e3 m", "nan m", "1/0 in", "3 1/2", "5'-"]
)
def test_what_is_no_length(text: str) -> None:
    assert length_m(text) is None


def test_examples() -> None:
    assert doctest.testmod(units).failed == 0


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("7 mm", 0.007), ("7 cm", 0.07), ("7 km", 7000.0), ("7 yards", 6.4008), ("7 foot", 2.1336),
        ("7 Metres", 7.0), ("7 millimeters", 0.007), ("7 centimetres", 0.07), ("7 inches", 0.1778),
        ("7 us survey feet", 7 * 1200 / 3937), ("-.5 ft", -0.1524), ("+7. m", 7.0),
        ("7 ft 6in", 2.286), ("7 FT 6 IN", 2.286),
        ("-7' 6\"", -2.286), ("0 feet 1.5 inches", 0.0381),
    ],
)  # fmt: skip
def test_every_unit_has_its_length(text: str, metres: float) -> None:
    assert length_m(f" {text} ") == pytest.approx(metres, abs=1e-12)


def test_the_two_feet_may_be_one_unit_and_nothing_else() -> None:
    assert may_be_one_unit(0.3048, 1200 / 3937)
    assert may_be_one_unit(1200 / 3937, 0.3048)
    assert may_be_one_unit(1.0, 1.0000029)
    assert not may_be_one_unit(1.0000031, 1.0)
    assert not may_be_one_unit(1.0, 1.0000031)
    assert not may_be_one_unit(1.0, 0.3048)


def test_a_field_book_has_three_units() -> None:
    assert UNIT_M == {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}
    assert [plural(unit) for unit in ("metre", "foot", "US survey foot")] == [
        "metres", "feet", "US survey feet",
    ]  # fmt: skip


def test_quantities_in_feet_have_the_sizes_of_the_published_tables() -> None:
    # NIST Special Publication 811, appendix B.8
    sizes = dict(IN_FEET.values())
    assert sizes == pytest.approx({"ft": 0.3048, "ft2": 0.09290304, "yd3": 0.764554857984})
    assert pytest.approx(0.9144) == YARD_M
