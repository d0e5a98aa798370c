"""Two surveys of one site and what changed between them: the facts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geosite.analysis.change.congruency import Stability
from geosite.analysis.change.ground import GroundChange
from geosite.analysis.change.progress import Progress
from geosite.analysis.takeoff.quantities import TakeOff
from geosite.base.arrays import Floats
from geosite.base.errors import Finding
from geosite.base.estimate import Estimate
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.terrain.site_ground import SiteGround

__all__ = ["NOT_APART", "Apart", "Change", "Epoch", "Explained", "MarkChange", "Verdict"]

Verdict = Literal["stable", "moved", "undecided"]
Explained = Literal["yes", "yes, but far", "no", "not known"]
"""Whether the stated accuracy of known marks explains what two frames are off by."""


@dataclass(frozen=True, eq=False)
class Epoch:
    """One survey, adjusted, drawn and taken off."""

    notes: Notes
    network: Network
    site: SiteGround | None
    taken: TakeOff
    drawing: Drawing


@dataclass(frozen=True, eq=False)
class MarkChange:
    """One common mark.

    Parameters
    ----------
    name
    en : array, shape (2,), local grid metres
        Its place in the first survey.
    elevation
        In the first survey, metres.
    east, north, up
        Displacement against the stable marks, ground metres.
    horizontal
        Length in plan, ground metres.
    detectable_h_m, detectable_v_m
        The displacement that would have been found in 80 of 100 cases.
    probability_h, probability_v
        Of a larger displacement where nothing moved.
    plan, level
        Verdicts.
    ellipse
        95 % region of the displacement: semi-axes, ground metres, and azimuth of the major one,
        radians clockwise from grid north.
    """

    name: str
    en: Floats
    elevation: float
    east: Estimate
    north: Estimate
    up: Estimate
    horizontal: Estimate
    detectable_h_m: float
    detectable_v_m: float
    probability_h: float
    probability_v: float
    plan: Verdict
    level: Verdict
    ellipse: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Apart:
    """What all stable marks are off by together, second survey less first one.

    Parameters
    ----------
    plan, up
        Ground metres, in plan without a direction; taken out before anything is compared.
    plan_explained, up_explained
        By what the known marks of both surveys may be off by; if not, they stand in other systems.
    """

    plan: float
    up: float
    plan_explained: Explained
    up_explained: Explained


NOT_APART = Apart(0.0, 0.0, "yes", "yes")


@dataclass(frozen=True, eq=False)
class Change:
    """What changed from the first survey to the second.

    Parameters
    ----------
    marks
        Common marks, in the order of the first field book.
    plan, level
        Tests of the common marks; None with fewer than two.
    ground
        Difference of the ground; None where the two do not overlap.
    progress
        Quantities per code and what was added.
    not_walked_again
        Name and code of each feature of the first survey that counts as gone.
    apart
        What was taken out before the comparison.
    findings
    """

    marks: tuple[MarkChange, ...]
    plan: Stability | None
    level: Stability | None
    ground: GroundChange | None
    progress: tuple[Progress, ...]
    not_walked_again: tuple[tuple[str, str], ...] = ()
    apart: Apart = NOT_APART
    findings: tuple[Finding, ...] = ()
