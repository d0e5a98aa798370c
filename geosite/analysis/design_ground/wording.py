"""What is said of a designed ground."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from geosite.base.errors import Finding
from geosite.base.exact_numbers import Words, kept
from geosite.base.rounding import place_words, written
from geosite.terrain.wording import interval_words

if TYPE_CHECKING:
    from geosite.analysis.design_ground.model import DesignedGround, EarthworkQuantities
    from geosite.analysis.design_ground.parcel_lines import DesignClearance
    from geosite.base.map_frame import Frame

__all__ = ["OUTCOMES", "clearance_words", "design_clearance_findings", "findings"]

OUTCOMES = {
    "gone": "no longer there on the designed ground",
    "new": "only on the designed ground",
    "stays": "on both",
    "within": "within the limit at 95 %",
    "beyond": "beyond the limit at 95 %",
    "undecided": "the 95 % interval holds the limit",
}
CHANGED = 0.05
"""Percent: a fall that changes by less is the same."""
REAL_M3 = 0.01
"""A hollow that holds less than a bucket is not told."""


def findings(design: DesignedGround, frame: Frame) -> tuple[Finding, ...]:
    """Return what to know and what to look at."""
    return (*_volumes(design), *_water(design, frame))


def _cut_and_fill(moved: EarthworkQuantities) -> str:
    parts = []
    for name, one in (("cut", moved.cut), ("fill", moved.fill)):
        is_none = one.low == one.high == 0.0
        parts.append(f"no {name}" if is_none else f"{name} {interval_words(one, 1, 'm3')}")
    return ", ".join(parts)


def _volumes(design: DesignedGround) -> Iterator[Finding]:
    said, under = _cut_and_fill(design.quantities), design.formation
    if under is not design.quantities:
        said += (
            f" to its surface; {_cut_and_fill(under)} to formation, the underside of what is laid"
        )
    yield Finding("note", "design-volumes", f"Design {design.name}: {said}.")
    if design.covered < 0.99:
        yield Finding(
            "look",
            "design-partly-off-ground",
            f"Design {design.name}: {100 * (1 - design.covered):.0f} % of it lies where no ground "
            "was walked; cut, fill and drainage leave that out. Walk marks around it.",
        )


def _water(design: DesignedGround, frame: Frame) -> Iterator[Finding]:
    for one in design.waters:
        if one.what == "pond" and one.outcome == "new" and one.after is not None:
            if one.after.value < REAL_M3:
                continue
            size = design.grid.cell_size
            row, col = one.cell
            east, north = (
                design.grid.west + (col + 0.5) * size,
                design.grid.north - (row + 0.5) * size,
            )
            sure = one.after.low > 0
            yield Finding(
                "look" if sure else "note",
                "design-pond",
                f"Design {design.name}: after rain water {'will' if sure else 'may'} stand at "
                f"{place_words(east, north, 1)}, {interval_words(one.after, 2, 'm3')}, where "
                "none does on the walked ground.",
            )
        if one.what == "fall" and one.outcome == "beyond" and one.after is not None:
            if one.before is not None and abs(one.after.value - one.before.value) < CHANGED:
                continue  # said of the walked ground already
            yield Finding(
                "look",
                "design-fall",
                f"Design {design.name}: before {one.name} the ground falls "
                f"{interval_words(one.after, 1, '%')} where {one.limit:g} % is the limit.",
            )


def clearance_words(one: DesignClearance) -> Words:
    """Say in one sentence how near a design comes to a parcel line.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.base.estimate import Estimate
    >>> apart, nearest = Estimate.normal(-0.3, 0.1, 2.0), np.zeros((2, 2))
    >>> from geosite.analysis.design_ground.parcel_lines import DesignClearance
    >>> over = DesignClearance("pad", "Pad", "parts", "12", apart, "crosses", nearest)
    >>> clearance_words(over)
    'Design pad reaches over the line of parcel 12 by 0.30 +/- 0.20 m (95 %)'
    """
    known = math.isfinite(one.distance.half_width)
    half = one.distance.half_width
    size = kept(written(abs(one.distance.value), half, "m"), abs(one.distance.value), half)
    reach = f"{size} ({'95 %' if known else 'its accuracy is not known'})"
    with_banks = " with its banks" if one.what == "banks" else ""
    name = f"Design {one.design}{with_banks}"
    if one.verdict == "clear":
        return Words(f"{name} is clear of the line of parcel {one.parcel} by {reach}")
    if one.verdict == "crosses":
        return Words(f"{name} reaches over the line of parcel {one.parcel} by {reach}")
    side = "short of" if one.distance.value >= 0 else "over"
    return Words(
        f"{name} and the line of parcel {one.parcel}: cannot tell, designed {side} the line by "
        f"{reach}"
    )


def design_clearance_findings(found: Sequence[DesignClearance], frame: Frame) -> Iterator[Finding]:
    """Say of every design how near it comes to a parcel line: to look at where it is not clear."""
    for one in found:
        code = {
            "clear": "design-parcel-clear",
            "crosses": "design-parcel-line",
            "cannot tell": "design-parcel-line-undecided",
        }[one.verdict]
        easting, northing = frame.to_map(one.line[0]).tolist()
        text = f"{clearance_words(one)}. Setting it out adds its own error; no boundary survey."
        place = (easting, northing)
        yield Finding("note" if one.verdict == "clear" else "look", code, text, place=place)
