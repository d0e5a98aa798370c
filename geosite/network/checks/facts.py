"""What may be wrong with a survey: the facts, before anybody puts them into words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geosite.network.model import Closure

__all__ = [
    "SHORT_LOOP",
    "WORST_KNOWN",
    "JudgedLength",
    "LengthCheck",
    "LoopByDevice",
    "LoopByRatio",
    "LooseMark",
    "NoPlace",
    "Reduction",
    "SamePlace",
    "ShortBaseline",
    "UnitMistake",
]

SHORT_LOOP = 30.0
"""Metres; a shorter loop must also miss by more than its legs explain, else it is let pass."""
WORST_KNOWN = 1000.0
"""Metres; a position known worse than this holds nothing, and its weight has no digits left."""

UnitMistake = Literal[
    "feet too short",
    "feet too long",
    "yards",
    "notes in centimetres",
    "notes in millimetres",
    "map in centimetres",
    "map in millimetres",
]
"""What a ratio of lengths looks like: the notes by feet too short or too long, ..."""

Reduction = Literal[
    "notes on the grid", "map on the ground", "US survey feet", "international feet"
]
"""What a small difference of scale looks like; the feet are those that the notes are in."""


@dataclass(frozen=True, slots=True)
class LooseMark:
    """A known mark whose place is known too badly to hold anything, metres."""

    mark: str
    sigma_m: float


@dataclass(frozen=True, slots=True)
class SamePlace:
    """Two known marks that are given the same place."""

    first: str
    second: str


@dataclass(frozen=True, slots=True)
class NoPlace:
    """A run whose marks have no determined place: its longest leg, metres, ends on a row."""

    run: str
    row: int
    leg_m: float


@dataclass(frozen=True, slots=True)
class ShortBaseline:
    """A run in whose notes the baseline marks fall together; the row of the later one."""

    run: str
    row: int
    apart_m: float


@dataclass(frozen=True, slots=True)
class LoopByRatio:
    """A loop worse than the ratio of misclosure asked; not refused where it is too short to say."""

    loop: Closure
    limit: float
    is_refused: bool


@dataclass(frozen=True, slots=True)
class LoopByDevice:
    """A loop worse than most of a device; beyond a misclosure, metres, it is refused."""

    loop: Closure
    bound_m: float
    is_refused: bool


@dataclass(frozen=True, slots=True)
class LengthCheck:
    """A length in the notes against the same on the map.

    Parameters
    ----------
    start, end
        The two marks.
    measured_m, mapped_m
        Ground metres.
    sigma_m
        Expected standard deviation of the difference.
    combined_factor
        Map length per ground length.
    widening
        Quantile of Student's t over that of the normal distribution, at 95 %.
    others
        Measured over mapped of the other lengths between known marks.
    """

    start: str
    end: str
    measured_m: float
    mapped_m: float
    sigma_m: float
    combined_factor: float
    widening: float = 1.0
    others: tuple[float, ...] = ()

    @property
    def ratio(self) -> float:
        """Measured over mapped length."""
        return self.measured_m / self.mapped_m

    @property
    def ppm(self) -> float:
        """Measured less mapped length, parts per million."""
        return (self.ratio - 1) * 1e6

    @property
    def sigmas(self) -> float:
        """Difference in standard deviations."""
        return (self.measured_m - self.mapped_m) / self.sigma_m if self.sigma_m > 0 else 0.0

    @property
    def judged(self) -> float:
        """The same for a judgement: in standard deviations of a normal distribution as wide."""
        return self.sigmas / self.widening


@dataclass(frozen=True, slots=True)
class JudgedLength:
    """A length that is off by more than three standard deviations, or looks like another unit.

    Parameters
    ----------
    check
    outcome
        ``"another unit"``: another length confirms it; ``"perhaps another unit"``: none does, and
        the length is off by more than any device; ``"too far"``: beyond four standard deviations
        and one percent; ``"look"``: less.
    unit
        Of the first two.
    reduction
        Of the last, where a reason is near.
    """

    check: LengthCheck
    outcome: Literal["another unit", "perhaps another unit", "too far", "look"]
    unit: UnitMistake | None = None
    reduction: Reduction | None = None
