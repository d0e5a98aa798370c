"""Sections: the ground along a line, with its accuracy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.analysis.access.turns import round_interval, turning_places
from geosite.analysis.ground_readings import departure_variances, outer_interval
from geosite.analysis.walked_line import Polyline, length_between, place_on, refuse_dense
from geosite.base.arrays import Floats, Ints
from geosite.base.estimate import Estimate
from geosite.fieldbook import sitefile
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["Profile", "profile"]

#: Between a station and a mark or a turn that says the same, metres.
_SAME_M = 0.05


@dataclass(frozen=True, eq=False)
class Profile:
    """Elevation along a line.

    Parameters
    ----------
    name
        Name of the section.
    labels : length m
        Mark at each station, empty between marks.
    chainage : array, shape (m,), ground metres
    en : array, shape (m, 2), easting, northing, local grid metres
    length
        Of the whole, ground metres.
    elevation : length m, metres
        An interval without ends where no mark is near enough to say.
    grade : length m - 1, ratio
        From each station to the next.
    rise, fall
        Sums of the ups and of the downs, metres.
    design : array, shape (m,), metres, or None
        Elevation of the design line.
    """

    name: str
    labels: tuple[str, ...]
    chainage: Floats
    en: Floats
    length: Estimate
    elevation: tuple[Estimate, ...]
    grade: tuple[Estimate, ...]
    rise: Estimate
    fall: Estimate
    design: Floats | None = None


@dataclass(frozen=True, eq=False)
class _Stations:
    """Stations of a section; ``row`` is that of a mark's observation, -1 between marks."""

    chainage: Floats
    en: Floats
    elevation: Floats
    row: Ints
    form: tuple[LinearForm, ...]
    known: npt.NDArray[np.bool_]


def profile(
    line: Polyline,
    network: Network,
    ground: Ground,
    requested: sitefile.Section,
    unit_m: float = 1.0,
) -> Profile:
    """Return the elevation profile along a line.

    Parameters
    ----------
    line, network, ground
        The line, the adjusted survey and the ground between its marks.
    requested
        ``[sections.NAME]``: interval and design line.
    unit_m
        Metres per unit of the walk: without an interval, stations are a round number of it apart.

    Notes
    -----
    Stations stand at whole intervals, on the marks of the line, and where the ground turns up or
    down. On a mark the profile has the mark's own elevation; between marks the ground's. A stretch
    that leaves the ground is bridged from mark to mark.
    """
    interval = requested.interval or round_interval(float(line.chainage[-1]), unit_m)
    at = _stations(line, network, ground, interval)
    length = np.diff(at.chainage)
    here = _estimates(ground, at, np.arange(len(at.chainage))[:, None], np.ones((len(at.row), 1)))
    pairs = np.column_stack([np.arange(len(length)), np.arange(1, len(length) + 1)])
    slopes = _estimates(ground, at, pairs, np.column_stack([-1 / length, 1 / length]))
    rise, fall = _climbs(ground, at)
    names = dict(zip(line.rows.tolist(), line.names, strict=True))
    design = None
    if requested.design_elevation is not None:
        start = requested.design_elevation * network.frame.height_unit_m
        design = start + at.chainage * requested.design_grade_percent / 100
    return Profile(
        line.name,
        tuple(names.get(row, "") for row in at.row.tolist()),
        at.chainage,
        at.en,
        length_between(line, network, float(at.chainage[0]), float(at.chainage[-1])),
        here,
        slopes,
        rise,
        fall,
        design,
    )


def _stations(line: Polyline, network: Network, ground: Ground, interval: float) -> _Stations:
    total = float(line.chainage[-1])
    refuse_dense(f"section {line.name}", "interval", total, interval)
    marks = network.en[line.rows]

    def along(at: Floats) -> Floats:
        places = [np.interp(at, line.chainage, marks[:, axis]) for axis in (0, 1)]
        return ground.elevations_at(np.column_stack(places))

    # a station within a hand's breadth of a mark or a turn would say the same twice
    turning = _apart(turning_places(total, along), line.chainage, _SAME_M)
    fixed = np.sort(np.concatenate([line.chainage, turning]))
    steps = _apart(np.arange(0.0, total, interval), fixed, interval * 0.05)
    chainage = np.concatenate([line.chainage, turning, steps])
    order = np.argsort(chainage, kind="stable")
    chainage = chainage[order]
    row = np.concatenate([line.rows, np.full(len(chainage) - len(line.rows), -1)])[order]
    placed = [place_on(line, network, float(s)) for s in chainage]
    en = np.array([place[:2] for place, _ in placed])
    on_ground = ground.elevations_at(en)
    elevation = np.where(row >= 0, [place[2] for place, _ in placed], on_ground)
    surveyed = np.flatnonzero(np.isfinite(elevation))
    forms = tuple(
        placed[k][1] if row[k] >= 0 else ground.sum_form(en[k], [1.0]) for k in surveyed.tolist()
    )
    known = (row >= 0) | ground.measured(en)
    return _Stations(
        chainage[surveyed], en[surveyed], elevation[surveyed], row[surveyed], forms, known[surveyed]
    )


def _apart(places: Floats, fixed: Floats, least: float) -> Floats:
    """Return the places that are farther than that from every fixed one, which are in order."""
    after = np.clip(np.searchsorted(fixed, places), 1, len(fixed) - 1)
    nearest = np.minimum(np.abs(places - fixed[after - 1]), np.abs(fixed[after] - places))
    return np.asarray(places[nearest > least])


def _estimates(ground: Ground, at: _Stations, which: Ints, weights: Floats) -> tuple[Estimate, ...]:
    """Return weighted sums of the elevations at some stations, shapes (s, k)."""
    forms = []
    for numbers, own in zip(which.tolist(), weights.tolist(), strict=True):
        form = at.form[numbers[0]] * own[0]
        for number, weight in zip(numbers[1:], own[1:], strict=True):
            form = form + at.form[number] * weight
        forms.append(form)
    # a grade lies in the survey itself: what moves all of it on the map is not in it
    total, size = weights.sum(axis=1), np.abs(weights).sum(axis=1)
    marks = np.where(
        np.abs(total) > 1e-9 * size,
        sigmas(ground.network, forms),
        sigmas(ground.network.relative, forms),
    )
    marks = marks**2
    # a mark is known as a mark, wherever the triangles are
    between = np.where(at.row[which] >= 0, 0.0, weights)
    places = np.where((at.row[which] >= 0)[..., None], ground.tin.points[0, :2], at.en[which])
    departures = departure_variances(ground, places, between)
    values = (at.elevation[which] * weights).sum(axis=1)
    found = []
    for k, value in enumerate(values.tolist()):
        if not at.known[which[k]].all():
            found.append(Estimate(value, -np.inf, np.inf))
            continue
        own, other = float(marks[k]), float(departures[k])
        factor = ground.coverage_factor(own, other)
        found.append(Estimate.normal(value, float(np.sqrt(own + other)), factor))
    return tuple(found)


def _climbs(ground: Ground, at: _Stations) -> tuple[Estimate, Estimate]:
    """Return the sums of ups and of downs, with intervals as those of cut and fill."""
    drawn = ground.draws_at(at.en)
    drawn = np.where(np.isfinite(drawn), drawn, at.elevation)
    found = []
    for sign in (1.0, -1.0):
        value = float(np.maximum(sign * np.diff(at.elevation), 0.0).sum())
        each = np.maximum(sign * np.diff(drawn, axis=1), 0.0).sum(axis=1)
        found.append(outer_interval(value, each))
    return found[0], found[1]
