"""Units of length: their sizes, and lengths as people write them (``4 in``, ``0.1 m``)."""

from __future__ import annotations

import re
import unicodedata
from typing import Literal

__all__ = [
    "BETWEEN_FEET",
    "CUBIC_YARD_M3",
    "FOOT_M",
    "IN_FEET",
    "LENGTH_UNITS",
    "SQUARE_FOOT_M2",
    "UNIT_M",
    "US_SURVEY_FOOT_M",
    "YARD_M",
    "length_m",
    "may_be_one_unit",
    "plain_marks",
    "plural",
    "unit_named",
]

FOOT_M = 0.3048
"""International foot, exact (NIST Special Publication 811, appendix B.8)."""
YARD_M = 3 * FOOT_M
SQUARE_FOOT_M2 = FOOT_M**2
CUBIC_YARD_M3 = YARD_M**3
IN_FEET = {"m": ("ft", FOOT_M), "m2": ("ft2", SQUARE_FOOT_M2), "m3": ("yd3", CUBIC_YARD_M3)}
"""By unit of a quantity: what a reader in feet has instead, and its size in that unit."""
US_SURVEY_FOOT_M = 1200 / 3937
"""US survey foot, exact (Federal Register 24 FR 5348, 1959)."""
BETWEEN_FEET = 3e-6
"""Share of a length within which it may be in either foot: they differ by two millionths."""

UNIT_M: dict[Literal["m", "ft", "ftUS"], float] = {
    "m": 1.0,
    "ft": FOOT_M,
    "ftUS": US_SURVEY_FOOT_M,
}
"""Units of a field book, metres each."""

LENGTH_UNITS = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "km": 1000.0,
    "in": FOOT_M / 12,
    "ft": FOOT_M,
    "ftUS": US_SURVEY_FOOT_M,
    "yd": YARD_M,
}
"""Units in which a length may be written, metres each."""

_WORDS = {
    **{unit: unit for unit in LENGTH_UNITS},
    **dict.fromkeys(("metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("centimetre", "centimetres", "centimeter", "centimeters"), "cm"),
    **dict.fromkeys(("inch", "inches", '"', "\u2033"), "in"),
    **dict.fromkeys(("foot", "feet", "'", "\u2032"), "ft"),
    **dict.fromkeys(("internationalfoot", "internationalfeet"), "ft"),
    **dict.fromkeys(("usft", "us-ft", "ussurveyfoot", "ussurveyfeet", "ftus"), "ftUS"),
    **dict.fromkeys(("usfoot", "usfeet", "surveyfoot", "surveyfeet"), "ftUS"),
    **dict.fromkeys(("yard", "yards"), "yd"),
}
_LENGTH = re.compile(
    r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*([A-Za-z' \"\u2032\u2033-]+?)", re.ASCII | re.IGNORECASE
)
_FEET_AND_INCHES = re.compile(
    r"([+-]?)(?:(\d+)\s*(?:ft|feet|foot|['\u2032])[\s-]*)?"
    r"(?:(?:(\d+)[\s-]+)?(\d+)/([1-9]\d*)|(\d+(?:\.\d+)?))\s*(?:in|inch|inches|[\"\u2033])",
    re.ASCII | re.IGNORECASE,
)
"""Sign, feet, and inches: whole and a fraction, or a decimal number."""
_PLAIN_MARKS = str.maketrans(
    {
        **dict.fromkeys("\u2018\u2019\u02b9\u02bc\u00b4\u2032", "'"),
        **dict.fromkeys("\u201c\u201d\u201e\u02ba\u2033", '"'),
        "\u2044": "/",
    }
)
_FRACTION = re.compile(r"(?<=\d)\s*([\u00bc-\u00be\u2150-\u215e])")
_SHORT = re.compile(r"\b(ft|in|yd|m|cm|mm)\.(?=\s|$)", re.IGNORECASE)


def may_be_one_unit(size_m: float, other_m: float) -> bool:
    """Tell whether two units of these sizes may be the same: who says feet seldom says which.

    Examples
    --------
    >>> may_be_one_unit(FOOT_M, US_SURVEY_FOOT_M), may_be_one_unit(FOOT_M, 1.0)
    (True, False)
    """
    return abs(size_m / other_m - 1) <= BETWEEN_FEET


def length_m(text: str) -> float | None:
    """Return a length with its unit in metres, ``None`` where it is not understood.

    Parameters
    ----------
    text
        A number and a unit: mm, cm, m, km, in, ft, ftUS, yd, or feet and inches, whose last inch
        may be a fraction.

    Returns
    -------
    float or None
        Metres.

    Examples
    --------
    >>> length_m("4 in")
    0.1016
    >>> length_m("5 ft 6 in"), length_m("5 ft 6 1/2 in")
    (1.6764, 1.6891)
    >>> length_m("4") is None
    True
    """
    text = plain_marks(text)
    if both := _FEET_AND_INCHES.fullmatch(text):
        sign, feet, whole, over, under, decimal = both.groups()
        inches = float(decimal or whole or 0) + float(over or 0) / float(under or 1)
        length = round((float(feet or 0) + inches / 12) * FOOT_M, 12)
        return -length if sign == "-" else length
    match = _LENGTH.fullmatch(text)
    if match is None:
        return None
    unit = unit_named(match[2])
    return None if unit is None else round(float(match[1]) * LENGTH_UNITS[unit], 12)


def plain_marks(text: str) -> str:
    r"""Return a length with typewriter marks of feet and inches, and fractions of three characters.

    Examples
    --------
    >>> plain_marks("12\u2019 3\u00bd\u201d"), plain_marks("5 ft. 6 in."), plain_marks("5' 6''")
    ('12\' 3 1/2"', '5 ft 6 in', '5\' 6"')
    """
    text = text.strip()
    if not text.isascii():
        text = _FRACTION.sub(lambda found: " " + unicodedata.normalize("NFKC", found[1]), text)
        text = text.translate(_PLAIN_MARKS)
    if "." in text:
        text = _SHORT.sub(r"\1", text)
    return text.replace("''", '"')


def unit_named(word: str) -> str | None:
    """Return the unit of length that a word means, ``None`` for none.

    Examples
    --------
    >>> unit_named("Feet"), unit_named("us-ft"), unit_named("degrees")
    ('ft', 'ftUS', None)
    """
    plain = "".join(word.split())
    return _WORDS.get(plain) or _WORDS.get(plain.casefold())


def plural(unit: str) -> str:
    """Return the plural of a unit.

    Examples
    --------
    >>> plural("metre"), plural("US survey foot")
    ('metres', 'US survey feet')
    """
    return unit.replace("foot", "feet") if "foot" in unit else f"{unit}s"
