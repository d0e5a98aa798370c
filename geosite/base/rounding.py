"""No more digits than are known: numbers written with their interval."""

from __future__ import annotations

import math

from geosite.base.units import CUBIC_YARD_M3, FOOT_M, SQUARE_FOOT_M2

__all__ = [
    "FINEST",
    "alone",
    "decimals",
    "grouped",
    "place_words",
    "places_seen",
    "places_told",
    "seen",
    "signed",
    "whole_pieces",
    "written",
]

#: Decimals of a number whose interval is not known.
_USUAL = 2
FINEST = 0.0005
"""Metres, square or cubic metres: less than that no number on a site is told apart from."""
_NOTHING = 1e-6
"""In any unit: what is smaller is what arithmetic left."""
#: By units on a site the interval below which a number is as good as exact: the same in each.
_FINEST = {
    unit: FINEST / size
    for size, units in (
        (1.0, ("m", "m2", "m²", "m3", "m³")),
        (FOOT_M, ("ft",)),
        (SQUARE_FOOT_M2, ("ft2", "ft²")),
        (CUBIC_YARD_M3, ("yd3", "yd³")),
    )
    for unit in units
}
#: Decimals of a number that nobody gave an interval, by its unit.
_ALONE = {"m": 3, "m2": 1, "m3": 2, "percent": 1, "deg": 2, "ft": 3, "ft2": 0, "yd3": 2}


def decimals(half_width: float | None) -> int:
    """Return how many decimals a number deserves whose 95 % interval has this half-width.

    Parameters
    ----------
    half_width
        Of the interval, in the unit of the number; ``None``, zero or infinite for not known.

    Returns
    -------
    int
        So many that the half-width keeps two digits where it begins with 1 or 2 and one digit
        otherwise; negative for tens and hundreds. JCGM 100:2008 (GUM), 7.2.6: an uncertainty
        is quoted to at most two significant digits, and the estimate is rounded to match.

    Examples
    --------
    >>> decimals(0.034), decimals(0.0162), decimals(24.0), decimals(700.0)
    (2, 3, 0, -2)
    """
    if half_width is None or not math.isfinite(half_width) or half_width <= 0:
        return _USUAL
    power = math.floor(math.log10(half_width) + 1e-12)
    lead = half_width / 10.0**power
    return 1 - power if lead < 2.95 else -power


def places_seen(value: float, places: int) -> int:
    """Return with how many decimals a number is told that has no interval to round it by.

    What is not nothing must not read as nothing: a tolerance of 0.4 mm is no tolerance of 0.000 m.

    Parameters
    ----------
    value
    places
        As many where they show it; else as many as show its first digit. What is smaller than a
        millionth is no more than what arithmetic leaves.

    Examples
    --------
    >>> places_seen(0.0321, 3), places_seen(0.0004, 3), places_seen(1e-9, 3), places_seen(0.0, 3)
    (3, 4, 3, 3)
    """
    size = abs(value)
    if not math.isfinite(size) or size < _NOTHING or round(size, places) != 0.0:
        return places
    more = -math.floor(math.log10(size))
    return more if round(size, more) < 10.0 ** (1 - more) else more - 1


def seen(value: float, places: int) -> str:
    """Return a number with so many decimals, or as many more as show it: `places_seen`.

    Examples
    --------
    >>> seen(0.0321, 3), seen(0.0004, 3)
    ('0.032', '0.0004')
    """
    return f"{value:.{places_seen(value, places)}f}"


def places_told(low: float, high: float, most: int, unknown: int | None = None) -> int:
    """Return with how many decimals a number and both ends of its 95 % interval are told.

    Parameters
    ----------
    low, high
        The ends.
    most
        Decimals that are never passed, whatever is known.
    unknown
        Decimals where the interval says nothing, for being none or without end; without it `most`.

    Examples
    --------
    >>> places_told(0.0, 3.1, 3), places_told(0.121, 0.182, 3), places_told(22.0, 143.0, 1)
    (1, 2, 0)
    >>> places_told(0.0, 0.0, 3, 1)
    1
    """
    half = (high - low) / 2
    if not math.isfinite(half) or half <= 0:
        return most if unknown is None else unknown
    return max(0, min(most, decimals(half)))


