"""The types of ``report.json``: what a program finds in it.

Field names carry their unit. A number with its interval is a `Measured`, or has ``_low`` and
``_high`` or ``_95`` beside it. ``None`` means not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geosite.base.errors import Finding
from geosite.handover.report_model.answers import (
    Alternative,
    Cost,
    Earthwork,
    Grade,
    Parcels,
    Prices,
    Section,
)
from geosite.handover.report_model.ground import Ground
from geosite.network.report_model import NetworkReport

__all__ = ["Area", "Line", "Measured", "Points", "SiteReport", "SurveyReport", "Title"]


@dataclass(frozen=True, slots=True)
class Measured:
    """A number on the ground with its 95 % interval.

    Parameters
    ----------
    value
        On the ground.
    low, high
        Ends of the interval that holds the true value in 95 of 100 cases.
    sigma
        Standard deviation.
    grid
        The same on the map grid.
    """

    value: float
    low: float | None
    high: float | None
    sigma: float | None
    grid: float


@dataclass(frozen=True, slots=True)
class Title:
    """What the site is called.

    Parameters
    ----------
    title
        As in the site file.
    date
        Of the survey, ISO 8601, empty for not said.
    file
        The site file.
    unit
        In which it is spoken of, ``"m"`` or ``"ft"``; numbers here are in the unit of their name.
    """

    title: str
    date: str
    file: str
    unit: str = "m"


@dataclass(frozen=True, slots=True)
class Points:
    """All observations together.

    Parameters
    ----------
    count
        Rows of the field book.
    largest_sigma_h_m, largest_h_95_m
        The least sure place: standard deviation and half the 95 % interval per horizontal axis.
    largest_sigma_v_m, largest_v_95_m
        The least sure elevation.
    outline_wgs84
        Corners of the extent, longitude and latitude, counter-clockwise, the first one again.
    """

    count: int
    largest_sigma_h_m: float | None
    largest_h_95_m: float | None
    largest_sigma_v_m: float | None
    largest_v_95_m: float | None
    outline_wgs84: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Area:
    """A surface drawn from its walked outline.

    Parameters
    ----------
    code
        Surface code.
    area_m2
        Within the outline, arcs exact.
    net_area_m2
        Without the features inside it.
    perimeter_m, edging_m
        Length of the outline, with and without its gaps.
    inside
        Names of the features directly inside.
    """

    code: str
    area_m2: Measured | None
    net_area_m2: Measured | None
    perimeter_m: Measured | None
    edging_m: Measured | None
    inside: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Line:
    """A line drawn from the walked marks.

    Parameters
    ----------
    code
        Feature code.
    length_m
        Horizontal length.
    length_3d_m, length_3d_sigma_m, length_3d_95_m
        Length along the slope, its standard deviation and half its 95 % interval.
    rise_m, rise_sigma_m, rise_95_m
        Sum of the climbs from mark to mark.
    fall_m, fall_sigma_m, fall_95_m
        Sum of the descents.
    """

    code: str
    length_m: Measured | None
    length_3d_m: float
    length_3d_sigma_m: float | None
    length_3d_95_m: float | None
    rise_m: float
    rise_sigma_m: float | None
    rise_95_m: float | None
    fall_m: float
    fall_sigma_m: float | None
    fall_95_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyReport:
    """How far a survey can be trusted: what ``check-survey`` finds.

    Parameters
    ----------
    geosite
        Version that wrote it.
    site
        What the site is called.
    caution
        What the numbers must not be taken for.
    network
        Closures, ties, baseline, noise, checks: everything of the adjustment.
    points
        All observations together.
    areas, lines
        What was drawn, by name.
    findings
        What to look at first, then what to know.
    """

    geosite: str
    site: Title
    caution: tuple[str, ...]
    network: NetworkReport
    points: Points
    areas: Mapping[str, Area]
    lines: Mapping[str, Line]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteReport(SurveyReport):
    """Everything about a site: what ``build-site`` finds.

    Parameters
    ----------
    terrain
        The ground; ``None`` with too few marks.
    distances
        Records of the table ``distances``.
    grades, sections, earthworks, parcels
        What was asked.
    designs, design_water, design_parcels, design_parts, design_estimate, kerbs, peak_flows
        Records of the tables of these names.
    prices
        The take-off priced; ``None`` where the site file gives no prices.
    cost
        Take-off and designs together; ``None`` where nothing has a price, or where only one of
        several designs is built.
    alternatives
        Then the cost for every choice among these.
    """

    terrain: Ground | None
    distances: tuple[Mapping[str, Any], ...]
    grades: tuple[Grade, ...]
    sections: Mapping[str, Section]
    earthworks: Mapping[str, Earthwork]
    parcels: Parcels | None
    designs: tuple[Mapping[str, Any], ...] = ()
    design_water: tuple[Mapping[str, Any], ...] = ()
    design_parcels: tuple[Mapping[str, Any], ...] = ()
    design_parts: tuple[Mapping[str, Any], ...] = ()
    design_estimate: tuple[Mapping[str, Any], ...] = ()
    kerbs: tuple[Mapping[str, Any], ...] = ()
    peak_flows: tuple[Mapping[str, Any], ...] = ()
    prices: Prices | None = None
    cost: Cost | None = None
    alternatives: tuple[Alternative, ...] = ()
