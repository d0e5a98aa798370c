"""One check of one stretch of a line, and the line with all that is needed to check it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.analysis.limits import (
    LimitSet,
    MetreLimit,
    SlopeLimit,
    Verdict,
    Word,
    is_built_in,
    judge,
    magnitude,
)
from geosite.analysis.walked_line import Polyline, label_at, length_form, place_on
from geosite.base.arrays import Floats
from geosite.base.estimate import Estimate
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["Check", "Checked", "Grade", "Requirement", "Span"]

Check = Literal[
    "running",
    "cross",
    "width",
    "rise per run",
    "landing slope",
    "landing length",
    "landing width",
    "flare",
    "counter slope",
]


@dataclass(frozen=True, eq=False)
class Span:
    """A stretch of a line.

    Parameters
    ----------
    line
        Name of the line.
    start, end
        Marks or stations.
    start_m, end_m
        Chainage, ground metres.
    places : array, shape (2, 3)
        Where it was measured, easting, northing (local grid metres) and elevation (metres).
    """

    line: str
    start: str
    end: str
    start_m: float
    end_m: float
    places: Floats


@dataclass(frozen=True, slots=True)
class Requirement:
    """What a limit set asks for.

    Parameters
    ----------
    limits
        Name of the limit set.
    limit
        A ratio for slopes, else metres; ``None``: the set has none.
    section
        Section of the standard.
    is_default
        The set came with geosite: a local rule replaces it.
    """

    limits: str
    limit: float | None
    section: str
    is_default: bool = False


@dataclass(frozen=True, eq=False)
class Grade:
    """One check of one stretch of a line.

    Parameters
    ----------
    check
        What is held against the limit.
    span
        Where.
    measured
        A ratio for slopes, rise positive along the line or to its left; metres for rises, lengths
        and widths. ``None`` where nothing was measured near enough to say.
    requirement
        In the same unit.
    judged
        Whether it keeps the limit.
    probability
        Share of the possible profiles in which there is such a landing or run; ``None`` for checks
        that do not depend on how the line is split.
    """

    check: Check
    span: Span
    measured: Estimate | None
    requirement: Requirement
    judged: Verdict
    probability: float | None = None

    @property
    def verdict(self) -> Word:
        """What is said of the number and its limit."""
        return self.judged.verdict

    @property
    def is_slope(self) -> bool:
        """The number is a slope, a ratio; otherwise it is in metres."""
        return self.check in ("running", "cross", "landing slope", "flare", "counter slope")

    @property
    def is_at_most(self) -> bool:
        """The limit is a greatest value; of lengths and widths it is a least one."""
        return self.check not in ("width", "landing length", "landing width")


@dataclass(frozen=True, eq=False)
class Checked:
    """A line with everything that is needed to check it.

    Parameters
    ----------
    line, network
        The line and the adjusted survey.
    limits, name
        What to hold it against, and the name of the set.
    ground
        Between the marks, for the cross slope; without it, or edges, none is told.
    width
        Over which the cross slope is taken where no edges were walked, ground metres.
    edges
        The two edges of the way, if they were walked.
    """

    line: Polyline
    network: Network
    limits: LimitSet
    name: str
    ground: Ground | None = None
    width: float = 1.2
    edges: tuple[Polyline, Polyline] | None = None

    def estimates(self, values: Sequence[float], forms: Sequence[LinearForm]) -> list[Estimate]:
        """Return numbers that the marks alone decide."""
        spread, half = accuracies(self.network, forms)
        return [
            Estimate(float(v), float(v - h), float(v + h), float(s))
            for v, s, h in zip(values, spread, half, strict=True)
        ]

    def grade(
        self,
        check: Check,
        stretch: tuple[float, float],
        measured: Estimate | None,
        limit: SlopeLimit | MetreLimit | None,
        places: Floats | None = None,
    ) -> Grade:
        """Judge one number; lengths and widths have a least value, all else a greatest."""
        a, b = stretch
        bound = None
        if limit is not None:
            bound = limit.slope if isinstance(limit, SlopeLimit) else limit.metres
        at_least = check in ("width", "landing length", "landing width")
        judged = judge(None if measured is None else magnitude(measured), bound, at_least=at_least)
        if places is None:
            places = np.array([place_on(self.line, self.network, at)[0] for at in stretch])
        ends = label_at(self.line, a), label_at(self.line, b)
        return Grade(
            check,
            Span(self.line.name, *ends, float(a), float(b), places),
            measured,
            Requirement(
                self.name,
                bound,
                "" if limit is None else limit.section,
                is_built_in(self.name, self.limits),
            ),
            judged,
        )

    def slope(self, a: float, b: float) -> tuple[float, LinearForm]:
        """Return rise over run between two chainages, and its form.

        Both are linear in the marks to first order, so the form holds the covariance of rise and
        length.
        """
        (start, up_a), (end, up_b) = (place_on(self.line, self.network, at) for at in (a, b))
        length, rise = b - a, float(end[2] - start[2])
        form = (up_b + up_a * -1.0) * (1 / length)
        form = form + length_form(self.line, self.network, a, b) * (-rise / length**2)
        return rise / length, form

    def across(self, a: float, b: float) -> tuple[Floats, Floats]:
        """Return the place in the middle of a leg and the unit vector to its left, on the grid."""
        before, after = (place_on(self.line, self.network, at)[0][:2] for at in (a, b))
        along = (after - before) / (np.hypot(*(after - before)) or 1.0)
        middle = place_on(self.line, self.network, (a + b) / 2)[0][:2]
        return middle, np.array([-along[1], along[0]])
