"""Numbers as people and programs write them: decimal marks, thousands, units behind them."""

from __future__ import annotations

import math
import re
from typing import Literal

from geosite.base.units import FOOT_M, LENGTH_UNITS, length_m, plain_marks, unit_named

__all__ = ["Decimal", "as_number", "units_of"]

Decimal = Literal[".", ","]

_TYPOGRAPHY = str.maketrans({"\u2212": "-", "\u2013": "-", "\u00a0": " ", "\u202f": " "})
# an apostrophe behind a number is a foot
_PARTED = re.compile(r"[+-]?\d{1,3}(?:([ '])\d{3})(?:\1\d{3})*(?:[.,]\d*)?", re.ASCII)
# no thousands begin with a nought
_POINT = re.compile(
    r"[+-]?(?=\.?\d)(?:[1-9]\d{0,2}(?:,\d{3})+|\d+)?(?:\.\d*)?(?:[eE][+-]?\d+|[dD][+-]\d+)?",
    re.ASCII,
)
_COMMA = re.compile(
    r"[+-]?(?=,?\d)(?:[1-9]\d{0,2}(?:\.\d{3})+|\d+)?(?:,\d*)?(?:[eE][+-]?\d+|[dD][+-]\d+)?",
    re.ASCII,
)
_WITH_UNIT = re.compile(r"(.*[\d.,])\s*([A-Za-z'\"][A-Za-z -]*)")


def as_number(cell: str, decimal: Decimal = ".") -> float | None:
    r"""Return a cell as a number, ``None`` where it is none.

    Parameters
    ----------
    cell
        Digits may be grouped in thousands by the other mark, by blanks or by apostrophes. With
        a unit behind it, it is a number of feet or of metres, as `units_of` tells.
    decimal
        Mark between whole and fraction.

    Examples
    --------
    >>> as_number("1.234,5", ","), as_number("-0.080"), as_number("P1")
    (1234.5, -0.08, None)
    >>> as_number("40.5'"), as_number("5' 6\""), as_number("350 cm")
    (40.5, 5.5, 3.5)
    """
    text = cell.strip().translate(_TYPOGRAPHY)
    if not text or not any(c.isdigit() for c in text):
        return None
    bare = _bare_number(text, decimal)
    if bare is not None:
        return bare
    length = _length(text, decimal)
    return None if length is None else length[0]


def _bare_number(text: str, decimal: Decimal) -> float | None:
    if _PARTED.fullmatch(text):
        text = text.replace(" ", "").replace("'", "")
    if (_POINT if decimal == "." else _COMMA).fullmatch(text) is None:
        return None
    other = "," if decimal == "." else "."
    # double precision has a D before its power of ten (ISO/IEC 1539-1)
    text = text.replace(other, "").replace(decimal, ".").upper().replace("D", "E")
    value = float(text)
    return value if math.isfinite(value) else None


def _length(text: str, decimal: Decimal) -> tuple[float, tuple[str, ...]] | None:
    """Return a length with a unit in feet or in metres, and the units that are written."""
    if text[0] not in "+-.,0123456789" or text[-1] in "0123456789,":
        return None
    text = plain_marks(text)
    found = _WITH_UNIT.fullmatch(text)
    unit = unit_named(found[2]) if found else None
    if found and unit and (number := _bare_number(found[1], decimal)) is not None:
        base = FOOT_M if unit in ("in", "yd") else 1.0
        if unit in ("ft", "ftUS"):
            return number, (unit,)
        return round(number * LENGTH_UNITS[unit] / base, 9), (unit,)
    if unit not in (None, "in"):
        return None
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    metres = length_m(text)
    return None if metres is None else (round(metres / FOOT_M, 9), ("ft", "in"))


def units_of(cell: str, decimal: Decimal = ".") -> tuple[str, ...]:
    """Return the units that are written behind the numbers of a length, none for a bare number.

    What `as_number` returns of it is in metres for mm, cm, m and km, and in feet for others.

    Examples
    --------
    >>> units_of("40.5'"), units_of("5 ft 6 in"), units_of("1'234.5"), units_of("3,5 m", ",")
    (('ft',), ('ft', 'in'), (), ('m',))
    """
    text = cell.strip().translate(_TYPOGRAPHY)
    if not text or _bare_number(text, decimal) is not None:
        return ()
    length = _length(text, decimal)
    return () if length is None else length[1]
