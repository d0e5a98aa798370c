"""Setting out: from design points and today's walk to readings, with what they can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate
from geosite.base.statistics import chi_square, radius_factor
from geosite.fieldbook.model import FieldBook, Notes
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network
from geosite.review.ground import Ground
from geosite.review.setting_out.baseline import (
    baseline_rows,
    check_baseline,
    ground_baseline,
)
from geosite.review.setting_out.joint import (
    Joint,
    Place,
    appended,
    planned_walk,
    settle,
    today_rows,
)
from geosite.review.setting_out.model import Known, Located, SettingOut, Verdict
from geosite.review.setting_out.targets import Target
from geosite.review.setting_out.wording import findings

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
    unit: str = "m",
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
        Of the walk.

    Raises
    ------
    SurveyRefused
        Today's walk does not fit the survey.
    """
    walk = None if today is None else today.walk
    check = None if walk is None else check_baseline(notes, network, walk)
    places = [_place(network, ground, target) for target in targets]
    file = notes.site_file if walk is None else walk.file
    way = _planned(notes, network) if today is None else _way(notes, today, targets)
    row = _check_row(notes, network)
    also = (
        []
        if row is None
        else [Place(network.en[row], float(network.elevation[row]), np.array([row]), np.ones(1))]
    )
    joint = way.settled(notes, network, [*places, *also], file)
    spread = _spread(joint, places, network, check is None)
    unit_m = (walk or notes.book).unit_m
    shown = None if today is None else joint.readings * today.sign / unit_m
    located = [
        replace(
            _located(notes, network, target, place, ground, unit_m, _Of(spread, i), tolerance),
            reading=None if shown is None else _three(shown[i]),
        )
        for i, (target, place) in enumerate(zip(targets, places, strict=True))
    ]
    step, rise = ground_baseline(notes, network)
    length = float(np.hypot(*step)) / network.frame.combined_factor / unit_m
    found = SettingOut(
        title=notes.site.site.title,
        marks=(notes.site.baseline.from_, notes.site.baseline.to),
        check=check,
        axes="right-handed" if today is None else today.axes,
        unit=unit,
        unit_m=unit_m,
        baseline=length,
        baseline_rise=rise / unit_m,
        baseline_visits=None if today is None else _visits(notes, today, unit_m),
        combined_factor=network.frame.combined_factor,
        tolerance_m=tolerance,
        points=tuple(located),
        straight_95_m=_straight(notes, network, way, places, located, file),
        check_mark=None
        if row is None
        else _known(notes, network, row, unit_m, None if shown is None else shown[-1]),
    )
    return replace(found, findings=findings(found, file))


@dataclass(frozen=True, eq=False)
class _Way:
    """Today's rows, and the rows among them that the first points have already."""

    book: FieldBook
    rows: tuple[int | None, ...]
    planned: bool

    def settled(self, notes: Notes, network: Network, places: Sequence[Place], file: str) -> Joint:
        known = [*self.rows, *[None] * (len(places) - len(self.rows))]
        new = sum(row is None for row in known)
        book = appended(self.book, new) if new else self.book
        fresh = iter(range(len(self.book), len(book)))
        rows = np.array([next(fresh) if row is None else row for row in known], np.int64)
        return settle(notes, network, book, rows, places, file)


def _planned(notes: Notes, network: Network) -> _Way:
    step, rise = ground_baseline(notes, network)
    book = planned_walk(notes, step, rise, network.frame.combined_factor)
    return _Way(book, (), True)


def _way(notes: Notes, today: Today, targets: Sequence[Target]) -> _Way:
    """Tie today's walk to the survey by what both visited, but for the points themselves.

    A point that today's walk has under its name already keeps its place in the walk.
    """
    walk = today.walk
    run = len(walk.runs) - 1
    baseline = {notes.site.baseline.from_, notes.site.baseline.to}
    names = [target.name for target in targets]
    ties = frozenset((set(walk.marks) & set(notes.book.marks) - set(names)) | baseline)
    book = today_rows(walk, run, ties, today.axes == "left-handed")
    here = walk.mark[walk.run == run]
    number = {name: index for index, name in enumerate(walk.marks) if name not in baseline}
    rows: list[int | None] = []
    for name in names:
        seen: Ints = np.flatnonzero(here == number.get(name, -2))
        rows.append(int(seen[0]) if len(seen) else None)
    return _Way(book, tuple(rows), False)


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
    # a corner where breaklines cross is nobody's mark
    known = spot.form.rows >= 0
    share = spot.form.up[known]
    if not share.sum() > 0:
        return Place(en, up, np.array([nearest]), np.ones(1))
    return Place(en, up, spot.form.rows[known], share / share.sum())


@dataclass(frozen=True, eq=False)
class _Spread:
    """How far the device may be off at each point, metres on the ground; NaN where not known.

    `least` is what the radius is at least, for all that is known of the size of the noise.
    """

    plan: Floats
    level: Floats
    radius: Floats
    least: Floats
    level_95: Floats
    on_map: Floats


