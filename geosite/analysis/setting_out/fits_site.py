"""Whether a design belongs on this site: CRS, elevations, place."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from geosite.analysis.setting_out.targets import Target, targets
from geosite.base.errors import InputError, Problem
from geosite.base.map_frame import Frame, name_unless_same_map
from geosite.base.problems import Problems, shown
from geosite.network.model import Network
from geosite.reading.designs import Design
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["fitting", "refuse_elsewhere", "refuse_other_crs"]

NEAR_M = 200.0
"""A design may reach this far beyond what was walked, or as far as the site is wide."""


def refuse_other_crs(design: Design, frame: Frame, what: str = "design") -> None:
    """Refuse a design, or another layer, in another CRS than the site's.

    Parameters
    ----------
    design
        One that does not say its CRS is taken to be in the site's.
    frame
        The map of the survey, or of the raster that the layer goes with.
    what
        ``design``, or what the shapes of the layer are: ``inlets``, ``walls``.

    Raises
    ------
    InputError
        It says another one.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> refuse_other_crs(Design("plan.csv", (), None), Frame(crs_name="EPSG:25832"))
    """
    if design.crs_wkt is None:
        return
    other = name_unless_same_map(design.crs_wkt, frame.crs_wkt)
    if other is not None:
        subject, of = (
            ("the design is", "site") if what == "design" else (f"the {what} are", "raster")
        )
        raise InputError(
            Problem(
                f"{what}-crs",
                f"{subject} in {other}",
                f"the CRS of the {of}, {frame.crs_name}",
                "export it again in that CRS",
                design.file,
            )
        )


def fitting(
    design: Design,
    network: Network,
    ground: Ground | None,
    *,
    station_m: float | None = None,
    heights: Literal["design", "ground"] = "design",
) -> tuple[Target, ...]:
    """Return the points of a design that fits the site.

    Parameters
    ----------
    design, network, ground
    station_m
        Spacing of further points along lines, ground metres.
    heights
        What a point without elevation means: a fault, or that it lies on the walked ground.

    Raises
    ------
    InputError
        Another CRS, points without elevation, points far outside the site; all points.
    """
    frame = network.frame
    refuse_other_crs(design, frame)
    found = targets(design, frame.ground_unit_m, station_m)
    problems = _outside(found, network, design.file)
    if heights == "design":
        for target in found:
            if not np.isfinite(target.place[2]):
                problems.add(
                    "design-no-elevation",
                    f"{shown(target.name)} has no elevation",
                    "an elevation of the design at every point",
                    "add it, or say --heights ground for points on the walked ground",
                    design.file,
                    target.line,
                )
    if problems:
        raise InputError(problems.first())
    if heights == "design":
        return found
    return _on_ground(found, network, ground, design.file)


def refuse_elsewhere(design: Design, network: Network) -> None:
    """Refuse a design of which no point is near the site.

    Raises
    ------
    InputError
    """
    found = targets(design, network.frame.ground_unit_m, None)
    problems = _outside(found, network, design.file)
    if len(problems) == len(found):
        raise InputError(problems.first())


def _outside(found: tuple[Target, ...], network: Network, file: str) -> Problems:
    """Return what is wrong with points far outside the site."""
    frame, problems = network.frame, Problems()
    low, high = network.en.min(axis=0), network.en.max(axis=0)
    reach = max(NEAR_M, float(np.hypot(*(high - low))))
    places = frame.to_local(np.array([target.place[:2] for target in found]))
    beyond = np.hypot(*(np.maximum(low - places, 0) + np.maximum(places - high, 0)).T)
    swapped = frame.to_local(np.array([target.place[1::-1] for target in found]))
    other = np.hypot(*(np.maximum(low - swapped, 0) + np.maximum(swapped - high, 0)).T)
    for target, away, turned in zip(found, beyond.tolist(), other.tolist(), strict=True):
        if away > reach:
            remedy = "check the CRS, the unit and the order of the columns of the design"
            if turned <= reach:
                remedy = "easting and northing are exchanged: exchange the columns"
            problems.add(
                "design-outside",
                f"{shown(target.name)} lies {away / 1000:.3g} km outside the site",
                f"points of the site, at most {reach:.0f} m beyond what was walked",
                remedy,
                file,
                target.line,
            )
    return problems


def _on_ground(
    found: tuple[Target, ...], network: Network, ground: Ground | None, file: str
) -> tuple[Target, ...]:
    frame, problems, out = network.frame, Problems(), []
    for target in found:
        place = target.place.copy()
        if not np.isfinite(place[2]):
            up = np.nan
            if ground is not None:
                up = float(ground.elevations_at(frame.to_local(place[:2]))[0])
            place[2] = up / frame.height_unit_m
            if not np.isfinite(up):
                problems.add(
                    "design-no-ground",
                    f"{shown(target.name)} has no elevation, and no ground was walked there",
                    "an elevation, or ground between marks",
                    "add the elevation or walk marks round it",
                    file,
                    target.line,
                )
        out.append(replace(target, place=place))
    if problems:
        raise InputError(problems.first())
    return tuple(out)
