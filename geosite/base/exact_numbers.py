"""Sentences that keep the exact values of their numbers, to be rounded once in any reader's unit.

A sentence is worded in metres and its numbers are rounded there. Turned into feet the rounded
number would be rounded again: 0.41 m are 1.35 ft, and the 0.4139 m behind them are 1.36 ft. So the
exact value rides along behind its number, between two characters that no name may hold, until the
sentence becomes a `Told`. What a file has of these characters, as in a cell that is refused, stays
where it stands unless it reads as such a value.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Self

from geosite.base.rounding import seen

__all__ = ["Told", "Words", "fixed", "kept"]

_OPEN, _CLOSE = "\ue000", "\ue001"
_KEPT = re.compile(rf"([+-]?\d+(?:\.\d+)?){_OPEN}(-?[0-9]+(?:\.[0-9]+)?(?:e[+-][0-9]+)?){_CLOSE}")
_FIRST = re.compile(r"[+-]?\d+(?:\.\d+)?")
_NUMBER = re.compile(r"(?<![\w.])[+-]?\d+(?:\.\d+)?")


class Told(str):
    """A sentence with the exact values of some of its numbers.

    Parameters
    ----------
    text
        As `kept` and `fixed` make it; any other text is what it is.

    Examples
    --------
    >>> told = Told(f"good to {fixed(0.4139, 2)} m")
    >>> told, told.exact
    ('good to 0.41 m', {8: 0.4139})
    """

    exact: Mapping[int, float]
    """Exact value by where its number begins."""

    def __new__(cls, text: str) -> Self:
        """Take the exact values out of a text."""
        if _OPEN not in text:
            told = super().__new__(cls, text)
            told.exact = getattr(text, "exact", {})
            return told
        parts, exact, end, length = [], {}, 0, 0
        for found in _KEPT.finditer(text):
            before = text[end : found.start()]
            exact[length + len(before)] = float(found[2])
            parts += [before, found[1]]
            length += len(before) + len(found[1])
            end = found.end()
        told = super().__new__(cls, "".join((*parts, text[end:])))
        told.exact = exact
        return told


class Words(Told):
    """Words that give their exact values to the sentence that they become a part of.

    Examples
    --------
    >>> Told(f"about {Words(fixed(0.36, 1))} m").exact, f"about {Told(fixed(0.36, 1))} m"
    ({6: 0.36}, 'about 0.4 m')
    """

    def __format__(self, spec: str) -> str:
        """Let the exact values go along."""
        return super().__format__(spec) if spec else self._with_values()

    def __add__(self, other: str) -> Words:
        """Return both, with their exact values."""
        return Words(f"{self}{other}")

    def __radd__(self, other: str) -> Words:
        """Return both, with their exact values."""
        return Words(f"{other}{self}")

    def _with_values(self) -> str:
        parts, end = [], 0
        for start, value in sorted(self.exact.items()):
            found = _FIRST.match(self, start)
            assert found is not None
            parts += [self[end : found.end()], _behind(value)]
            end = found.end()
        return "".join((*parts, self[end:]))


def _behind(value: float) -> str:
    """Return what rides along behind a number; nothing behind one without end."""
    return f"{_OPEN}{float(value)!r}{_CLOSE}" if math.isfinite(value) else ""


def fixed(value: float, places: int) -> str:
    """Return a number for a sentence, its exact value kept.

    It has so many decimals, or as many more as show that it is not nothing.

    Examples
    --------
    >>> str(Told(fixed(0.4139, 2))), str(Told(fixed(0.0004, 2)))
    ('0.41', '0.0004')
    """
    return f"{seen(value, places)}{_behind(value)}"


def kept(text: str, *values: float) -> Words:
    """Return words with the exact values of their numbers kept, and no blanks between thousands.

    Parameters
    ----------
    text
        Words of some numbers, such as ``"0.41 +/- 0.12 m"``. The narrow blank would make two
        numbers of one, and a terminal may not know it.
    values
        Exact values of the first numbers in it, in their order.

    Examples
    --------
    >>> words = kept("0.4 m3 (0.1 to 2.1)", 0.36, 0.05, 2.1)
    >>> words, Told(f"about {words}").exact
    ('0.4 m3 (0.1 to 2.1)', {6: 0.36, 14: 0.05, 21: 2.1})
    """
    # of one without end, "inf" or "nan", there are no digits in the text either
    left = (value for value in values if math.isfinite(value))

    def with_value(found: re.Match[str]) -> str:
        value = next(left, None)
        return found[0] if value is None else f"{found[0]}{_behind(value)}"

    return Words(_NUMBER.sub(with_value, text.replace("\u202f", "")))
