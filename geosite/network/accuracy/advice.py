"""The one extra measurement that would help most, and what single legs and baselines are worth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import FieldBook
from geosite.network.accuracy.ellipses import error_ellipses
from geosite.network.accuracy.on_map import ellipse_half_axis
from geosite.network.accuracy.sight import sight_covariance
from geosite.network.model import Network
from geosite.network.walk.device import Device

__all__ = ["Advice", "advise", "baseline_variances", "visit_variance"]

CANDIDATE_MARKS = 60
CANDIDATE_RUNS = 4
SAME_M = 0.001
"""Gains that differ by less are the same."""


@dataclass(frozen=True, slots=True)
class Advice:
    """The one extra measurement of a kind that would help the far end most.

    Parameters
    ----------
    kind
        ``"tie"``: a run visits a mark once more; ``"control"``: a mark's map position is measured.
    mark
        The mark.
    run
        The run that should visit it; empty for control.
    row
        Observation of that run from which to walk there, -1 for control.
    error_95_m
        What the far end would be good to.
    """

    kind: Literal["tie", "control"]
    mark: str
    run: str
    row: int
    error_95_m: float


def advise(
    network: Network,
    book: FieldBook,
    device: Device,
    far: int,
    sigma_control: float,
    anchored: Ints,
) -> tuple[Advice, ...]:
    """Compute what each candidate measurement would gain; return the best of each kind.

    Parameters
    ----------
    network, book
    device
        That makes the extra visit.
    far
        Row whose error is to shrink.
    sigma_control
        Standard deviation per axis that a newly measured map position would have, metres.
    anchored : array, shape (k,)
        Rows on marks that are anchored: measuring them again is no advice.

    Returns
    -------
    tuple of Advice
        Best tie, best control mark; a kind is missing if it gains less than a twentieth.

    Notes
    -----
    One more pair of observations with derivative A and variance v changes the covariance C of the
    far end to ``C - G (S + v I)^-1 G^T``, with G its covariance with the new pair and S the pair's
    own.
    """
    marks = book.first_observations(CANDIDATE_MARKS)
    if not len(marks):
        return ()
    pairs: list[tuple[int, int, int]] = []  # mark's row, row walked from, run that walks
    step_by_run: dict[int, Ints] = {}
    count = np.bincount(book.run, minlength=len(book.runs))
    longest = sorted(range(len(book.runs)), key=lambda run: (-count[run], book.runs[run]))
    for run in longest[:CANDIDATE_RUNS]:
        of_run = np.flatnonzero(book.run == run)
        step_by_run[run] = of_run[:: max(1, len(of_run) // 500)]
    for mark in marks.tolist():
        for run, of_run in step_by_run.items():
            apart = np.hypot(*(network.en[of_run] - network.en[mark]).T)
            if run == book.run[mark]:
                # its own run comes back at the end of its walk
                pairs.append((mark, int(of_run[-1]), run))
            elif not np.any((book.run == run) & (book.mark == book.mark[mark])):
                pairs.append((mark, int(of_run[np.argmin(apart)]), run))
    best: list[Advice] = []
    now = ellipse_half_axis(network, float(error_ellipses(network.relative, np.array([far]))[0][0]))
    known = set(book.mark[anchored].tolist())
    controls = [(int(m), -1, int(book.run[m])) for m in marks if book.mark[m] not in known]
    for candidates in (pairs, controls):
        if not candidates:
            continue
        table = np.array(candidates, dtype=np.int64)
        own, cross, others = sight_covariance(network, far, table[:, 0], table[:, 1])
        if candidates is pairs:
            step = network.en[table[:, 0]] - network.en[table[:, 1]]
            new = network.variance_factor * visit_variance(device, step)
        else:
            new = np.tile(max(sigma_control**2, 1e-8) * np.eye(2), (len(table), 1, 1))
        others = others + new
        left = own - cross @ np.linalg.solve(others, cross.transpose(0, 2, 1))
        major = np.sqrt(np.maximum(np.linalg.eigvalsh(left)[:, 1], 0.0))
        error = np.array([ellipse_half_axis(network, a) for a in major.tolist()])
        if not np.isfinite(error.min()):
            continue  # how good anything is is not known, nor what would help
        # the first by name of those that gain the same to the millimetre
        i = int(np.flatnonzero(error < error.min() + SAME_M)[0])
        if error[i] < 0.95 * now:
            mark, row, run = candidates[i]
            name = book.marks[book.mark[mark]]
            walks = book.runs[run] if row >= 0 else ""
            best.append(Advice("tie" if row >= 0 else "control", name, walks, row, float(error[i])))
    return tuple(best)


def visit_variance(device: Device, step: Floats) -> Floats:
    """Return the variance of what one more straight leg to a mark measures, shape (m, 2, 2).

    Parameters
    ----------
    device
    step : array, shape (m, 2), metres

    Notes
    -----
    Random walk and pointing on both axes; across, the heading's stray: ``kappa^2 L^3 / 3``, the
    variance of the integral of a Brownian motion.
    """
    length = np.hypot(*step.T)
    own = np.maximum(device.leg**2 + device.walk**2 * length + device.pointing**2, 1e-8)
    across = np.column_stack([-step[:, 1], step[:, 0]])
    strayed = device.heading**2 * length / 3
    return np.asarray(
        own[:, None, None] * np.eye(2)
        + strayed[:, None, None] * across[:, :, None] * across[:, None, :]
    )


def baseline_variances(device: Device, legs: Floats, length: float) -> tuple[float, float]:
    """Return the variances of a baseline's length and rise as one walk measures them.

    Parameters
    ----------
    device
    legs : array, shape (m,), metres
        Walked from one mark to the other.
    length
        Of the baseline, metres.
    """
    way = float(legs.sum())
    count = len(legs)
    plan = 2 * device.pointing**2 + count * device.leg**2 + device.walk**2 * way
    height = 2 * device.pointing_up**2 + count * device.leg**2 + device.walk_up**2 * way
    drift = (device.climb * way) ** 2 + (device.tilt * length) ** 2
    return plan + (device.scale * length) ** 2, height + drift
