"""Approved text against what was told now: words exactly, numbers within a tolerance.

Another processor adds in another order, so the last digits of a number may differ: a decimal
number may be off by one of its last printed digit and a millionth of itself, of a large one (a
northing) by no more than a millimetre. Whole numbers, which count something, must be the same.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from decimal import Decimal

__all__ = ["differences"]

NUMBER = re.compile(r"(?<![\w.)])-?\d+(?:\.\d+)?(?:e[-+]?\d+)?|\d+(?:\.\d+)?(?:e[-+]?\d+)?")
RELATIVE, LARGE, NOTHING = 1e-6, 1000.0, 2e-7
MOST = 6
"""Lines that a difference shows."""
WIDEST = 220


def differences(name: str, before: str, now: str) -> list[str]:
    """What differs, a few lines that a reader finds in the file; empty where nothing does."""
    old, new = before.splitlines(), now.splitlines()
    found = list(_differing(old, new))
    shown = [
        f"{name}:{number}\n  approved: {_cut(was)}\n  now:      {_cut(told)}"
        for number, was, told in found[:MOST]
    ]
    if len(found) > MOST:
        shown.append(f"{name}: {len(found) - MOST} more lines differ")
    return shown


def _differing(old: list[str], new: list[str]) -> Iterator[tuple[int, str, str]]:
    if len(old) == len(new):
        for number, (was, told) in enumerate(zip(old, new, strict=True), start=1):
            if not _is_same(was, told):
                yield number, was, told
        return
    # lines came or went: those that differ in numbers alone still belong to each other
    blocks = difflib.SequenceMatcher(None, _shapes(old), _shapes(new), autojunk=False)
    for _, i, k, j, m in blocks.get_opcodes():
        for step in range(max(k - i, m - j)):
            was = old[i + step] if i + step < k else "(no such line)"
            told = new[j + step] if j + step < m else "(no such line)"
            if not _is_same(was, told):
                yield i + step + 1, was, told


def _shapes(lines: list[str]) -> list[str]:
    return [NUMBER.sub("#", line) for line in lines]


def _is_same(was: str, told: str) -> bool:
    if was == told:
        return True
    if NUMBER.sub("#", was) != NUMBER.sub("#", told):
        return False
    return all(map(_is_near, NUMBER.findall(was), NUMBER.findall(told)))


def _is_near(was: str, told: str) -> bool:
    if was == told:
        return True
    a, b = Decimal(was), Decimal(told)
    digit = min(_last_digit(a), _last_digit(b))
    if digit >= 1:
        return False
    most = 1.01 * digit + RELATIVE * min(float(abs(a)), LARGE) + NOTHING
    return float(abs(a - b)) <= most


def _last_digit(number: Decimal) -> float:
    exponent = number.as_tuple().exponent
    assert isinstance(exponent, int)
    return float(10.0**exponent)


def _cut(line: str) -> str:
    return line if len(line) <= WIDEST else f"{line[:WIDEST]} ..."
