"""Setting out: from design points and today's walk to readings, with what they can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from geosite.analysis.setting_out.baseline import (
    baseline_rows,
    check_baseline,
    ground_baseline,
)
from geosite.analysis.setting_out.joint_network import (
    Joint,
    Place,
    planned_walk,
    solve_readings,
    today_rows,
    with_rows,
)
from geosite.analysis.setting_out.model import Known, Located, SettingOut
from geosite.analysis.setting_out.spread import place_errors
from geosite.analysis.setting_out.targets import Target
from geosite.analysis.setting_out.wording import findings
from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate
from geosite.base.units import UNIT_M
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.model import Network
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["Today", "set_out"]

AT_MARK_M = 0.01
"""A point this near to a mark of the survey is that mark."""
LEAST_OFFSET_M = 0.5
"""A mark nearer to the baseline does not tell a mirrored device from a right one."""
STRAIGHT = 3
"""Of the points that miss the tolerance so many are tried straight from the baseline."""

Axes = Literal["right-handed", "left-handed"]


@dataclass(frozen=True, eq=False)
class Today:
    """Today's walk.

    Parameters
    ----------
    walk
        Its field book.
    axes
        Left-handed where x to y turns clockwise seen from above.
    """

    walk: FieldBook
    axes: Axes = "right-handed"

    @property
    def sign(self) -> Floats:
        """What turns the device's axes into right-handed ones, and back."""
        return np.array([1.0, -1.0 if self.axes == "left-handed" else 1.0, 1.0])


def set_out(
    notes: Notes,
    network: Network,
    ground: Ground | None,
    targets: Sequence[Target],
    today: Today | None = None,
    *,
    tolerance: float | None = None,
    unit: Literal["m", "ft", "ftUS"] = "m",
) -> SettingOut:
    """Return where the device must be to stand on each point of a design.

    Parameters
    ----------
    notes, network, ground
        The survey, where its marks are, and the triangles between them.
    targets
        In the order in which they will be walked to.
    today
        Without it the lengths along and across the baseline alone.
    tolerance
        Metres, in plan.
    unit
        Of today's walk; without one, of the lengths that are told.

    Raises
    ------
    SurveyRefused
        Today's walk does not fit the survey.
    """
    walk = None if today is None else today.walk
    check = None if walk is None else check_baseline(notes, network, walk)
    places = [_place(network, ground, target) for target in targets]
    file = notes.site_file if walk is None else walk.file
    todays_walk = _planned(notes, network) if today is None else _tied_walk(notes, today, targets)
    row = _check_row(notes, network)
    check_places = (
        []
        if row is None
        else [Place(network.en[row], float(network.elevation[row]), np.array([row]), np.ones(1))]
    )
    joint = todays_walk.solved(notes, network, [*places, *check_places], file)
    errors = place_errors(joint, places, network, check is None)
    unit_m = UNIT_M[unit] if walk is None else walk.unit_m
    readings = None if today is None else joint.readings * today.sign / unit_m
    under = _ground_at_places(ground, places)
    located = [
        replace(
            _located(notes, network, target, place, unit_m),
            reading=None if readings is None else _three(readings[i]),
            ground=under[i],
            cut=_difference(under[i], place.up),
            sigma_h_m=errors.known("plan", i),
            sigma_v_m=errors.known("level", i),
            error_95_m=errors.known("radius", i),
            v_95_m=errors.known("level_95", i),
            map_sigma_h_m=errors.known("on_map", i),
            verdict=errors.verdict(i, tolerance),
        )
        for i, (target, place) in enumerate(zip(targets, places, strict=True))
    ]
    step, rise = ground_baseline(notes, network)
    length = float(np.hypot(*step)) / network.frame.combined_factor / unit_m
    result = SettingOut(
        title=notes.site.site.title,
        marks=(notes.site.baseline.from_, notes.site.baseline.to),
        check=check,
        axes="right-handed" if today is None else today.axes,
        unit=unit[:2],
        unit_m=unit_m,
        baseline=length,
        baseline_rise=rise / unit_m,
        baseline_visits=None if today is None else _visits(notes, today, unit_m),
        combined_factor=network.frame.combined_factor,
        tolerance_m=tolerance,
        points=tuple(located),
        straight_95_m=_from_baseline_alone(notes, network, todays_walk, places, located, file),
        check_mark=None
        if row is None
        else _known(notes, network, row, unit_m, None if readings is None else readings[-1]),
    )
    return replace(result, findings=findings(result, file))