def alone(value: float, unit: str) -> str:
    """Return a number that has no interval beside it, with the digits its unit has on a site.

    Parameters
    ----------
    value
    unit
        ``"m"``, ``"m2"``, ``"m3"``, the same in feet and yards, ``"percent"``, ``"deg"``; of any
        other hundredths are told, and two digits of what is smaller than one.

    Examples
    --------
    >>> alone(0.0718079, "m"), alone(1.11928, "m3"), alone(362.432, "m2"), alone(18.7871, "")
    ('0.072', '1.12', '362.4', '18.79')
    >>> alone(0.0004, "m"), alone(0.03, "percent")
    ('0.0004', '0.03')
    >>> alone(0.0728215, ""), alone(0.0, ""), alone(float("nan"), "m"), alone(2.308e-07, "")
    ('0.073', '0', 'nan', '2.3e-07')
    """
    if unit in _ALONE:
        return seen(value + 0.0, _ALONE[unit])
    return f"{round(value, 2):.10g}" if abs(value) >= 1 else f"{value + 0.0:.2g}"


def grouped(value: float, places: int) -> str:
    r"""Return a number with so many decimals, thousands parted by a narrow blank.

    Examples
    --------
    >>> [grouped(14994.26, places).replace("\u202f", "_") for places in (1, -2)]
    ['14_994.3', '15_000']
    """
    rounded = round(value, places)
    text = f"{rounded:,.{max(places, 0)}f}".replace(",", "\u202f")
    return text.removeprefix("-") if rounded == 0 else text


def signed(value: float, places: int) -> str:
    """Return a number with its sign; 0 has none of its own.

    Examples
    --------
    >>> signed(0.126, 2), signed(-0.001, 2)
    ('+0.13', '+0.00')
    """
    return f"{round(value, places) + 0.0:+.{places}f}"


def place_words(easting: float, northing: float, places: int = 2) -> str:
    """Return a place on the map as it is said in a sentence.

    Examples
    --------
    >>> place_words(512337.88, 5276105.375, 1)
    'E 512337.9, N 5276105.4'
    """
    return f"E {easting:.{places}f}, N {northing:.{places}f}"


def written(value: float, half_width: float | None, unit: str = "") -> str:
    """Return a number with its interval as a reader wants it.

    Parameters
    ----------
    value
        The number.
    half_width
        Half of its 95 % interval; ``None`` where it is not known. Of lengths, areas and volumes
        one of less than half a thousandth is not told.
    unit
        Symbol, written behind.

    Examples
    --------
    >>> written(749.805, 1.953, "m²")
    '749.8 +/- 2.0 m²'
    >>> written(749.806, None, "m²")
    '749.81 m²'
    >>> written(5.002308, 0.000011, "m"), written(9.8562, 0.0011, "ft")
    ('5.00 m', '9.86 ft')
    >>> written(0.0021, None, "m"), written(0.0, None, "m")
    ('0.002 m', '0.00 m')
    """
    if half_width is not None and half_width < _FINEST.get(unit, 0.0):
        half_width = None
    places = decimals(half_width)
    behind = f" {unit}" if unit else ""
    if half_width is None or not math.isfinite(half_width) or half_width <= 0:
        return f"{grouped(value, places_seen(value, places))}{behind}"
    return f"{grouped(value, places)} +/- {grouped(half_width, places)}{behind}"


def whole_pieces(count: float, waste_percent: float) -> int:
    """Return how many pieces are bought: nobody sells a part of one.

    Parameters
    ----------
    count
        That are laid, set or planted.
    waste_percent
        Added for breakage, then rounded up.

    Examples
    --------
    >>> whole_pieces(4, 0.0), whole_pieces(4, 5.0), whole_pieces(100, 5.0), whole_pieces(0, 5.0)
    (4, 5, 105, 0)
    """
    # what a product of floats leaves is no piece
    return math.ceil(round(count * (1 + waste_percent / 100), 6))