@dataclass(frozen=True, slots=True)
class _Of:
    """What a spread says of one point."""

    all: _Spread
    number: int

    def told(self, name: str) -> float | None:
        value = float(getattr(self.all, name)[self.number])
        return value if math.isfinite(value) else None


def _spread(joint: Joint, places: Sequence[Place], survey: Network, planned: bool) -> _Spread:
    """Return the errors of the points, the first rows, against the survey around them.

    A planned walk fits its baseline without error; that says nothing about the noise, so the
    survey's own variance factors stay.
    """
    network = joint.network
    relative, absolute = [], []
    for row, place in zip(joint.rows, places, strict=False):
        rows = np.append(place.rows, row)
        pull = np.append(-place.shares, 1.0)
        none = np.zeros(len(rows))
        relative += [
            LinearForm(rows, pull, none, none),
            LinearForm(rows, none, pull, none),
            LinearForm(rows, pull, pull, none),
            LinearForm(rows, none, none, pull),
        ]
        alone = np.array([row])
        one, zero = np.ones(1), np.zeros(1)
        absolute += [LinearForm(alone, one, zero, zero), LinearForm(alone, zero, one, zero)]
    table = sigmas(network, relative).reshape(-1, 4)
    on_map = sigmas(network, absolute).reshape(-1, 2)
    level_factor, freedom = network.vertical_interval_factor, network.degrees_of_freedom
    if planned:
        table[:, :3] *= math.sqrt(survey.variance_factor / network.variance_factor)
        lift = survey.vertical_variance_factor / network.vertical_variance_factor
        table[:, 3] *= math.sqrt(lift)
        level_factor, freedom = survey.vertical_interval_factor, survey.degrees_of_freedom
    table[:, :3] /= network.frame.combined_factor
    east, north, both, level = table.T
    cross = (both**2 - east**2 - north**2) / 2
    middle = (east**2 + north**2) / 2
    half = np.hypot((east**2 - north**2) / 2, cross)
    major = np.sqrt(middle + half)
    minor = np.sqrt(np.maximum(middle - half, 0.0))
    ratio = np.divide(minor, major, out=np.ones_like(minor), where=major > 0)
    radius = major * radius_factor(ratio, freedom)
    least = major * radius_factor(ratio, math.inf)
    if math.isfinite(freedom):
        n = max(round(freedom), 1)
        least = least * math.sqrt(n / chi_square(0.025, n))
    known = network.accuracy_known and survey.accuracy_known
    unknown = np.full(len(east), math.nan)
    return _Spread(
        plan=np.sqrt(middle) if known else unknown,
        level=level if known else unknown,
        radius=radius if known else unknown,
        least=least if known else unknown,
        level_95=level * level_factor if known else unknown,
        on_map=np.sqrt((on_map**2).mean(axis=1)) if known else unknown,
    )


def _located(
    notes: Notes,
    network: Network,
    target: Target,
    place: Place,
    ground: Ground | None,
    unit_m: float,
    spread: _Of,
    tolerance: float | None,
) -> Located:
    along, offset, rise, far = _from_baseline(notes, network, place.en, place.up)
    under = None if ground is None else ground.at(place.en)[0]
    walked = cut = None
    if under is not None:
        sigma = float(sigmas(network, [under.form])[0])
        factor = network.vertical_interval_factor
        walked = Estimate.normal(under.elevation, sigma, factor)
        cut = Estimate.normal(under.elevation - place.up, sigma, factor)

    return Located(
        target=target,
        reading=None,
        along=along / unit_m,
        offset=offset / unit_m,
        rise=rise / unit_m,
        distance=math.hypot(along, offset) / unit_m,
        angle=math.atan2(offset, along) % (2 * math.pi),
        ground=walked,
        cut=cut,
        sigma_h_m=spread.told("plan"),
        sigma_v_m=spread.told("level"),
        error_95_m=spread.told("radius"),
        v_95_m=spread.told("level_95"),
        map_sigma_h_m=spread.told("on_map"),
        verdict=None if tolerance is None else _verdict(spread.all, spread.number, tolerance),
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


def _verdict(spread: _Spread, number: int, tolerance: float) -> Verdict:
    """Judge the radius, whose own size is only as well known as the noise it was made from."""
    if not np.isfinite(spread.radius[number]):
        return "undecided"
    if spread.radius[number] <= tolerance:
        return "can"
    return "undecided" if spread.least[number] <= tolerance else "cannot"


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


def _straight(
    notes: Notes,
    network: Network,
    way: _Way,
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
        alone = replace(way, rows=())
        joint = alone.settled(notes, network, [places[number]], file)
        spread = _spread(joint, [places[number]], network, way.planned)
        found[located[number].target.name] = float(spread.radius[0])
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