@dataclass(frozen=True, eq=False)
class _TodaysWalk:
    """Today's rows, and the rows among them that the first points have already."""

    book: FieldBook
    rows: tuple[int | None, ...]
    planned: bool

    def solved(self, notes: Notes, network: Network, places: Sequence[Place], file: str) -> Joint:
        known = [*self.rows, *[None] * (len(places) - len(self.rows))]
        new = sum(row is None for row in known)
        book = with_rows(self.book, new) if new else self.book
        new_rows = iter(range(len(self.book), len(book)))
        rows = np.array([next(new_rows) if row is None else row for row in known], np.int64)
        return solve_readings(notes, network, book, rows, places, file)


def _planned(notes: Notes, network: Network) -> _TodaysWalk:
    step, rise = ground_baseline(notes, network)
    book = planned_walk(notes, step, rise, network.frame.combined_factor)
    return _TodaysWalk(book, (), True)


def _tied_walk(notes: Notes, today: Today, targets: Sequence[Target]) -> _TodaysWalk:
    """Tie today's walk to the survey by what both visited, but for the points themselves.

    A point that today's walk has under its name already keeps its place in the walk.
    """
    walk = today.walk
    run = len(walk.runs) - 1
    baseline = {notes.site.baseline.from_, notes.site.baseline.to}
    names = [target.name for target in targets]
    ties = frozenset((set(walk.marks) & set(notes.book.marks) - set(names)) | baseline)
    book = today_rows(walk, run, ties, today.axes == "left-handed")
    marks_of_run = walk.mark[walk.run == run]
    number = {name: index for index, name in enumerate(walk.marks) if name not in baseline}
    rows: list[int | None] = []
    for name in names:
        seen: Ints = np.flatnonzero(marks_of_run == number.get(name, -2))
        rows.append(int(seen[0]) if len(seen) else None)
    return _TodaysWalk(book, tuple(rows), False)


def _place(network: Network, ground: Ground | None, target: Target) -> Place:
    """Find the marks of the survey that tell where a point is."""
    frame = network.frame
    en = frame.to_local(target.place[:2])
    up = float(target.place[2]) * frame.height_unit_m
    apart = np.hypot(*(network.en - en).T)
    nearest = int(apart.argmin())
    if apart[nearest] <= AT_MARK_M or ground is None:
        return Place(en, up, np.array([nearest]), np.ones(1))
    spot = ground.at(en)[0]
    if spot is None:  # beyond the marks: as at the nearest place that they reach
        hull = shapely.convex_hull(shapely.MultiPoint(ground.tin.points[:, :2]))
        edge = shapely.get_coordinates(shapely.shortest_line(hull, shapely.Point(en)))[0]
        middle = shapely.get_coordinates(hull.centroid)[0]
        spot = ground.at(edge + (middle - edge) * 1e-6)[0]
    if spot is None:
        return Place(en, up, np.array([nearest]), np.ones(1))
    return Place(en, up, spot.form.rows, spot.form.up)


def _ground_at_places(ground: Ground | None, places: Sequence[Place]) -> list[Estimate | None]:
    """Return the walked ground at the points, where the marks tell of it."""
    if ground is None:
        return [None] * len(places)
    at = np.array([place.en for place in places]).reshape(-1, 2)
    met = ground.measured(at)
    found: list[Estimate | None] = [None] * len(places)
    known = np.flatnonzero(met)
    heights = ground.elevations_at(at[known])
    marks, between = ground.sigmas_at(at[known])
    for i, height, own, rough in zip(
        known.tolist(), heights.tolist(), marks.tolist(), between.tolist(), strict=True
    ):
        factor = ground.coverage_factor(own**2, rough**2)
        found[i] = Estimate.normal(height, math.hypot(own, rough), factor)
    return found


