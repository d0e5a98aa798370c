"""Lengths, areas and names as the sheets write them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from geosite.analysis.limits import verdict_words
from geosite.base.estimate import Estimate
from geosite.base.rounding import alone, decimals, grouped, places_seen, places_told, written
from geosite.base.units import FOOT_M
from geosite.handover.model import Layer, Package

__all__ = [
    "GRADE_SIGNS",
    "Measures",
    "grade_told",
    "layer_of",
    "section_letter",
    "steepness",
    "told",
    "verdict_told",
]

GRADE_SIGNS = (
    "Along a line a grade is positive where it rises from the first to the second mark of the "
    "stretch, negative where it falls; across it is positive where the ground rises to the left."
)
"""The one convention of plan, legend and tables."""


@dataclass(frozen=True, slots=True)
class Measures:
    """How lengths and areas are written on the sheet.

    Parameters
    ----------
    unit
        ``"m"`` or ``"ft"`` (international foot).
    """

    unit: Literal["m", "ft"]

    @property
    def unit_m(self) -> float:
        """Metres per unit."""
        return 1.0 if self.unit == "m" else FOOT_M

    def number(self, length_m: float) -> str:
        """Return a length without its unit."""
        return f"{length_m / self.unit_m:.2f}"

    def length(self, length_m: float) -> str:
        """Return a length with its unit."""
        return f"{self.number(length_m)} {self.unit}"

    def fine(self, length_m: float | None, digits: int = 3) -> str:
        """Return a length without its unit as surveyors list it, empty where it is not known.

        Examples
        --------
        >>> Measures("ft").fine(0.042), Measures("m").fine(0.042), Measures("m").fine(None)
        ('0.138', '0.042', '')
        >>> Measures("m").fine(0.0003)
        '0.0003'
        """
        if length_m is None or not math.isfinite(length_m):
            return ""
        length = length_m / self.unit_m
        return grouped(length, places_seen(length, digits))

    def with_interval(self, length_m: float, half_width_m: float | None) -> str:
        """Return a length with its unit and half its 95 % interval, no digit more than is known.

        Examples
        --------
        >>> Measures("m").with_interval(0.0812, 0.204), Measures("m").with_interval(0.0812, None)
        ('0.08 +/- 0.20 m', '0.08 m')
        """
        half = None if half_width_m is None else half_width_m / self.unit_m
        return written(length_m / self.unit_m, half, self.unit)

    def known(self, length_m: float, half_width_m: float | None) -> str:
        """Return a length without its unit, to two decimals or as many as its interval bears.

        Examples
        --------
        >>> Measures("m").known(9.144, 0.15), Measures("m").known(9.144, 0.02)
        ('9.14', '9.14')
        >>> Measures("ft").known(9.144, 0.15), Measures("m").known(9.144, None)
        ('30.0', '9.14')
        """
        half = None if half_width_m is None else half_width_m / self.unit_m
        return grouped(length_m / self.unit_m, min(2, decimals(half)))

    def area(self, area_m2: float) -> str:
        """Return an area with its unit."""
        value = area_m2 / self.unit_m**2
        digits = 2 if value < 10 else 1 if value < 10_000 else 0
        return f"{value:,.{digits}f} {self.unit}²".replace(",", "\u202f")

    def area_known(self, area_m2: float, half_m2: float | None) -> str:
        """Return an area with its unit, no digit more than its interval bears.

        Examples
        --------
        >>> Measures("ft").area_known(749.8, 2.0), Measures("m").area_known(749.8, 2.0)
        ('8\u202f071 ft²', '749.8 m²')
        """
        if half_m2 is None or not math.isfinite(half_m2) or half_m2 <= 0:
            return self.area(area_m2)
        square = self.unit_m**2
        # no finer than where nothing is known of it: a label, no calculation
        places = min(2, decimals(half_m2 / square))
        return f"{grouped(area_m2 / square, places)} {self.unit}²"

    def volume_number(
        self, volume_m3: float, low_m3: float | None, high_m3: float | None
    ) -> tuple[float, int]:
        """Return a volume in the reader's unit and its decimals, no more than its interval bears.

        Examples
        --------
        >>> Measures("m").volume_number(0.3512, 0.0, 3.1), Measures("m").volume_number(2.0, None, 9)
        ((0.4, 1), (2.0, 2))
        """
        cube = self.unit_m**3
        places = 2
        if low_m3 is not None and high_m3 is not None:
            places = places_told(low_m3 / cube, high_m3 / cube, places)
        return round(volume_m3 / cube, places), places

    def volume(self, volume_m3: float, low_m3: float | None, high_m3: float | None) -> str:
        """Return a volume with its unit, no digit more than its interval bears."""
        number, places = self.volume_number(volume_m3, low_m3, high_m3)
        return f"{number:.{places}f} {self.unit}³"


def told(
    value: Estimate, per: float = 1.0, sign: bool = False, most: int = 3
) -> tuple[str, str, str]:
    """Return a number and the ends of its interval, no digit more than is known.

    Parameters
    ----------
    value
    per
        Of the number's own unit in the unit that is written.
    sign
        A plus before what is not negative.
    most
        Decimals that are never passed.

    Examples
    --------
    >>> told(Estimate.normal(12.3456, 0.05, 2.0)), told(Estimate(0.35, 0.0, 3.1))
    (('12.35', '12.25', '12.45'), ('0.3', '0.0', '3.1'))
    """
    places = min(most, decimals(value.half_width / per))

    def one(number: float) -> str:
        if not math.isfinite(number):
            return "?"
        text = grouped(number / per, places).replace("-", "\N{MINUS SIGN}")
        return f"+{text}" if sign and round(number / per, places) > 0 else text

    return one(value.value), one(value.low), one(value.high)


def steepness(percent: float) -> str:
    """Return a slope beside an arrow, percent: a tenth of it only where it is gentle.

    An arrow has no interval of its own, and the tenth of a steep bank is never known.

    Examples
    --------
    >>> steepness(1.84), steepness(9.94), steepness(9.96), steepness(142.1)
    ('1.8', '9.9', '10', '142')
    """
    return f"{percent:.1f}" if round(percent, 1) < 10 else f"{percent:.0f}"


def section_letter(number: int) -> str:
    """Return the letter of the section with this number, counted from 0: A, B, ..., Z, AA.

    Examples
    --------
    >>> [section_letter(n) for n in (0, 25, 26, 701, 702)]
    ['A', 'Z', 'AA', 'ZZ', 'AAA']
    """
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def layer_of(package: Package, name: str) -> Layer | None:
    """Return a layer, None where it is missing or empty.

    Parameters
    ----------
    package
        What leaves.
    name
        Of the layer.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> empty = Layer("areas", "Areas", "", "PolygonZ", (), [], [])
    >>> layer_of(Package("Yard", "2026-05-01", Frame(), (empty,)), "areas") is None
    True
    """
    found = next((layer for layer in package.layers if layer.name == name), None)
    return found if found is not None and len(found.records) else None


def verdict_told(record: Mapping[str, Any]) -> str:
    """Return the verdict on a grade; that of a built-in limit says so, for it is no local law.

    Parameters
    ----------
    record
        Of the layer ``grades``.

    Examples
    --------
    >>> verdict_told({"verdict": "beyond", "limit_from": "default"})
    'beyond the default'
    >>> verdict_told({"verdict": "undecided", "limit_from": "default"})
    'undecided'
    """
    return verdict_words(str(record.get("verdict") or ""), record.get("limit_from") == "default")


def grade_told(record: Mapping[str, Any], measures: Measures) -> str:
    """Return a grade, or a width, as it was measured, with its sign and half its 95 % interval.

    Parameters
    ----------
    record
        Of the layer ``grades``, with a value.
    measures
        Unit of widths.

    Examples
    --------
    >>> fall = {"value": -2.04, "value_95": 0.71, "unit": "percent"}
    >>> grade_told(fall, Measures("m"))
    '-2.0 +/- 0.7 %'
    """
    value, half = float(record["value"]), record.get("value_95")
    if record.get("unit") != "percent":
        return measures.with_interval(value, half)
    return f"{alone(value, 'percent')} %" if half is None else written(value, half, "%")
