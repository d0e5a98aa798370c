"""Limit sets as data, and the verdict that takes the accuracy of a number into account."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from geosite.base.errors import InputError, Problem

__all__ = [
    "CAUTION",
    "Z95",
    "LimitSet",
    "MetreLimit",
    "SlopeLimit",
    "Verdict",
    "judge",
    "limit_sets",
]

Z95 = 1.959963984540054
"""Two-sided 95 % point of the normal distribution."""

CAUTION = (
    "Not a certificate of accessibility: limits are defaults, the local code and a licensed "
    "professional decide."
)

#: Beyond this many repeats nobody would measure again: the number is not worth stating.
MOST_REPEATS = 1000


class SlopeLimit(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A largest slope, as a ratio (``"1:48"``) or in percent."""

    ratio: Annotated[str, Meta(pattern=r"^1:\d+(\.\d+)?$")] | None = None
    percent: Annotated[float, Meta(gt=0, le=1000)] | None = None
    section: str = ""

    def __post_init__(self) -> None:
        if (self.ratio is None) == (self.percent is None):
            raise ValueError("a slope limit needs either ratio or percent")
        if self.ratio is not None and float(self.ratio[2:]) == 0:
            raise ValueError("a ratio of 1:0 is vertical")

    @property
    def slope(self) -> float:
        """Rise over run, without a unit."""
        if self.ratio is not None:
            return 1.0 / float(self.ratio[2:])
        assert self.percent is not None
        return self.percent / 100.0


class MetreLimit(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A limit in metres."""

    metres: Annotated[float, Meta(gt=0)]
    section: str = ""


class LimitSet(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The limits for one kind of line.

    Parameters
    ----------
    running, cross
        Largest slope along and across the line.
    rise_per_run
        Largest rise between two landings.
    landing, landing_length
        Largest slope and smallest length of a landing.
    """

    title: str
    source: str = ""
    running: SlopeLimit | None = None
    cross: SlopeLimit | None = None
    rise_per_run: MetreLimit | None = None
    landing: SlopeLimit | None = None
    landing_length: MetreLimit | None = None


@cache
def _built_in() -> Mapping[str, LimitSet]:
    text = files("geosite.review").joinpath("limits.toml").read_text(encoding="utf-8")
    return msgspec.convert(tomllib.loads(text), dict[str, LimitSet])


def limit_sets(own: Mapping[str, Any], file: str = "") -> dict[str, LimitSet]:
    """Return the limit sets that come with geosite, then the user's own, which win.

    Parameters
    ----------
    own
        One table per limit set.
    file
        Where they came from, for messages.

    Raises
    ------
    InputError
        A table does not have the form of a limit set; all of them together.
    """
    sets = dict(_built_in())
    problems = []
    for name, table in own.items():
        try:
            sets[name] = msgspec.convert(table, LimitSet)
        except msgspec.ValidationError as error:
            problems.append(
                Problem(
                    "limits-form",
                    f"limit set [{name}]: {error}",
                    "title, source, running, cross, rise_per_run, landing, landing_length",
                    'write it like walk: running = { ratio = "1:20", section = "403.3" }',
                    file or None,
                )
            )
    if problems:
        raise InputError(problems)
    return sets


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a measured number keeps a limit, at 95 %.

    Parameters
    ----------
    verdict
        ``within`` and ``beyond`` only where the whole 95 % interval lies on one side of the limit.
    extra_observations
        How many more times the same legs would have to be measured for the interval to leave the
        limit, if the number stays as it is; 0 when decided, ``None`` when no reasonable number
        would do.
    """

    verdict: Literal["within", "beyond", "undecided"]
    extra_observations: int | None


def judge(value: float, sigma: float, limit: float, *, at_least: bool = False) -> Verdict:
    """Hold a number with its standard deviation against a limit.

    Parameters
    ----------
    value, sigma, limit
        Same unit.
    at_least
        The limit is a smallest value; otherwise a largest one.

    Returns
    -------
    Verdict
        The standard deviation of the mean of n equal measurements is sigma / sqrt(n), which gives
        the number of extra ones.
    """
    room = (value - limit) if at_least else (limit - value)
    reach = Z95 * sigma
    # a noise-free number that meets the limit to the last digits keeps it
    if room - reach >= -1e-12 * max(1.0, abs(limit)):
        return Verdict("within", 0)
    if room + reach < 0:
        return Verdict("beyond", 0)
    repeats = (reach / abs(room)) ** 2 if room else math.inf
    extra = math.ceil(repeats) - 1 if repeats <= MOST_REPEATS else None
    return Verdict("undecided", extra if extra is None else max(extra, 1))
