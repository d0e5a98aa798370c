"""The ends of the elevations of a raster, and values at an end that stand for nothing."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.errors import InputError, Problem

__all__ = ["lowest_and_highest"]

# what programs write where they have no elevation
_FOR_NOTHING = (-999.0, 9999.0)
_ON_EARTH = (-1000.0, 30_000.0)
"""Land lies within, in metres or feet: what lies far outside is such a value, or mixed with one."""
_CLIFF = 30.0
"""Units by which all ground lies above or below the nought that a program wrote for nothing."""


def lowest_and_highest(
    parts: Iterable[npt.NDArray[np.floating[Any]]], file: str, nodata: float | None
) -> tuple[float, float]:
    """Return the lowest and the highest elevation of a raster whose rows come in parts.

    Parameters
    ----------
    parts
        Elevations, NaN for nodata.
    file
        For the message.
    nodata
        The value that the raster declares to stand for nothing; None where it declares none.

    Raises
    ------
    InputError
        There is no elevation, or values that stand for nothing and are not declared so.

    Examples
    --------
    >>> lowest_and_highest([np.array([[402.1, np.nan, 402.6]])], "old.tif", None)
    (402.1, 402.6)
    """
    ends = _Ends()
    for part in parts:
        ends.add(part)
    if not ends.count:
        raise InputError(
            Problem(
                "raster-empty",
                "the raster holds no elevation at all",
                "elevations",
                "look at its nodata",
                file,
            )
        )
    ends.refuse_words_for_nothing(file, nodata)
    return ends.low, ends.high


class _Ends:
    """The two lowest and the two highest elevations, of values that come in parts."""

    def __init__(self) -> None:
        self.count = 0
        self.low = self.second = math.inf
        self.high = self.last_but_one = -math.inf
        self.at_ends = {"low": 0, "high": 0}

    def add(self, values: npt.NDArray[np.floating[Any]]) -> None:
        known = values[np.isfinite(values)]
        if not known.size:
            return
        self.count += known.size
        low, high = float(known.min()), float(known.max())
        above = float(known.min(where=known > low, initial=np.inf))
        below = float(known.max(where=known < high, initial=-np.inf))
        lows = {v for v in (self.low, self.second, low, above) if v < math.inf}
        highs = {v for v in (self.high, self.last_but_one, high, below) if v > -math.inf}
        if low < self.low:
            self.at_ends["low"] = 0
        if high > self.high:
            self.at_ends["high"] = 0
        self.low, self.second = [*sorted(lows), math.inf][:2]
        self.high, self.last_but_one = [*sorted(highs, reverse=True), -math.inf][:2]
        self.at_ends["low"] += int(np.count_nonzero(known == self.low))
        self.at_ends["high"] += int(np.count_nonzero(known == self.high))

    def refuse_words_for_nothing(self, file: str, nodata: float | None) -> None:
        """Refuse values that stand for nothing: slopes of 100,000 percent.

        Also where another value is declared: what two programs wrote has two such values.
        """
        if self.low == self.high:
            return
        for end, near, far, many in (
            (self.low, self.second, self.high, self.at_ends["low"]),
            (self.high, self.last_but_one, self.low, self.at_ends["high"]),
        ):
            if _stands_for_nothing(end, near, far):
                declared, remedy = (
                    ("no value", f"set the nodata value of the raster to {end:g}")
                    if nodata is None
                    else (f"only {nodata:g}", f"give these cells the value {nodata:g}")
                )
                raise InputError(
                    Problem(
                        "raster-nodata",
                        f"{many} cell{'s are' if many > 1 else ' is'} {end:g}, far from all others"
                        f" ({_span(near, far)}), and {declared} is declared as nodata",
                        "cells without an elevation declared as nodata",
                        remedy,
                        file,
                    )
                )


def _stands_for_nothing(end: float, near: float, far: float) -> bool:
    """Whether an end of the elevations lies far from all others, and is what programs write."""
    gap, relief = abs(near - end), abs(far - near)
    if end == 0.0:
        return gap > max(relief, _CLIFF) and relief > 0.0
    is_word = any(math.isclose(end, word, rel_tol=1e-6) for word in _FOR_NOTHING)
    on_earth = _ON_EARTH[0] < end < _ON_EARTH[1]
    return (is_word or not on_earth) and gap > 10 * max(relief, 1.0)


def _span(near: float, far: float) -> str:
    low, high = sorted((near, far))
    return f"{low:g} to {high:g}" if low < high else f"{low:g}"