def _difference(ground: Estimate | None, up: float) -> Estimate | None:
    if ground is None:
        return None
    return Estimate(ground.value - up, ground.low - up, ground.high - up, ground.sigma)


def _located(
    notes: Notes, network: Network, target: Target, place: Place, unit_m: float
) -> Located:
    along, offset, rise, far = _from_baseline(notes, network, place.en, place.up)
    return Located(
        target,
        along=along / unit_m,
        offset=offset / unit_m,
        rise=rise / unit_m,
        distance=math.hypot(along, offset) / unit_m,
        angle=math.atan2(offset, along) % (2 * math.pi),
        far=far,
    )


def _from_baseline(
    notes: Notes, network: Network, en: Floats, up: float
) -> tuple[float, float, float, float]:
    """Return along, offset, rise (ground metres), and the reach in baseline lengths."""
    step, _ = ground_baseline(notes, network)
    length = float(np.hypot(*step))
    first, _ = baseline_rows(notes)
    east, north = (step / length).tolist()
    away = en - network.en[first]
    factor = network.frame.combined_factor
    along = float(away[0] * east + away[1] * north) / factor
    offset = float(away[0] * north - away[1] * east) / factor
    nearer = min(math.hypot(along, offset), math.hypot(along - length / factor, offset))
    rise = up - float(network.elevation[first])
    return along, offset, rise, nearer / (length / factor)


def _visits(
    notes: Notes, today: Today, unit_m: float
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    walk = today.walk
    run = len(walk.runs) - 1
    found = []
    for name in (notes.site.baseline.from_, notes.site.baseline.to):
        rows = (walk.run == run) & (walk.mark == walk.marks.index(name))
        x, y, z = (float(v) for v in walk.local[rows].mean(axis=0) / unit_m)
        found.append((x, y, z))
    return found[0], found[1]


def _from_baseline_alone(
    notes: Notes,
    network: Network,
    todays_walk: _TodaysWalk,
    places: Sequence[Place],
    located: Sequence[Located],
    file: str,
) -> dict[str, float]:
    """Try the points that miss the tolerance most narrowly straight from the baseline."""
    missed = [
        (point.error_95_m, number)
        for number, point in enumerate(located)
        if point.verdict in ("cannot", "undecided") and point.error_95_m is not None
    ]
    found = {}
    for _, number in sorted(missed)[:STRAIGHT]:
        alone = replace(todays_walk, rows=())
        joint = alone.solved(notes, network, [places[number]], file)
        errors = place_errors(joint, [places[number]], network, todays_walk.planned)
        found[located[number].target.name] = float(errors.radius[0])
    return found


def _check_row(notes: Notes, network: Network) -> int | None:
    """Choose the mark of the survey that tells most about today's frame: well off the line."""
    baseline = {notes.site.baseline.from_, notes.site.baseline.to}
    best: tuple[float, int] | None = None
    for number, name in enumerate(notes.book.marks):
        if name in baseline:
            continue
        row = int(np.flatnonzero(notes.book.mark == number)[0])
        _, offset, _, far = _from_baseline(notes, network, network.en[row], 0.0)
        score = abs(offset) / (1.0 + far**2)
        if best is None or score > best[0]:
            best = (score, row)
    return best[1] if best is not None and best[0] > LEAST_OFFSET_M else None


def _known(notes: Notes, network: Network, row: int, unit_m: float, shown: Floats | None) -> Known:
    up = float(network.elevation[row])
    along, offset, rise, _ = _from_baseline(notes, network, network.en[row], up)
    name = notes.book.marks[notes.book.mark[row]]
    return Known(name, along / unit_m, offset / unit_m, rise / unit_m, _three(shown))


def _three(shown: Floats | None) -> tuple[float, float, float] | None:
    if shown is None:
        return None
    x, y, z = (float(value) for value in shown)
    return x, y, z
