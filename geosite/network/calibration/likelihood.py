"""How badly a device explains its surveys: the restricted likelihood, without any truth.

Places, orientations and elevations are unknown altogether, headings, scales, climbs and pointing
are drawn from the device; with the covariances Sigma of the observations, the normal equations N of
all unknowns and the weighted squares q of what is left over, minus twice the logarithm of the
likelihood is ``ln|Sigma| + ln|N| + q`` (Patterson & Thompson 1971, Recovery of inter-block
information when block sizes are unequal, doi:10.1093/biomet/58.3.545; in Harville's form 1977,
Maximum likelihood approaches to variance component estimation and to related problems,
doi:10.1080/01621459.1977.10480998).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.interrupt import stop_if_asked
from geosite.fieldbook.model import Notes
from geosite.network.control.anchor import read_anchor
from geosite.network.control.model import Anchored
from geosite.network.equations.heights import Heights, adjust_heights
from geosite.network.equations.normal import Equations, Prior, Term
from geosite.network.equations.plan import Azimuth, Plan, PlanInput, adjust_plan
from geosite.network.tie_runs import known_heights, known_places, plan_steps, tie
from geosite.network.walk.dead_reckoning import Start
from geosite.network.walk.device import CLASSES, Device
from geosite.network.walk.runs import scaled_path, walk_runs

__all__ = ["Case", "likelihood", "misfit_of", "read_case"]


@dataclass(frozen=True, eq=False)
class Case:
    """A survey, its map, and the orientations of its runs to start from, radians."""

    notes: Notes
    anchored: Anchored
    orientation: Floats


def read_case(notes: Notes) -> Case:
    """Tie the runs of a survey and turn them to its known marks."""
    anchored = read_anchor(notes)
    baseline = (notes.site.baseline.from_, notes.site.baseline.to)
    known = frozenset(c.name for c in anchored.controls if not c.check)
    tied = tie(notes.book, CLASSES["unknown"], baseline, known, anchored.frame.combined_factor)
    places = known_places(anchored.controls, tied.knot)
    turn = tied.plan.orientation
    if len(places.knot) >= 2:
        from geosite.network.control.similarity import fit_rigid

        turn = turn + fit_rigid(tied.plan.position[places.knot], places.value).turn
    return Case(notes, anchored, turn)


def misfit_of(cases: Sequence[Case], in_height: bool) -> Callable[[Device], float]:
    """Return what a device fails to explain of surveys, in plan or in height, by the device."""
    starts: list[Start | None] = [None] * len(cases)

    def misfit(device: Device) -> float:
        stop_if_asked()
        total = 0.0
        for i, case in enumerate(cases):
            part = _adjusted(case, device, in_height, starts[i])
            # the next device is much like this one
            if isinstance(part, Plan):
                starts[i] = part.start() if part.converged else None
            total += likelihood(part)
        return total

    return misfit


def likelihood(part: Plan | Heights) -> float:
    """Return minus twice the logarithm of the restricted likelihood, but for a constant."""
    found = _log_determinants(part.terms, part.posterior.equations)
    return found + part.weighted_squares


def _log_determinants(terms: Sequence[Term], equations: Equations) -> float:
    """``ln|Sigma| + ln|N|``; what has no weight is no observation."""
    total = 0.0
    for term in terms:
        axes = np.flatnonzero(np.einsum("mdd->d", term.weight) > 0)
        if len(axes):
            part = term.weight[:, axes[:, None], axes]
            some = np.einsum("mdd->m", part) > 0
            total -= float(np.linalg.slogdet(part[some])[1].sum())
    return total + equations.log_determinant


def _adjusted(
    case: Case, device: Device, in_height: bool, before: Start | None = None
) -> Plan | Heights:
    """Adjust the plan or the heights of a survey, by its known marks if there are two."""
    notes, controls = case.notes, case.anchored.controls
    book, baseline = notes.book, notes.site.baseline
    known = frozenset(c.name for c in controls if not c.check)
    walk = walk_runs(book, device, known | {baseline.from_, baseline.to})
    path = scaled_path(walk, book.local, case.anchored.frame.combined_factor)
    knot = {name: i for i, name in enumerate(walk.knots)}
    start, end = knot[baseline.from_], knot[baseline.to]
    held = Prior(np.array([start]), np.zeros(1), np.zeros(1))
    if in_height:
        elevations = known_heights(controls, knot)
        return adjust_heights(
            walk, path, device, 1.0, elevations if len(elevations.knot) else held, len(book.runs)
        )
    places = known_places(controls, knot)
    azimuth = None
    if len(places.knot) < 2:
        places = Prior(held.knot, np.zeros((1, 2)), held.sigma)
        azimuth = Azimuth(start, end, math.pi / 2, 0.0)
    steps = plan_steps(walk, path)
    given = PlanInput(walk, steps, device, 1.0, places, case.orientation, azimuth, before)
    return adjust_plan(given, settled=1e-8, steps=30)
