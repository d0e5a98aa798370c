"""Fit the error of one device to several of its surveys, without any truth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geosite.fieldbook.model import Notes
from geosite.network.accuracy.loops import loops
from geosite.network.calibration.components import Component, fit_components
from geosite.network.calibration.likelihood import Case, misfit_of, read_case
from geosite.network.walk.device import CLASSES, SURE, Device
from geosite.network.walk.runs import walk_runs

__all__ = ["ENOUGH", "Calibration", "calibrate", "loops_held"]

ENOUGH = 3
"""Surveys from which on the components count as well known, and one can be left out."""
MOSTLY = 0.9
"""Share of the observations that have a time, from which on the random walk is tried by it."""
CLEARLY = 4.0
"""Chi-square by which the random walk by the metre must explain surveys better than by time."""
PLAN = ("pointing", "walk", "heading", "scale")
HEIGHT = ("pointing_up", "walk_up", "climb", "tilt")


@dataclass(frozen=True, slots=True)
class Calibration:
    """A device as its surveys show it.

    Parameters
    ----------
    device
    components
    surveys
        How many.
    loops, loops_held
        Loops of surveys that took no part in the fit they are judged by, and how many of them
        close within the 95 % of that fit; 0 where there are too few surveys to leave one out.
    misfit
        Minus twice the logarithm of the restricted likelihood, but for a constant of the surveys.
    """

    device: Device
    components: tuple[Component, ...]
    surveys: int
    loops: int
    loops_held: int
    misfit: float


def _timed(cases: Sequence[Case]) -> bool:
    """Whether nearly all observations have a time: then the random walk may go by it."""
    times = [case.notes.book.time for case in cases]
    return all(time is not None and np.isfinite(time).mean() > MOSTLY for time in times)


def _start(by_time: bool) -> tuple[Device, tuple[tuple[str, ...], tuple[str, ...]]]:
    """Return the device to start from, and the names of what is fitted in plan and in height."""
    unknown = CLASSES["unknown"]
    if not by_time:
        return unknown, (PLAN, HEIGHT)
    # at a walking pace of one metre per second the two are the same
    start = replace(unknown, walk_per_second=unknown.walk, walk_up_per_second=unknown.walk_up)
    instead = {"walk": "walk_per_second", "walk_up": "walk_up_per_second"}
    in_plan, in_height = (tuple(instead.get(n, n) for n in names) for names in (PLAN, HEIGHT))
    return start, (in_plan, in_height)


def _calibrated(
    cases: Sequence[Case], by_time: bool, *, ends: bool = True
) -> tuple[Device, tuple[Component, ...], float]:
    start, (in_plan, in_height) = _start(by_time)
    plan, plan_misfit = fit_components(misfit_of(cases, False), in_plan, start, ends=ends)
    height, height_misfit = fit_components(misfit_of(cases, True), in_height, start, ends=ends)
    values = {part.name: part.value for part in (*plan, *height)}
    device = replace(start, name="calibrated", degrees_of_freedom=SURE, **values)  # type: ignore[arg-type]
    return device, (*plan, *height), plan_misfit + height_misfit


def calibrate(
    surveys: Sequence[Notes],
    progress: Callable[[float, str], None] | None = None,
    *,
    proof: bool = True,
) -> Calibration:
    """Fit the components of one device to several surveys of it.

    Parameters
    ----------
    surveys
        Walked with the same device, each coming back to its marks.
    progress
        Is told the share that is done, 0 to 1, and what is done next.
    proof
        Whether each survey is left out in turn, where there are enough.

    Returns
    -------
    Calibration
        Fitted to fewer than `ENOUGH` surveys its size counts as little known as that of an unknown
        device.
    """
    tell = progress or (lambda share, words: None)
    tell(0.0, "fitting the device")
    cases = [read_case(notes) for notes in surveys]
    by_time = _timed(cases)
    device, components, misfit = _calibrated(cases, by_time)
    if by_time:
        by_way = _calibrated(cases, False)
        if by_way[2] < misfit - CLEARLY:
            (device, components, misfit), by_time = by_way, False
    if len(cases) < ENOUGH:
        device = replace(device, degrees_of_freedom=CLASSES["unknown"].degrees_of_freedom)
    count = held = 0
    proved = cases if proof and len(cases) >= ENOUGH else []
    for number, left in enumerate(proved, 1):
        tell(number / (1 + len(proved)), f"leaving out survey {number} of {len(proved)}")
        others, *_ = _calibrated([case for case in cases if case is not left], by_time, ends=False)
        more, good = loops_held(left.notes, others)
        count, held = count + more, held + good
    tell(1.0, "done")
    return Calibration(device, components, len(cases), count, held, misfit)


def loops_held(notes: Notes, device: Device) -> tuple[int, int]:
    """Return how many loops a survey has, and how many close within the 95 % of a device."""
    from geosite.base.statistics import ellipse_factor

    book = notes.book
    found = loops(book, walk_runs(book, device, frozenset()), device)
    limit = ellipse_factor(SURE)
    return len(found), sum(loop.misclosure_m <= limit * loop.sigma_m for loop in found)
