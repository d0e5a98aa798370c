"""Sections: the ground along a line, with its accuracy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.fieldbook import sitefile
from geosite.network.covariance import sigma
from geosite.network.model import LinearForm, Network
from geosite.review.grades import Polyline, place_on, refuse_dense
from geosite.terrain.ground import Ground

__all__ = ["Profile", "profile"]

#: A profile has about this many stations where no interval is given.
_STATIONS = 60


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
    elevation, sigma : array, shape (m,), metres
        Sigma from the marks alone: how the ground bends between them is not in it.
    grade_percent, grade_sigma_percent : array, shape (m - 1,)
        From each station to the next.
    rise_m, fall_m
        Sums of the ups and the downs.
    design : array, shape (m,), metres, or None
        Elevation of the design line.
    """

    name: str
    labels: tuple[str, ...]
    chainage: Floats
    en: Floats
    elevation: Floats
    sigma: Floats
    grade_percent: Floats
    grade_sigma_percent: Floats
    rise_m: float
    fall_m: float
    design: Floats | None = None


def profile(
    line: Polyline,
    network: Network,
    ground: Ground,
    wanted: sitefile.Section,
) -> Profile:
    """Return the elevation profile along a line.

    Parameters
    ----------
    line, network, ground
        The line, the adjusted survey and the triangles between its marks.
    wanted
        ``[sections.NAME]``: interval and design line.

    Notes
    -----
    On a mark the profile has the mark's own elevation and sigma; between marks the ground's. A
    stretch that leaves the ground is bridged from mark to mark.
    """
    total = float(line.chainage[-1])
    interval = wanted.interval or max(total / _STATIONS, 0.05)
    refuse_dense(f"section {line.name}", "interval", total, interval)
    steps = np.arange(0.0, total, interval)
    # a station within a hand's breadth of a mark would say the same twice
    after = np.clip(np.searchsorted(line.chainage, steps), 1, len(line.chainage) - 1)
    nearest = np.minimum(
        np.abs(steps - line.chainage[after - 1]), np.abs(line.chainage[after] - steps)
    )
    apart = nearest > interval * 0.05
    stations = np.sort(np.concatenate([line.chainage, steps[apart]]))
    on_mark = np.isin(stations, line.chainage)
    places, forms, heights, kept = [], [], [], []
    spots = ground.at(np.array([place_on(line, network, s)[0][:2] for s in stations]))
    for k, (at, spot) in enumerate(zip(stations, spots, strict=True)):
        place, form = place_on(line, network, float(at))
        if not on_mark[k]:
            if spot is None:
                continue
            place[2], form = spot.elevation, spot.form
        kept.append(k)
        places.append(place[:2])
        heights.append(place[2])
        forms.append(form)
    chainage, elevation = stations[kept], np.array(heights)
    spread = np.array([sigma(network, f) for f in forms])
    length, rise = np.diff(chainage), np.diff(elevation)
    slope_forms: list[LinearForm] = [
        (b + a * -1.0) * (1 / s) for a, b, s in zip(forms[:-1], forms[1:], length, strict=True)
    ]
    slope_sigma = np.array([sigma(network, f) for f in slope_forms])
    labels = iter(line.names)
    height_unit = network.frame.height_unit_m
    design = None
    if wanted.design_elevation is not None:
        design = (
            wanted.design_elevation * height_unit + chainage * wanted.design_grade_percent / 100
        )
    return Profile(
        line.name,
        tuple(next(labels) if on_mark[k] else "" for k in kept),
        chainage,
        np.array(places),
        elevation,
        spread,
        100 * rise / length,
        100 * slope_sigma,
        float(rise[rise > 0].sum()),
        float(-rise[rise < 0].sum()),
        design,
    )
