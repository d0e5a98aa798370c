"""Limit sets as data, and the verdict that takes the accuracy of a number into account."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct
from msgspec.structs import replace as replace_fields

from geosite.base.errors import InputError, Problem
from geosite.base.estimate import Estimate
from geosite.base.problems import shown
from geosite.fieldbook.sitefile import Drainage

__all__ = [
    "CAUTION",
    "FallRule",
    "LimitSet",
    "MetreLimit",
    "SlopeLimit",
    "Verdict",
    "Word",
    "fall_rules",
    "is_built_in",
    "judge",
    "limit_sets",
    "local_fall_rules",
    "magnitude",
    "verdict_words",
]

CAUTION = (
    "Not a certificate of accessibility: limits are defaults, the local code and a licensed "
    "professional decide."
)

Word = Literal["within", "beyond", "undecided", "not measured", "no limit"]
"""What is said of a number and its limit."""

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
    """The limits for one kind of line; what is not given has no limit.

    Parameters
    ----------
    running, cross
        Largest slope along and across the line.
    width
        Smallest clear width, where two edges were walked.
    rise_per_run
        Largest rise between two landings.
    landing, landing_length
        Largest slope and smallest length of a landing.
    landing_as_wide_as_run
        Section of the rule that a landing is as wide as the widest run that leads to it.
    turning_landing
        Smallest width of a landing at which the line changes its direction.
    flare, flare_without_landing, counter_slope
        Of a kerb ramp: largest slope of its flared sides, the same where there is no landing at the
        top, and of the gutter or road at its foot.
    steeper
        Name of the set that judges a line whose running slope is beyond the limit of this one.
    """

    title: str
    source: str = ""
    running: SlopeLimit | None = None
    cross: SlopeLimit | None = None
    width: MetreLimit | None = None
    rise_per_run: MetreLimit | None = None
    landing: SlopeLimit | None = None
    landing_length: MetreLimit | None = None
    landing_as_wide_as_run: str | None = None
    turning_landing: MetreLimit | None = None
    flare: SlopeLimit | None = None
    flare_without_landing: SlopeLimit | None = None
    counter_slope: SlopeLimit | None = None
    steeper: str | None = None


class FallRule(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How the ground has to fall away from a building.

    Parameters
    ----------
    title, source, section
        Where the rule stands.
    sense
        ``shall`` where the code demands it, ``should`` where it is advice.
    distance_m
        From the wall, square to it, metres.
    open_percent, paved_percent
        Least fall of open and of paved ground.
    exceptions
        In words, as the rule has them.
    is_default
        It came with geosite; false where the site file states its own.
    """

    title: str
    source: str
    section: str
    sense: Literal["shall", "should"]
    distance_m: float
    open_percent: float
    paved_percent: float
    exceptions: tuple[str, ...] = ()
    is_default: bool = True

    @property
    def named(self) -> str:
        """Source and section, and whether it is a default."""
        reference = " ".join(part for part in (self.source, self.section) if part)
        return f"{reference}, a default that local rules replace" if self.is_default else reference


@cache
def _built_in() -> Mapping[str, LimitSet]:
    text = files("geosite.analysis").joinpath("limits.toml").read_text(encoding="utf-8")
    return msgspec.convert(tomllib.loads(text), dict[str, LimitSet])


@cache
def fall_rules() -> Mapping[str, FallRule]:
    """Return the rules for falls from buildings: ``dwelling`` and ``building``.

    Examples
    --------
    >>> fall_rules()["dwelling"].section, fall_rules()["building"].section
    ('R401.3', '1804.4')
    """
    text = files("geosite.analysis").joinpath("fall_rules.toml").read_text(encoding="utf-8")
    return msgspec.convert(tomllib.loads(text), dict[str, FallRule])


def local_fall_rules(drainage: Drainage) -> Mapping[str, FallRule]:
    """Return the rules for falls from buildings that hold at a site.

    Parameters
    ----------
    drainage
        ``[drainage]``. Where its limits are not the built-in ones, or it names their source, the
        built-in rule is not quoted: its section and its exceptions say nothing of other limits.

    Examples
    --------
    >>> own = Drainage(fall_from_building_percent=3.0, fall_from_building_source="Rules, 5.2")
    >>> local_fall_rules(own)["building"].named
    'Rules, 5.2'
    >>> local_fall_rules(Drainage())["building"].named
    'International Building Code 1804.4, a default that local rules replace'
    """
    built_in, usual = fall_rules(), Drainage()
    keys = ("fall_from_building_percent", "fall_from_building_paved_percent", "fall_distance")
    changed = any(getattr(drainage, key) != getattr(usual, key) for key in keys)
    if not changed and not drainage.fall_from_building_source:
        return built_in
    return {
        name: replace_fields(
            rule,
            source=drainage.fall_from_building_source or "[drainage] of the site file",
            section="",
            exceptions=(),
            distance_m=drainage.fall_distance,
            open_percent=drainage.fall_from_building_percent,
            paved_percent=drainage.fall_from_building_paved_percent,
            is_default=False,
        )
        for name, rule in built_in.items()
    }


