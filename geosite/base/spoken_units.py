"""Sentences in the reader's unit: every metric measure in them said in feet.

Findings and refusals are worded in metres, by many rooms. Where the reader works in feet, they are
turned here, in one place, so that no sentence can be forgotten. Names that somebody gave and that
read like a measure (a run "12 m strip") must be handed in: they are left as they are, even where
the same words are a measure of ours.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import fields, is_dataclass
from functools import partial
from typing import Any

import msgspec

from geosite.base.exact_numbers import Told
from geosite.base.rounding import places_seen
from geosite.base.units import CUBIC_YARD_M3, FOOT_M, SQUARE_FOOT_M2

__all__ = ["in_feet", "like_measures", "spoken"]

_NUMBER = r"[+-]?\d+(?:\.\d+)?"
_BETWEEN = r" (?:to|of|x|\+/-|±|plus|or) |-|/"
# a number, or several with words between, before one unit; not inside a name or a longer number
_MEASURE = re.compile(
    rf"(?<![\w.\"'/])((?:{_NUMBER}(?:{_BETWEEN}))*{_NUMBER})[ \u00a0]"
    r"(mm|cm|km|m2|m²|m3|m³|m)(?![\w/²³])"
    # the ends of an interval after its value: 4 m (0 to 10)
    rf"( \({_NUMBER} to {_NUMBER}\))?"
)
_ONE = re.compile(_NUMBER)

_FEET: dict[str, tuple[float, str, int]] = {
    "mm": (0.001 / FOOT_M * 12, "in", 1),
    "cm": (0.01 / FOOT_M * 12, "in", 1),
    "m": (1 / FOOT_M, "ft", 0),
    "km": (1000 / (5280 * FOOT_M), "mi", 0),
    "m2": (1 / SQUARE_FOOT_M2, "ft2", -1),
    "m3": (1 / CUBIC_YARD_M3, "yd3", 0),
}
"""Factor, unit, and how many more decimals keep the resolution."""


def like_measures(*values: Any) -> frozenset[str]:
    """Return the texts that read like a measure, as somebody's names may.

    Parameters
    ----------
    values
        Texts; mappings, lists, tuples and structs that hold such.

    Examples
    --------
    >>> sorted(like_measures("A1", {"12 m strip": ("house", "5 m2")}))
    ['12 m strip', '5 m2']
    """
    return frozenset(text for text in _texts(values) if _MEASURE.search(text))


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        yield from _texts(tuple(value.items()))
    elif isinstance(value, list | tuple | set | frozenset):
        for one in value:
            yield from _texts(one)
    elif isinstance(value, msgspec.Struct):
        yield from _texts(msgspec.structs.asdict(value))
    elif is_dataclass(value):
        yield from _texts(tuple(getattr(value, one.name) for one in fields(value)))


def in_feet(text: str, unchanged: Collection[str] = ()) -> str:
    """Return a sentence with its metric measures in feet, square feet, cubic yards or inches.

    Parameters
    ----------
    text
        What stands between double quotes is somebody's own words and stays.
    unchanged
        Names that stay, too, from `like_measures`.

    Examples
    --------
    >>> in_feet('mark A1 is 0.305 m off, good to 12 mm over 93 m2 of "5 m strip"')
    'mark A1 is 1.001 ft off, good to 0.5 in over 1001 ft2 of "5 m strip"'
    >>> in_feet("0.5 to 1.5 m from the wall, 1.3 of 90.2 m2")
    '1.6 to 4.9 ft from the wall, 14 of 971 ft2'
    """
    # the longest first: one name may be a part of another
    told = Told(text)
    names = [re.escape(name) for name in sorted(unchanged, key=len, reverse=True)]
    own = "|".join(['"[^"]*"', *(rf"(?<!\w){name}(?!\w)" for name in names)])
    turned, start = [], 0
    for i, part in enumerate(re.split(f"({own})", str(told))):
        # what was split by stands at every second place
        turned.append(part if i % 2 else _MEASURE.sub(partial(_converted, told, start), part))
        start += len(part)
    return "".join(turned)


def _converted(told: Told, start: int, match: re.Match[str]) -> str:
    """Return a measure in feet; `start` is where the part of the match begins in the sentence."""
    factor, unit, more = _FEET[match[2].replace("²", "2").replace("³", "3")]

    def turned(group: int) -> str:
        return _ONE.sub(partial(one, start + match.start(group)), match[group] or "")

    def one(before: int, number: re.Match[str]) -> str:
        _, _, decimals = number[0].partition(".")
        sign = "+" if number[0].startswith("+") else ""
        places = max(0, len(decimals) + more)
        # rounded once, where the exact value is there
        value = told.exact.get(before + number.start(), float(number[0]))
        if float(number[0]):  # what is not nothing in metres is not nothing in feet
            places = places_seen(value * factor, places)
        return f"{sign}{round(value * factor, places) + 0.0:.{places}f}"

    return f"{turned(1)} {unit}{turned(3)}"


def spoken(text: str, unit: str, unchanged: Collection[str] = ()) -> str:
    """Return a sentence in the reader's unit, ``"m"`` or ``"ft"``; names that are `unchanged` stay.

    Examples
    --------
    >>> spoken("the wall is 3.05 m long", "ft"), spoken("the wall is 3.05 m long", "m")
    ('the wall is 10.01 ft long', 'the wall is 3.05 m long')
    """
    return in_feet(text, unchanged) if unit == "ft" else str(Told(text))
