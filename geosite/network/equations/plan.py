"""The least squares of the plan: places of the knots, and of each run its headings and scale.

Unknown are the place of each knot; at every node (a visit of a run to a knot) the place of the
path, which pointing does not hit, and the heading; the scale of each run. A long leg between two
nodes is one observation of three numbers (`geosite.network.walk.dead_reckoning`), a visit one of
two. What a device does not have (no pointing, no straying heading, no scale) has no unknowns: paths
then go through the knots, each run has one heading, and legs that err independently are what is
left.

The equations are solved by Gauss-Newton steps. At every step the way between the nodes is reckoned
again with the headings and shifts that are the likeliest so far, so that small angles are not
assumed (the iterated smoother: Bell 1994, The iterated Kalman smoother as a Gauss-Newton method,
SIAM J. Optim. 4(3):626-636, doi:10.1137/0804035).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.equations.normal import Equations, Posterior, Term, gather, squares_of
from geosite.network.equations.plan_input import Azimuth, PlanInput, Unknowns, number_unknowns
from geosite.network.walk.dead_reckoning import Reckoned, Start, Strayed, reckon, state_matrix
from geosite.network.walk.runs import PIECE, Complexes, Piece, Walk

__all__ = ["Azimuth", "Plan", "PlanInput", "adjust_plan"]

NO_GAIN = 1e-6
"""Chi-square by which a step would lower that of the survey: a thousandth of a sigma, squared."""
HIDDEN = 1e-11
"""Share of the squares that the rounding of their sum over a large survey hides."""
SMALL = 1e-6
"""Radians. A step no larger is the better for being whole, whatever rounding says of its gain."""


@dataclass(frozen=True, eq=False)
class Plan:
    """Adjusted plan.

    Parameters
    ----------
    position : array, shape (K, 2), grid metres
    orientation : array, shape (R,), radians
        Heading of each run at its first node.
    scale : array, shape (R,)
        By how much each run measured too long, as a share.
    knot, path, heading, run_scale
        Numbers of the unknowns (see `Unknowns`).
    posterior
        Their covariance.
    legs, visits, terms
        Long legs, visits and all observations, at the end.
    given, strayed
        What it was adjusted from, and where headings strayed to.
    total : array, shape (s, 3, 3)
        Covariance G of each long leg.
    weight : array, shape (s, 3, 3)
        Its inverse.
    weighted_squares
        Sum of the squares of what is left over, over the variances.
    redundancy
        Observations less unknowns.
    converged
        False if the orientations did not settle.
    """

    position: Floats
    orientation: Floats
    scale: Floats
    path_place: Complexes
    node_heading: Floats
    knot: Ints
    path: Ints
    heading: Ints
    run_scale: Ints
    posterior: Posterior
    legs: Term
    visits: Term | None
    terms: tuple[Term, ...]
    given: PlanInput
    strayed: Strayed
    total: Floats
    weight: Floats
    weighted_squares: float
    redundancy: int
    converged: bool

    def start(self, turn: float = 0.0) -> Start:
        """Return what another adjustment of the same walk, turned, can start from."""
        walk = self.given.walk
        heading = np.empty(len(walk.row))
        for piece, reckoned in self.reckoned():
            part = piece.walk
            of_nodes = self.node_heading[piece.nodes]
            heading[piece.at] = of_nodes[part.node_at[part.reference]] + reckoned.turned
        heading[walk.nodes] = self.node_heading
        if turn == 0.0:
            return Start(heading, self.scale, self.strayed)
        shifted = replace(self.strayed, shift=self.strayed.shift * np.exp(1j * turn))
        return Start(heading + turn, self.scale, shifted)

    def reckoned(self) -> Iterator[tuple[Piece, Reckoned]]:
        """Yield the walk between the nodes, piece by piece."""
        for piece in self.given.walk.pieces():
            here = self.strayed.part(piece.at)
            yield piece, _reckoned(self.given, piece, self.node_heading, self.scale, here)

    def alone(self) -> Plan:
        """Return the plan without what it keeps of every row; nothing can start from it."""
        given = replace(self.given, step=np.zeros(0, dtype=np.complex128))
        return replace(self, given=given, strayed=Strayed.none(0))


def _reckoned(
    given: PlanInput, piece: Piece, node_heading: Floats, scale: Floats, strayed: Strayed
) -> Reckoned:
    """Reckon a piece of the walk with the headings at all nodes and the scales of all runs."""
    noise = given.noise(piece.walk, piece.at)
    step = given.step[piece.at] / (1.0 + scale)[piece.walk.run]
    return reckon(piece.walk, step, node_heading[piece.nodes], noise, strayed)


@dataclass(frozen=True, eq=False)
class _Trial:
    """The equations at one set of unknowns."""

    value: Floats
    strayed: Strayed
    total: Floats
    weight: Floats
    terms: list[Term]
    squares: float
    reckoned: Reckoned | None
    """Of a walk no longer than a piece; another is reckoned anew where it is asked for."""


class _Adjustment:
    def __init__(self, given: PlanInput) -> None:
        self.given = given
        self.walk = given.walk
        self.unknowns = number_unknowns(given)
        self.strays = given.device.heading > 0
        walk = self.walk
        self.run_of_leg = walk.leg_run
        self.start, self.end = walk.node_at[walk.leg_start], walk.node_at[walk.leg_end]
        self.whole = walk.along_legs(given.step)
        self.touched = self.unknowns.of_legs(self.start, self.end, self.run_of_leg)
        turning = np.union1d(self.unknowns.heading, self.unknowns.scale)
        self.turning, self.movable = turning, np.setdiff1d(self.unknowns.free, turning)

    def trial(self, value: Floats, strayed: Strayed, into: Strayed | None = None) -> _Trial:
        """Reckon the walk and make the observations, with what the legs then most likely did.

        That is put in the place of `into`, so that a long walk is not held once more.
        """
        if self.strays:
            return self.with_strayed(value, strayed, into or Strayed.none(len(self.walk.row)))
        return self.with_strayed(value, replace(strayed, shift=self.shifts(value)))

    def shifts(self, value: Floats) -> Complexes:
        """Share what a straight long leg misses out among its legs."""
        walk, unknowns = self.walk, self.unknowns
        place = value[unknowns.path] + 1j * value[unknowns.path + 1]
        scale = 1.0 + value[unknowns.scale][self.run_of_leg]
        turn = np.exp(1j * value[unknowns.heading][self.start])
        missed = place[self.end] - place[self.start] - self.whole * turn / scale
        variance = self.given.factor * walk.leg_variance
        share = np.append(missed / variance, 0.0)[walk.leg_of_step]
        return np.asarray(self.given.noise(walk).walked * share)

    def with_strayed(self, value: Floats, strayed: Strayed, into: Strayed | None = None) -> _Trial:
        """Reckon the walk and make the observations.

        With `into` once more, with what the legs then most likely did, which is put there.
        """
        legs, totals = [], []
        for piece in self.walk.pieces():
            reckoned = self.reckoned(value, piece, strayed.part(piece.at))
            if into is not None:
                left = self.left_of_legs(value, piece, reckoned)
                into.put(piece.at, self.likeliest(reckoned, self.weights(reckoned), left))
                reckoned = reckoned.again(into.part(piece.at))
            legs.append(self.legs(value, piece, reckoned))
            totals.append(reckoned.leg_gain)
        terms = [_joined(legs), *self.others(value)]
        return _Trial(
            value=value,
            strayed=strayed if into is None else into,
            total=np.concatenate(totals),
            weight=terms[0].weight,
            terms=terms,
            squares=squares_of(terms),
            reckoned=reckoned if len(legs) == 1 and len(self.walk.row) <= PIECE else None,
        )

    def reckoned(self, value: Floats, piece: Piece, strayed: Strayed) -> Reckoned:
        """Reckon a piece of the walk."""
        heading, scale = value[self.unknowns.heading], value[self.unknowns.scale]
        return _reckoned(self.given, piece, heading, scale, strayed)

    def weights(self, reckoned: Reckoned) -> Floats:
        """Return the inverses of the covariances of long legs."""
        total = reckoned.leg_gain
        weight = np.zeros_like(total)
        axes = slice(0, 3 if self.strays else 2)
        weight[:, axes, axes] = np.linalg.inv(total[:, axes, axes])
        return weight

    def left_of_legs(self, value: Floats, piece: Piece, reckoned: Reckoned) -> Floats:
        """Return what is left over of long legs, shape (s, 3)."""
        unknowns, strayed = self.unknowns, reckoned.strayed
        first, last = self.start[piece.legs], self.end[piece.legs]
        place = value[unknowns.path] + 1j * value[unknowns.path + 1]
        heading = value[unknowns.heading]
        turn = heading[last] - heading[first]
        misfit = place[last] - place[first] - reckoned.leg_carried
        if self.strays:
            along = piece.walk.along_legs
            left = along(strayed.heading) - turn
            bent = reckoned.leg * strayed.lateral - reckoned.middle * strayed.heading
            misfit = misfit + 1j * (reckoned.leg_reach * left + along(bent))
        return np.stack([misfit.real, misfit.imag, turn], axis=1)

    def legs(self, value: Floats, piece: Piece, reckoned: Reckoned) -> Term:
        """Long legs: the error carried back to the node where each starts."""
        jacobian = np.zeros((len(reckoned.leg_reach), 3, 7))
        jacobian[:, range(3), range(3)] = -1.0
        jacobian[:, :, 3:6] = state_matrix(-reckoned.leg_reach)
        if not self.strays:  # one heading: the turn is no observation
            jacobian[:, 2] = 0.0
        scale = 1.0 + value[self.unknowns.scale]
        device = reckoned.leg_carried / scale[self.run_of_leg[piece.legs]]
        jacobian[:, 0, 6], jacobian[:, 1, 6] = device.real, device.imag
        left = self.left_of_legs(value, piece, reckoned)
        return Term(self.touched[piece.legs], jacobian, self.weights(reckoned), left)

    @cached_property
    def visits(self) -> Term | None:
        """What visits look at, whatever the unknowns are; nothing where pointing is exact."""
        if not self.given.device.pointing > 0:
            return None
        axes = np.array([0, 1])
        knot = self.unknowns.knot[self.walk.knot[self.walk.nodes]][:, None] + axes
        path = self.unknowns.path[:, None] + axes
        eye = np.tile(np.eye(2), (len(path), 1, 1))
        weight = eye / (self.given.factor * self.given.device.pointing**2)
        both = np.concatenate([eye, -eye], axis=2)
        return Term(np.hstack([knot, path]), both, weight, np.zeros(path.shape))

    def others(self, value: Floats) -> list[Term]:
        """Visits, known places, scales."""
        given, unknowns, factor = self.given, self.unknowns, self.given.factor
        device, prior = given.device, given.prior
        axes = np.array([0, 1])
        terms = []
        if (visit := self.visits) is not None:
            knot, path = visit.unknown[:, :2], visit.unknown[:, 2:]
            terms.append(replace(visit, misfit=value[knot] - value[path]))
        if len(prior.knot):
            at = unknowns.knot[prior.knot][:, None] + axes
            eye = np.tile(np.eye(2), (len(at), 1, 1))
            off = np.where(prior.exact[:, None], 0.0, value[at] - prior.value)
            terms.append(Term(at, eye, prior.weight[:, None, None] * eye, off))
        if device.scale > 0:
            one = np.ones((given.runs, 1, 1))
            at = unknowns.scale[:, None]
            terms.append(Term(at, one, one / (factor * device.scale**2), value[at]))
        return terms

    def likeliest(self, reckoned: Reckoned, weight: Floats, left: Floats) -> Strayed:
        """Return what the legs of a piece did, given what is left over at its nodes."""
        noise = reckoned.noise
        pull = np.zeros((len(left) + 1, 3))  # the last one for open ends
        pull[:-1] = np.einsum("mde,me->md", weight, left)
        of_step = reckoned.walk.leg_of_step
        force: Complexes = (pull[:, 0] + 1j * pull[:, 1])[of_step].astype(np.complex128, copy=False)
        shift = noise.walked * force
        heading = noise.heading * (pull[:, 2][of_step] - (reckoned.middle.conj() * force).imag)
        lateral = noise.lateral * (reckoned.leg.conj() * force).imag
        return Strayed(heading, lateral, shift)

    def likeliest_after(self, trial: _Trial, step: Floats) -> Strayed:
        """Return what the legs did, given what is left over at the nodes after a step."""
        legs = trial.terms[0]
        left = legs.misfit + np.einsum("mda,ma->md", legs.jacobian, step[legs.unknown])
        found = Strayed.none(len(self.walk.row))
        for piece in self.walk.pieces():
            reckoned = trial.reckoned
            if reckoned is None:
                reckoned = self.reckoned(trial.value, piece, trial.strayed.part(piece.at))
            at = piece.legs
            found.put(piece.at, self.likeliest(reckoned, trial.weight[at], left[at]))
        return found

    def stepped(self, trial: _Trial, step: Floats, *, fitted: bool = False) -> _Trial:
        """Reckon after a step, with places fitted to the new headings and scales if asked."""
        strayed = self.likeliest_after(trial, step) if self.strays else trial.strayed
        after = self.trial(trial.value + step, strayed, strayed)
        return self.fitted(after) if fitted else after

    def fitted(self, trial: _Trial) -> _Trial:
        """Reckon with places fitted to the headings and scales."""
        return self.trial(self.places_for(trial), trial.strayed)

    def places_for(self, trial: _Trial) -> Floats:
        """Return the unknowns with places fitted to the headings and scales."""
        matrix, gradient = gather(trial.terms, self.unknowns.size)
        return np.asarray(trial.value - Equations(matrix, self.movable).solve(gradient))

    def start_value(self) -> tuple[Floats, Strayed]:
        """Places that fit the headings to start from, turned by the azimuth if there is one."""
        given, unknowns = self.given, self.unknowns
        value = np.zeros(unknowns.size)
        prior = given.prior
        at = unknowns.knot[prior.knot]
        value[at], value[at + 1] = prior.value.T
        start = given.before
        if start is None:
            start = Start.of_runs(self.walk, given.heading)
        value[unknowns.heading] = start.heading[self.walk.nodes]
        if given.device.scale > 0:
            value[unknowns.scale] = start.scale
        for _ in range(2 if given.azimuth is not None else 1):
            value = self.places_for(self.with_strayed(value, start.strayed))
            if given.azimuth is not None:
                value[unknowns.heading] += self.off_azimuth(value)
        return value, start.strayed

    def off_azimuth(self, value: Floats) -> float:
        """Counter-clockwise turn that brings the network to its azimuth."""
        assert self.given.azimuth is not None
        azimuth = self.given.azimuth
        start, end = self.unknowns.knot[[azimuth.start, azimuth.end]]
        east, north = value[end : end + 2] - value[start : start + 2]
        now = math.atan2(north, east)
        return math.remainder(math.pi / 2 - azimuth.value - now, 2 * math.pi)

    def equations(self, trial: _Trial, sigma: float) -> tuple[Equations, Floats]:
        """Make the normal equations.

        An azimuth is one more row with its multiplier as one more unknown, so that an exact one
        (sigma 0) needs no huge weight.
        """
        unknowns, azimuth = self.unknowns, self.given.azimuth
        matrix, gradient = gather(trial.terms, unknowns.size)
        if azimuth is None:
            return Equations(matrix, unknowns.free), gradient
        start, end = unknowns.knot[[azimuth.start, azimuth.end]]
        vector = trial.value[end : end + 2] - trial.value[start : start + 2]
        length = float(np.hypot(*vector))
        # a mistake in the names can make the two fall together: any direction will do then
        along = vector / length if length > 1e-9 else np.array([1.0, 0.0])
        row = np.zeros(unknowns.size)
        row[end : end + 2] += [-along[1], along[0]]
        row[start : start + 2] -= [-along[1], along[0]]
        free = np.append(unknowns.free, unknowns.size)
        tied = np.array([start, start + 1, end, end + 1])
        variance = (sigma * length) ** 2
        gradient = np.append(gradient, -length * self.off_azimuth(trial.value))
        if isinstance(matrix, np.ndarray):
            dense = np.empty((unknowns.size + 1, unknowns.size + 1))
            dense[:-1, :-1], dense[:-1, -1], dense[-1, :-1] = matrix, row, row
            dense[-1, -1] = -variance
            return Equations(dense, free, tied), gradient
        from scipy import sparse

        edge = sparse.csr_array(row[:, None])
        corner = sparse.csr_array(np.array([[-variance]]))
        return Equations(
            sparse.block_array([[matrix, edge], [edge.T, corner]], format="csr"), free, tied
        ), gradient


def adjust_plan(given: PlanInput, *, settled: float = 1e-10, steps: int = 60) -> Plan:
    """Adjust the plan.

    Parameters
    ----------
    given
        Every knot must hang together with the others through the legs.
    settled
        Radians; the headings are found when none moves by more.
    steps
        Most steps to take.

    Returns
    -------
    Plan
    """
    adjustment = _Adjustment(given)
    unknowns = adjustment.unknowns
    trial = adjustment.trial(*adjustment.start_value())
    # of a long walk what it starts from is not kept meanwhile
    adjustment.given = given = replace(given, before=None)
    converged = False
    for _ in range(steps):
        equations, gradient = adjustment.equations(trial, 0.0)
        step = -equations.solve(gradient)[: unknowns.size]
        share = 1.0
        most = _most(trial)
        after = adjustment.stepped(trial, step)
        largest = float(np.abs(step[adjustment.turning]).max())
        gain = abs(float(gradient[: unknowns.size] @ step))
        if after.squares > most and largest < SMALL and gain < HIDDEN * trial.squares:
            trial, converged = after, True
            break
        if after.squares > most and adjustment.strays:
            # what the legs did is found one step behind the unknowns, so its squares may be too low
            trial = adjustment.trial(trial.value, trial.strayed)
            most = _most(trial)
        while after.squares > most and share > 1e-3:
            # a large turn bends the places: they are fitted to it anew
            after = adjustment.stepped(trial, share * step, fitted=True)
            if after.squares > most:
                share /= 2
        moved = share * largest
        if after.squares > most:
            # rounding hides what a small step gains, or one that gains nothing; a large one that
            # should have gained leads nowhere
            converged = largest < SMALL or gain < NO_GAIN
            break
        trial = after
        if moved < settled:
            converged = True
            break
    return _made(adjustment, trial, converged)


def _joined(terms: list[Term]) -> Term:
    """Return the observations of several pieces as those of the whole."""
    if len(terms) == 1:
        return terms[0]
    return Term(
        np.concatenate([term.unknown for term in terms]),
        np.concatenate([term.jacobian for term in terms]),
        np.concatenate([term.weight for term in terms]),
        np.concatenate([term.misfit for term in terms]),
    )


def _most(trial: _Trial) -> float:
    """Return the squares that a step may leave over, a little rounding allowed."""
    return trial.squares * (1 + 1e-12) + 1e-15


def _together(walk: Walk, unknowns: Unknowns) -> Ints:
    """Places of three nodes that follow each other: neighbours are compared, and visits tested."""
    middle = np.flatnonzero(walk.leg_end[:-1] == walk.leg_start[1:])
    leg = np.column_stack([walk.leg_from, walk.leg_to, walk.leg_to])
    leg[middle, 2] = walk.leg_to[middle + 1]
    east = unknowns.knot[leg]
    return np.hstack([east, east + 1])


def _made(adjustment: _Adjustment, trial: _Trial, converged: bool) -> Plan:
    given, unknowns, walk = adjustment.given, adjustment.unknowns, adjustment.walk
    value = trial.value
    sigma = 0.0 if given.azimuth is None else given.azimuth.sigma
    equations, _ = adjustment.equations(trial, sigma)
    first = np.unique(walk.run[walk.nodes], return_index=True)[1]
    known = int((~given.prior.exact).sum())
    scales = given.runs if given.device.scale > 0 else 0
    visits = len(walk.nodes) if given.device.pointing > 0 else 0
    each = 3 if adjustment.strays else 2
    observations = each * len(walk.leg_start) + 2 * (visits + known) + scales
    observations += given.azimuth is not None
    heading = value[unknowns.heading]
    return Plan(
        position=value[unknowns.knot[:, None] + np.array([0, 1])],
        orientation=(heading[first] + np.pi) % (2 * np.pi) - np.pi,
        scale=value[unknowns.scale],
        path_place=value[unknowns.path] + 1j * value[unknowns.path + 1],
        node_heading=heading,
        knot=unknowns.knot,
        path=unknowns.path,
        heading=unknowns.heading,
        run_scale=unknowns.scale,
        posterior=Posterior(equations, _together(walk, unknowns)),
        legs=trial.terms[0],
        visits=trial.terms[1] if given.device.pointing > 0 else None,
        terms=tuple(trial.terms),
        given=given,
        strayed=trial.strayed,
        total=trial.total,
        weight=trial.weight,
        weighted_squares=trial.squares,
        redundancy=observations - len(unknowns.free),
        converged=converged,
    )
