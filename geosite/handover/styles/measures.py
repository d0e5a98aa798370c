"""Measures as a look shows them: the files keep metres, the reader is shown the site's unit."""

from __future__ import annotations

from typing import Literal

from geosite.base.units import FOOT_M
from geosite.handover.styles.model import Test, Value

__all__ = ["HOLDS_THE_UNIT", "follows_the_unit", "measure", "shown_in"]

HOLDS_THE_UNIT = "unit"
"""Field that says which unit the values of its row have."""
_FOLLOWING = ("value", "limit_value")
_FEET = {"m": (1, "ft"), "m2": (2, "ft²"), "m3": (3, "ft³")}
_METRES = {"m2": "m²", "m3": "m³"}


def shown_in(unit: str, reader: Literal["m", "ft"]) -> tuple[float, str]:
    """Return what a value is multiplied by for its reader, and the unit it is then in.

    Examples
    --------
    >>> shown_in("m2", "m")
    (1.0, 'm²')
    >>> shown_in("percent", "ft")
    (1.0, 'percent')
    >>> factor, unit = shown_in("m3", "ft")
    >>> f"{factor:.4f} {unit}"
    '35.3147 ft³'
    """
    if reader == "ft" and unit in _FEET:
        power, word = _FEET[unit]
        return FOOT_M**-power, word
    return 1.0, _METRES.get(unit, unit)


def measure(
    field: str, digits: int, unit: str, reader: Literal["m", "ft"], *, absolute: bool = False
) -> tuple[Value, str]:
    """Return a value of a label and the unit that follows it.

    Parameters
    ----------
    field
        Column that it is read from.
    digits
        Decimals.
    unit
        Of the column.
    reader
        ``"m"`` or ``"ft"``.
    absolute
        Without its sign.

    Examples
    --------
    >>> value, after = measure("length_m", 2, "m", "ft")
    >>> round(10 * value.factor, 4), after
    (32.8084, ' ft')
    """
    factor, word = shown_in(unit, reader)
    return Value(field, digits, absolute=absolute, factor=factor), f" {word}"


def follows_the_unit(field: str) -> tuple[Test, ...]:
    """Return when a field of a layer with a unit in each row is a length; never for others.

    Examples
    --------
    >>> follows_the_unit("area_m2")
    ()
    """
    following = field in _FOLLOWING or field.startswith("value_")
    return (Test(HOLDS_THE_UNIT, ("m",)),) if following else ()