def limit_sets(
    own: Mapping[str, Any],
    file: str = "",
    lines: Mapping[tuple[str | int, ...], int] | None = None,
) -> dict[str, LimitSet]:
    """Return the limit sets that come with geosite, then the user's own, which win.

    Parameters
    ----------
    own
        One table per limit set.
    file
        Where they came from, for messages.
    lines
        Line of each table and key of that file.

    Raises
    ------
    InputError
        A table does not have the form of a limit set; all of them together.

    Examples
    --------
    >>> table = {"title": "Yard", "running": {"percent": 8.0, "section": "4.2"}}
    >>> limit_sets({"yard": table})["yard"].running.slope
    0.08
    """
    sets = dict(_built_in())
    problems = []
    for name, table in own.items():
        try:
            sets[name] = msgspec.convert(table, LimitSet)
        except msgspec.ValidationError as error:
            problems.append(_form(name, table, str(error), file, lines or {}))
    for name, limits in sets.items():
        if limits.steeper is not None and limits.steeper not in sets:
            problems.append(
                Problem(
                    "limits-form",
                    f"limit set [{name}]: steeper is {shown(limits.steeper)}, which is none",
                    f"one of {', '.join(sorted(sets))}",
                    "correct the name",
                    file or None,
                    (lines or {}).get((name, "steeper")),
                )
            )
    if problems:
        raise InputError(problems)
    return sets


def is_built_in(name: str, limits: LimitSet) -> bool:
    """Tell whether a limit set is one that came with geosite, not the site's own of that name.

    Examples
    --------
    >>> sets = limit_sets({"ramp": {"title": "Our ramps"}})
    >>> is_built_in("walk", sets["walk"]), is_built_in("ramp", sets["ramp"])
    (True, False)
    """
    return _built_in().get(name) == limits


_RATIO = '{ ratio = "1:20", section = "4.2" }'
_METRES = '{ metres = 1.5, section = "4.2" }'
_IN_METRES = ("width", "rise_per_run", "landing_length", "turning_landing")


def _text(key: str, value: Any) -> tuple[str, str]:
    """Return what a text should be, and how to make one of what was written."""
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return "text in quotes", f'write {key} = "{value if plain else "..."}"'


def _ratio(_: str, value: Any) -> tuple[str, str]:
    number = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*%?\s*", str(value))
    steep = float(number[1]) if number else 0.0
    run = steep or 20.0
    if 0.0 < steep < 1.0 and "%" not in str(value):  # a rise per run
        run, steep = 1.0 / steep, 100.0 * steep
    told = f'write ratio = "1:{run:.4g}" for 1 in {run:.4g}'
    percent = f", or percent = {steep:.4g} for {steep:.4g} %"
    return 'text such as "1:20"', told + (percent if steep else "")


def _number(key: str, value: Any) -> tuple[str, str]:
    expected = "a number above 0" + (", at most 1000" if key == "percent" else " in metres")
    number = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(?:%|m)?\s*", str(value))
    if isinstance(value, str) and number and float(number[1]):
        return expected, f"write it without quotes, {key} = {number[1]}"
    return expected, f"correct it, as in {key} = {8.0 if key == 'percent' else 1.5}"


_SAID: Mapping[str, Callable[[str, Any], tuple[str, str]]] = {
    **dict.fromkeys(("title", "source", "steeper", "section", "landing_as_wide_as_run"), _text),
    "ratio": _ratio,
    **dict.fromkeys(("percent", "metres"), _number),
}
"""By key: what it should be and what to do, of the key and what was written."""


