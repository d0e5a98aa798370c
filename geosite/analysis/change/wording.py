"""What is said of a change."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from geosite.analysis.change.congruency import Stability
from geosite.analysis.change.model import Apart, Change, Explained, MarkChange
from geosite.base.errors import Finding
from geosite.base.exact_numbers import Words, fixed, kept
from geosite.base.rounding import written
from geosite.fieldbook.model import Notes
from geosite.terrain.wording import interval_words, signed_words

__all__ = ["VERDICTS", "findings"]

VERDICTS = {
    "stable": "no movement against the other stable marks, at 95 %",
    "moved": "moved against the stable marks, at 95 %",
    "undecided": "the two surveys do not tell",
}


def findings(
    change: Change, other_marks: Sequence[str], before: Notes, after: Notes
) -> tuple[Finding, ...]:
    """Return what to know and what to look at."""
    return (
        *_days(before, after),
        *_alike(other_marks, after),
        *_apart(change.apart, after),
        *_marks(change, "plan", change.plan),
        *_marks(change, "level", change.level),
        *_ground(change),
        *_not_walked_again(change, after),
    )


def _days(before: Notes, after: Notes) -> Iterator[Finding]:
    one, other = before.site.site.date, after.site.site.date
    if one and other and other < one:
        yield Finding(
            "look",
            "surveys-order",
            f"The second survey is of {other}, before the first, {one}: exchange them, or read "
            "every change the other way round.",
            after.site_file,
        )


def _alike(names: Sequence[str], after: Notes) -> Iterator[Finding]:
    if names:
        yield Finding(
            "look",
            "marks-alike",
            f"{_listed(names)}: another mark of this name lies far from it in the survey before, "
            "so they are not compared. Give each mark a name of its own.",
            after.book.file,
        )


_WHY: Mapping[Explained, str] = {
    "no": ", more than their accuracy explains",
    "yes, but far": ", which the stated accuracy of the known marks explains",
    "not known": "; whether the known marks explain that is not known, for nothing says how "
    "accurate the survey is",
}


def _apart(apart: Apart, after: Notes) -> Iterator[Finding]:
    """Say what the surveys are off by, for it is taken out of every change."""
    out = "That was taken out: movements and the ground are told against the stable marks. "
    if why := _WHY.get(apart.up_explained):
        side = "higher" if apart.up > 0 else "lower"
        cause = ": its elevations count from another level" if apart.up_explained == "no" else ""
        yield Finding(
            "note" if apart.up_explained == "yes, but far" else "look",
            "surveys-apart-height",
            f"All stable marks lie {fixed(abs(apart.up), 2)} m {side} in the second survey{why}"
            f"{cause}. {out}Compare elevation and vertical_crs of the known marks in both site "
            "files.",
            after.site_file,
        )
    if why := _WHY.get(apart.plan_explained):
        yield Finding(
            "note" if apart.plan_explained == "yes, but far" else "look",
            "surveys-apart-plan",
            f"All stable marks lie {fixed(apart.plan, 2)} m off in plan in the second survey{why}. "
            f"{out}Compare the coordinates of the known marks in both site files.",
            after.site_file,
        )


def _marks(change: Change, what: str, found: Stability | None) -> Iterator[Finding]:
    if found is None:
        return
    where = "in plan" if what == "plan" else "in height"
    verdict = {mark.name: mark.plan if what == "plan" else mark.level for mark in change.marks}
    stable = [name for name, verdict_of in verdict.items() if verdict_of == "stable"]
    moved = [mark for mark in change.marks if verdict[mark.name] == "moved"]
    unsure = [name for name, verdict_of in verdict.items() if verdict_of == "undecided"]
    if found.first.degrees_of_freedom == 0:
        yield Finding(
            "look",
            f"marks-unchecked-{what}",
            f"Both surveys take all common marks as exact {where}, so that nothing tells whether "
            "one moved: give them a sigma, or visit more of the old marks.",
        )
        return
    if found.first.passed and all(one.is_along_only for one in found.marks):
        yield Finding(
            "look",
            f"marks-unchecked-{what}",
            f"Two common marks have nothing but their distance to compare {where}: it did not "
            "change by more than noise, but whether one moved sideways nothing tells. Visit more "
            "of the old marks.",
        )
        return
    by_itself = [
        mark.name
        for number, (mark, own) in enumerate(zip(change.marks, found.marks, strict=True))
        if found.last.passed and found.stable[number] and number not in found.doubtful
        if verdict[mark.name] == "undecided" and not own.test.passed
    ]
    if found.first.passed:
        yield Finding(
            "note",
            f"marks-stable-{what}",
            f"The {len(change.marks)} common marks fit {where}: together they show no movement "
            f"(test {found.first.statistic:.2f}, probability {found.first.probability:.2f}).",
        )
    for mark in moved:
        yield Finding("look", f"mark-moved-{what}", _moved(mark, what, len(stable)))
    ambiguous = [name for name in unsure if name not in by_itself]
    if ambiguous and not found.first.passed:
        yield Finding(
            "look",
            f"marks-undecided-{what}",
            f"The common marks do not fit {where}, but which of {_listed(ambiguous)} moved cannot "
            "be told: visit them again, with more old marks around them.",
        )
    if by_itself:
        many = len(by_itself) > 1
        yield Finding(
            "look",
            f"marks-by-themselves-{what}",
            f"{_listed(by_itself)}: off {where} by more than noise by "
            f"{'themselves' if many else 'itself'}, but not among all stable marks together. Of 20 "
            "marks that did not move one is so by chance: visit again what matters.",
        )


def _moved(mark: MarkChange, what: str, stable: int) -> str:
    against = f"against {stable} stable marks"
    if what == "plan":
        way, half = mark.horizontal.value, mark.horizontal.half_width
        amount = kept(written(way, half, "m"), way, half)
        return Words(f"{mark.name} moved {amount} in plan (95 %) {against}.")
    up, half = abs(mark.up.value), mark.up.half_width
    amount = kept(written(up, half, "m"), up, half)
    direction = "rose" if mark.up.value > 0 else "sank"
    return f"{mark.name} {direction} {amount} (95 %) {against}."


def _not_walked_again(change: Change, after: Notes) -> Iterator[Finding]:
    if not change.not_walked_again:
        return
    named = [f"{name} ({code})" if code else name for name, code in change.not_walked_again]
    one = len(named) == 1
    yield Finding(
        "look",
        "features-not-walked-again",
        f"{_listed(named)}: walked in the first survey and not, under {'its' if one else 'their'} "
        f"name, in the second, so what was added of {'its' if one else 'their'} code counts "
        f"{'it' if one else 'them'} as gone. What is still there must be walked again to count.",
        after.book.file,
    )


def _listed(names: Sequence[str], most: int = 6) -> str:
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")


def _ground(change: Change) -> Iterator[Finding]:
    ground = change.ground
    if ground is None:
        yield Finding(
            "look",
            "ground-apart",
            "The two surveys have no measured ground in common: there is no difference to tell.",
        )
        return
    if ground.unwalked_m2 > 0:
        yield Finding(
            "note",
            "ground-unwalked",
            f"{fixed(ground.unwalked_m2, 0)} m2 are not compared: edges of the first survey run "
            "there "
            "(kerbs, walls) that the second did not walk again. Walk them again to compare it.",
        )
    rose, fell = (
        f"{way} by {interval_words(volume, 1, 'm3')} on {fixed(area, 0)} m2"
        if volume.value or volume.high
        else f"{way} nowhere"
        for way, volume, area in (
            ("rose", ground.raised, ground.raised_m2),
            ("fell", ground.lowered, ground.lowered_m2),
        )
    )
    yield Finding(
        "note",
        "ground-change",
        f"Over {fixed(ground.compared_m2, 0)} m2 the ground {rose} and {fell} where it is more "
        f"than noise; all in all {signed_words(ground.net, 1, 'm3')}.",
    )
