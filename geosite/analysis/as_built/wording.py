"""What is said of what was built."""

from __future__ import annotations

from collections.abc import Iterator

from geosite.analysis.as_built.model import AsBuilt, Deviation
from geosite.base.errors import Finding
from geosite.base.exact_numbers import Words, fixed, kept
from geosite.base.rounding import written
from geosite.fieldbook.model import Notes
from geosite.terrain.wording import interval_words, signed_words

__all__ = ["VERDICTS", "findings"]

VERDICTS = {
    "within": "within the tolerance at 95 %",
    "beyond": "beyond the tolerance at 95 %",
    "undecided": "the 95 % interval holds the tolerance",
}
TOLD = 12
"""Deviations that are listed one by one."""


def findings(made: AsBuilt, notes: Notes) -> tuple[Finding, ...]:
    """Return what to know and what to look at."""
    return (*_deviations(made), *_surfaces(made), *_missing(made, notes))


def _deviations(made: AsBuilt) -> Iterator[Finding]:
    beyond = [text for one in made.deviations for text in _beyond(one)]
    for text in beyond[:TOLD]:
        yield Finding("look", "built-beyond", text)
    if (more := len(beyond) - TOLD) > 0:
        others = "1 more deviation is" if more == 1 else f"{more} more deviations are"
        yield Finding("look", "built-more", f"{others} like these.")
    unsure = [
        one.name for one in made.deviations if "undecided" in (one.plan_verdict, one.height_verdict)
    ]
    if unsure:
        named = ", ".join(unsure[:5]) + (f" and {len(unsure) - 5} more" if len(unsure) > 5 else "")
        yield Finding(
            "look",
            "built-undecided",
            f"Within or beyond the tolerance cannot be told at {named}: visit them again, straight "
            "from the baseline.",
        )


def _beyond(one: Deviation) -> Iterator[str]:
    if one.plan_verdict == "beyond" and one.plan is not None:
        off, half = abs(one.plan.value), one.plan.half_width
        yield Words(
            f"{one.name} lies {kept(written(off, half, 'm'), off, half)} off in plan "
            f"(95 %), {one.plan_limit:g} m are allowed."
        )
    if one.height_verdict == "beyond" and one.up is not None:
        way = "high" if one.up.value > 0 else "low"
        off, half = abs(one.up.value), one.up.half_width
        yield Words(
            f"{one.name} is {kept(written(off, half, 'm'), off, half)} too {way} (95 %), "
            f"{one.height_limit:g} m are allowed."
        )


def _surfaces(made: AsBuilt) -> Iterator[Finding]:
    for one in made.surfaces:
        text = (
            f"{one.code or 'without a code'}: {fixed(one.area_m2, 1)} m2 lie "
            f"{signed_words(one.mean_m, 3, 'm')} above the design on average"
        )
        if one.share_within is not None:
            share = one.share_within.scaled(100)
            text += (
                f"; {share.value:.0f} % of it ({share.low:.0f} to {share.high:.0f}) within "
                f"{one.height_limit:g} m"
            )
        if one.placed_m3 is not None:
            text += f"; {interval_words(one.placed_m3, 1, 'm3')} were laid"
        level = "look" if one.thickness_verdict == "beyond" else "note"
        yield Finding(level, "built-surface", text + ".")  # type: ignore[arg-type]


def _missing(made: AsBuilt, notes: Notes) -> Iterator[Finding]:
    if made.missing:
        named = ", ".join(made.missing[:8])
        more = len(made.missing) - 8
        yield Finding(
            "look",
            "built-missing",
            f"The survey has no mark at {named}{f' and {more} more' if more > 0 else ''} of the "
            "design: measure them under these names.",
            notes.book.file,
        )
