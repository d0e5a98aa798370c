"""Numbers in a drawing: three decimals at most, many at a time."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["number", "with_numbers"]

# of three decimals, not all zero, the zeros at the end: what stands before is looked at once a zero
# is found, and kept by not being part of it
_ZEROS = re.compile(r"0(?<=\.\d0)0(?!\d)|0(?<=\.\d\d0)(?!\d)")
# a zero that lost all but its sign
_MINUS_ZERO = re.compile(r"-0(?![\d.])")


def number(value: float) -> str:
    """Write a number.

    Examples
    --------
    >>> [number(v) for v in (12.3456, 7.0, -0.0001, 100.5)]
    ['12.346', '7', '0', '100.5']
    """
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def with_numbers(template: str, values: Sequence[float]) -> str:
    """Write numbers as `number` does into their places: much faster for many.

    Parameters
    ----------
    template
        With ``%.3f`` where a number goes, and no other per cent sign or decimal point.
    values

    Examples
    --------
    >>> with_numbers("M%.3f %.3fL%.3f %.3fZ", [0.5, -0.0001, 20.0, 0.0625])
    'M0.5 0L20 0.062Z'
    """
    text = (template % tuple(values)).replace(".000", "")
    return _MINUS_ZERO.sub("0", _ZEROS.sub("", text))
