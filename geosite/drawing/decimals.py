"""Numbers in a drawing: three decimals at most, many at a time."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["number", "with_numbers"]

# marks where a number ends until its zeros are taken off: in no drawing
_END = "\0"


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
        With ``%.3f`` where a number goes, and no other per cent sign.
    values

    Examples
    --------
    >>> with_numbers("M%.3f %.3fL%.3f %.3fZ", [0.5, -0.0001, 20.0, 0.0625])
    'M0.5 0L20 0.062Z'
    """
    text = template.replace("%.3f", "%.3f" + _END) % tuple(values)
    for zeros, left in (("-0.000", "0"), (".000", ""), ("00", ""), ("0", ""), ("", "")):
        text = text.replace(zeros + _END, left)
    return text
