"""No more digits than are known: numbers written with their interval."""

from __future__ import annotations

import math

__all__ = ["decimals", "grouped", "place_words", "signed", "written"]

#: Decimals of a number whose interval is not known.
_USUAL = 2


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
        Half of its 95 % interval; ``None`` where it is not known.
    unit
        Symbol, written behind.

    Examples
    --------
    >>> written(749.805, 1.953, "m²")
    '749.8 +/- 2.0 m²'
    >>> written(749.806, None, "m²")
    '749.81 m²'
    """
    places = decimals(half_width)
    behind = f" {unit}" if unit else ""
    if half_width is None or not math.isfinite(half_width) or half_width <= 0:
        return f"{grouped(value, places)}{behind}"
    return f"{grouped(value, places)} +/- {grouped(half_width, places)}{behind}"
