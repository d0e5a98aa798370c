"""What was built against what was designed: the facts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geosite.analysis.as_built.surfaces import SurfaceDeviation, Verdict
from geosite.analysis.design_ground.zones import Edge, Zone
from geosite.base.arrays import Floats
from geosite.base.errors import Finding
from geosite.base.estimate import Estimate

__all__ = ["AsBuilt", "Deviation", "Plan", "Verdict"]


@dataclass(frozen=True, eq=False)
class Plan:
    """A design to compare with.

    Parameters
    ----------
    points
        Name and place, shape (3,), local grid metres and metres; NaN where there is no elevation.
    edges, zones
    """

    points: tuple[tuple[str, Floats], ...]
    edges: tuple[Edge, ...]
    zones: tuple[Zone, ...]


@dataclass(frozen=True, eq=False)
class Deviation:
    """One place that was built.

    Parameters
    ----------
    what
        ``"mark"``, or ``"edge"`` for a station along one.
    name
        Of the mark, or of the edge and its station.
    code
    place : array, shape (3,), local grid metres and metres
        As built.
    east, north
        Built less designed, metres on the ground; None where only the height is designed.
    plan
        Its length; of an edge the distance of the side that was built, positive to its left, at a
        corner of the worse of two sides.
    up
        Built above designed, metres; None where no elevation is designed.
    plan_limit, height_limit
        Tolerances of the code.
    plan_verdict, height_verdict
    shift : array, shape (2,), local grid metres
        Built less designed in plan; None where no place is designed.
    """

    what: Literal["mark", "edge"]
    name: str
    code: str
    place: Floats
    east: Estimate | None
    north: Estimate | None
    plan: Estimate | None
    up: Estimate | None
    plan_limit: float | None = None
    height_limit: float | None = None
    plan_verdict: Verdict | None = None
    height_verdict: Verdict | None = None
    shift: Floats | None = None


@dataclass(frozen=True, eq=False)
class AsBuilt:
    """What was built against what was designed.

    Parameters
    ----------
    deviations
        Marks, then stations along edges.
    surfaces
        Per code that was built on the design.
    missing
        Points of the design that the survey has no mark for.
    findings
    """

    deviations: tuple[Deviation, ...]
    surfaces: tuple[SurfaceDeviation, ...]
    missing: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