def _form(
    name: str,
    table: Any,
    error: str,
    file: str,
    lines: Mapping[tuple[str | int, ...], int],
) -> Problem:
    """Say in our own words what is wrong with a limit set."""
    place = re.search(r" - at `\$\.?([\w.]*)`", error)
    path = (name, *(part for part in (place[1] if place else "").split(".") if part))
    value = table
    for part in path[1:]:
        value = value.get(part) if isinstance(value, Mapping) else None
    unknown = re.search(r"unknown field `([^`]*)`", error)
    missing = re.search(r"missing required field `([^`]*)`", error)
    cause = re.sub(r" - at `.*", "", error)
    in_metres = len(path) > 1 and path[1] in _IN_METRES
    keys = MetreLimit if in_metres else SlopeLimit
    known = ", ".join((LimitSet if len(path) == 1 else keys).__struct_fields__)
    like = _METRES if in_metres else _RATIO
    named = path[1] if len(path) > 1 and path[1] in LimitSet.__struct_fields__ else "running"
    remedy = f"write it like {named} = {like}"
    if unknown:
        what, expected = f'has the key "{unknown[1]}"', f"one of {known}"
        path = (*path, unknown[1])
    elif missing:
        what, expected = f"has no {missing[1]}", f"at least {missing[1]}"
        if missing[1] == "title":
            remedy = 'add what people call it, title = "Walk of the yard"'
    elif path[-1] in _SAID and cause.startswith("Expected"):
        what = f"is {shown(value)}"
        expected, remedy = _SAID[path[-1]](path[-1], value)
    elif cause.startswith("Expected"):
        what = f"is {shown(value)}"
        expected = f"a table such as {like}"
    else:
        what, expected = f"cannot be used: {cause}", "limits that can be kept"
    inside = path[1:-1] if unknown else path[1:]
    line = next((lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in lines), None)
    return Problem(
        "limits-form",
        f"limit set [{name}]: {'.'.join(inside) or 'it'} {what}",
        expected,
        remedy,
        file or None,
        line,
    )


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a measured number keeps a limit, at 95 %.

    Parameters
    ----------
    verdict
        ``within`` and ``beyond`` only where the whole 95 % interval lies on one side of the limit;
        ``not measured`` where there is no number to judge.
    extra_observations
        How many more times the same legs would have to be measured for the interval to leave the
        limit, if the number stays as it is; 0 when decided, ``None`` when no reasonable number
        would do.
    """

    verdict: Word
    extra_observations: int | None


def magnitude(measured: Estimate) -> Estimate:
    """Return the size of a number without its sign, for limits that hold either way.

    Examples
    --------
    >>> magnitude(Estimate(-2.0, -3.0, -1.0))
    Estimate(value=2.0, low=1.0, high=3.0, sigma=None)
    >>> magnitude(Estimate(0.5, -1.0, 2.0)).low
    0.0
    """
    ends = abs(measured.low), abs(measured.high)
    low = 0.0 if measured.low < 0.0 < measured.high else min(ends)
    return Estimate(abs(measured.value), low, max(ends), measured.sigma)


def verdict_words(verdict: str, is_default: bool) -> str:
    """Return a verdict as it is told: on a built-in limit it is none on a local rule.

    Examples
    --------
    >>> verdict_words("beyond", True), verdict_words("undecided", True)
    ('beyond the default', 'undecided')
    """
    return f"{verdict} the default" if is_default and verdict in ("within", "beyond") else verdict


def judge(measured: Estimate | None, limit: float | None, *, at_least: bool = False) -> Verdict:
    """Hold a number with its 95 % interval against a limit.

    Parameters
    ----------
    measured
        The number, ``None`` where nothing was measured near enough to say.
    limit
        Same unit; ``None`` for no limit.
    at_least
        The limit is a smallest value; otherwise a largest one.

    Returns
    -------
    Verdict
        The interval of the mean of n equal measurements is 1 / sqrt(n) as wide, which gives the
        number of extra ones.

    Examples
    --------
    >>> judge(Estimate.normal(0.018, 0.001, 1.96), 1 / 48).verdict
    'within'
    >>> judge(Estimate.normal(0.020, 0.001, 1.96), 1 / 48)
    Verdict(verdict='undecided', extra_observations=5)
    """
    if limit is None:
        return Verdict("no limit", None)
    if measured is None:
        return Verdict("not measured", None)
    value, reach_in, reach_out = measured.value, measured.low, measured.high
    if at_least:
        value, limit, reach_in, reach_out = -value, -limit, -reach_out, -reach_in
    # a noise-free number that meets the limit to the last digits keeps it
    slack = 1e-12 * max(1.0, abs(limit))
    if reach_out <= limit + slack:
        return Verdict("within", 0)
    if reach_in > limit + slack:
        return Verdict("beyond", 0)
    room = abs(limit - value)
    reach = reach_out - value if value <= limit else value - reach_in
    repeats = (reach / room) ** 2 if room else math.inf
    extra = math.ceil(repeats) - 1 if repeats <= MOST_REPEATS else None
    return Verdict("undecided", extra if extra is None else max(extra, 1))
