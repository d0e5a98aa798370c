"""In which order findings are read: the worst first, everywhere the same."""

from __future__ import annotations

from collections.abc import Iterable

from geosite.base.errors import Finding

__all__ = ["worst_first"]

#: What makes numbers of the survey itself wrong: every verdict rests on them.
_SURVEY = frozenset(
    {
        "baseline-length",
        "baseline-swapped",
        "check-point-off",
        "closure-large",
        "control-misfit",
        "leg-off",
        "leg-sign",
        "mark-suspect",
        "name-wrong",
        "names-swapped",
        "outlier",
        "outside-area-of-use",
        "run-mirrored",
        "value-improbable",
        "visit-off",
    }
)
#: What is beyond a rule or over a line at 95 %.
_BEYOND = frozenset(
    {"built-beyond", "design-parcel-line", "fall-from-building", "grade-beyond", "parcel-line"}
)
#: Water that stands.
_WATER = frozenset({"pond", "design-pond"})
#: What more measuring would decide.
_UNDECIDED = frozenset(
    {
        "built-undecided",
        "design-parcel-line-undecided",
        "fall-from-building-undecided",
        "grade-undecided",
        "parcel-line-undecided",
    }
)
#: What is only remarked on.
_REMARKS = frozenset({"design-fall", "flat-paving"})


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Put what to look at before what to know, and of that the worst before the rest.

    A survey that is wrong in itself comes before a rule that is broken, that before standing water,
    that before what is undecided and what is only remarked on. The order of equals is kept.

    Examples
    --------
    >>> known, flat = Finding("note", "known", "So."), Finding("look", "flat-paving", "Flat.")
    >>> over = Finding("look", "grade-beyond", "Steep.")
    >>> [finding.code for finding in worst_first([known, flat, over])]
    ['grade-beyond', 'flat-paving', 'known']
    """
    return tuple(sorted(findings, key=_rank))


def _rank(finding: Finding) -> int:
    if finding.level != "look":
        return 9
    ranked = (_SURVEY, _BEYOND, _WATER, None, _UNDECIDED, _REMARKS)
    return next((i for i, codes in enumerate(ranked) if codes and finding.code in codes), 3)
