"""A calibration in words, as facts for programs, and as the file that a site file names."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from geosite.network.calibration.components import Component
from geosite.network.calibration.fit import ENOUGH, Calibration

__all__ = ["calibration_facts", "calibration_told", "device_toml"]


@dataclass(frozen=True, slots=True)
class _Part:
    """How a component is written: key of ``[survey.device]``, words, unit, its size, its walk."""

    key: str
    words: str
    unit: str
    per_unit: float
    how: str


_VISITS = "visit one mark several times, with a few metres walked in between"
_LOOPS = "walk several loops of different length"
_LINE = "walk a straight line there and back, 30 m or more, with marks on the way"
_PARTS = {
    "pointing": _Part("pointing", "pointing, per axis", "m", 1.0, _VISITS),
    "pointing_up": _Part("pointing_up", "pointing, upwards", "m", 1.0, _VISITS),
    "walk": _Part("walk", "random walk, per axis", "m per root metre", 1.0, _LOOPS),
    "walk_up": _Part("walk_up", "random walk, upwards", "m per root metre", 1.0, _LOOPS),
    "walk_per_second": _Part(
        "walk_per_second", "random walk, per axis", "m per root second", 1.0, _LOOPS
    ),
    "walk_up_per_second": _Part(
        "walk_up_per_second", "random walk, upwards", "m per root second", 1.0, _LOOPS
    ),
    "heading": _Part("heading_deg", "heading", "degrees per root metre", 180 / math.pi, _LINE),
    "scale": _Part(
        "scale_percent",
        "scale of a run",
        "%",
        100.0,
        "walk between two marks whose distance is known, the longer the better",
    ),
    "climb": _Part(
        "climb_percent",
        "climb of a run",
        "% of the way",
        100.0,
        "come back to a mark after a long level walk",
    ),
    "tilt": _Part("tilt_deg", "tilt of a run", "degrees", 180 / math.pi, f"{_LINE}; then across"),
}
"""By the field of `Device`."""


def _numbers(part: Component) -> tuple[str, str, str]:
    """Value and ends of the interval, in the unit of the component."""
    size = _PARTS[part.name].per_unit
    value, low, high = (f"{number * size:.3g}" for number in (part.value, part.low, part.high))
    return value, low, high


def _interval(low: str, high: str) -> str:
    return f"at most {high}" if low == "0" else f"{low} to {high}"


def device_toml(found: Calibration, name: str = "device.toml") -> str:
    """Return the device as a TOML file for ``[survey.device]`` ``file``.

    ``[device]`` has the keys of ``[survey.device]``; ``[calibration]`` says where they come from
    and is passed over when the file is read.

    Parameters
    ----------
    found
    name
        What the file will be called.
    """
    # a name of other signs, a line break among them, would be no comment
    quoted_name = json.dumps(name if name.isprintable() else "device.toml", ensure_ascii=False)
    lines = [
        f"# Device, fitted by geosite calibrate to {_surveys(found.surveys)}",
        "# by restricted maximum likelihood. Standard deviations, with their 95 % intervals.",
        f"# Lay it beside a site file and write there: [survey.device] and file = {quoted_name}",
        "",
        "[device]",
    ]
    intervals, untold = [], []
    for part in found.components:
        written = _PARTS[part.name]
        value, low, high = _numbers(part)
        note = f"{written.unit}; 95 %: {_interval(low, high)}"
        if not part.identified:
            note += "; not told by these walks"
            untold.append(written.key)
        lines.append(f"{written.key} = {value}  # {note}")
        intervals.append(f"{written.key} = [{low}, {high}]")
    quoted = ", ".join(f'"{key}"' for key in untold)
    lines += [
        f"degrees_of_freedom = {found.device.degrees_of_freedom:g}  # how well these are known",
        "",
        "[calibration]",
        f"surveys = {found.surveys}",
        f"loops_left_out = {found.loops}",
        f"loops_held = {found.loops_held}",
        f"not_told = [{quoted}]",
        "",
        "[calibration.intervals_95]",
        *intervals,
    ]
    return "\n".join(lines) + "\n"


def calibration_facts(found: Calibration) -> dict[str, Any]:
    """Return a calibration as JSON-ready facts, in the units of ``[survey.device]``."""
    components: dict[str, Mapping[str, Any]] = {}
    for part in found.components:
        written = _PARTS[part.name]
        components[written.key] = {
            "value": part.value * written.per_unit,
            "low_95": part.low * written.per_unit,
            "high_95": part.high * written.per_unit,
            "unit": written.unit,
            "told": part.identified,
        }
    return {
        "surveys": found.surveys,
        "components": components,
        "degrees_of_freedom": found.device.degrees_of_freedom,
        "loops_left_out": found.loops,
        "loops_held": found.loops_held,
    }


def calibration_told(
    found: Calibration,
) -> Iterator[tuple[Literal["title", "plain", "good", "look"], str]]:
    """Put a calibration into lines for people, each with its style."""
    yield "title", f"Device, fitted to {_surveys(found.surveys)}: standard deviations"
    for part in found.components:
        written = _PARTS[part.name]
        value, low, high = _numbers(part)
        shown = f"  {written.words:22} {value:>8} {written.unit}, 95 %: {_interval(low, high)}"
        yield "plain", shown if part.identified else f"{shown} (not told by these walks)"
    untold = [_PARTS[part.name] for part in found.components if not part.identified]
    if untold:
        names = "; ".join(part.words for part in untold)
        yield (
            "look",
            f"Not told by these walks, and little more than what is taken of an unknown device: "
            f"{names}. So that they become known:",
        )
        for how in dict.fromkeys(part.how for part in untold):
            yield "plain", f"  {how}"
    else:
        yield "good", "These walks tell every component"
    yield _held(found)
    if found.surveys < ENOUGH:
        yield (
            "look",
            f"Fewer than {ENOUGH} surveys: the sizes count as no better known than those of an "
            "unknown device",
        )


def _held(found: Calibration) -> tuple[Literal["good", "look", "plain"], str]:
    if found.surveys < ENOUGH:
        return "plain", f"Proof: none, {ENOUGH} surveys are needed to leave one out"
    if not found.loops:
        return "look", "Proof: none, no run comes back to a mark, so nothing can be compared"
    words = (
        f"Proof: each survey left out in turn, {found.loops_held} of {found.loops} loops close "
        "within the 95 % that the other surveys state"
    )
    # fewer than 19 of 20 by more than chance: twice the binomial's standard deviation
    least = 0.95 * found.loops - 2 * math.sqrt(found.loops * 0.95 * 0.05)
    if found.loops_held < least:
        return "look", f"{words}: too few; was it the same device, carried the same way?"
    return "good", words


def _surveys(count: int) -> str:
    return "one survey" if count == 1 else f"{count} surveys"
