"""The types of ``report.json``: what a program finds in it.

Field names carry their unit. A number with its interval is a `Measured`. ``None`` means not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from geosite.base.errors import Finding
from geosite.review.earthwork import Earthwork
from geosite.review.parcels import Share
from geosite.terrain.surface.scores import Score
from geosite.terrain.water.falls import FallFromBuilding, FlatPaving

__all__ = [
    "Area",
    "Catchment",
    "Clearance",
    "Grade",
    "Ground",
    "Line",
    "Measured",
    "Parcels",
    "Points",
    "Pond",
    "Section",
    "SiteReport",
    "Spread",
    "SurveyReport",
    "Title",
]


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
    """

    title: str
    date: str
    file: str


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
    length_3d_m, rise_m, fall_m
        Length along the slope; sums of the climbs and of the descents.
    """

    code: str
    length_m: Measured | None
    length_3d_m: float
    rise_m: float
    fall_m: float


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations over a whole raster.

    Parameters
    ----------
    median, largest
        Of all cells.
    """

    median: float
    largest: float


@dataclass(frozen=True, slots=True)
class Pond:
    """Standing water when a hollow is full.

    Parameters
    ----------
    depth_m, volume_m3, area_m2
        When full.
    is_significant
        Deeper than its standard deviation.
    """

    depth_m: float
    volume_m3: float
    area_m2: float
    is_significant: bool


@dataclass(frozen=True, slots=True)
class Catchment:
    """Ground whose water leaves in one place.

    Parameters
    ----------
    leaves_by
        ``edge``, ``inlet`` or ``hollow``.
    inlet
        Name of the inlet.
    area_m2
        Within the survey.
    """

    leaves_by: Literal["edge", "inlet", "hollow"]
    inlet: str | None
    area_m2: float


@dataclass(frozen=True, slots=True)
class Ground:
    """The ground between the marks.

    Parameters
    ----------
    cell_size, rows, cols
        Of the rasters, map units.
    unit, elevation_unit
        Of the map and of the elevations.
    lowest, highest
        Elevations, their unit.
    points
        That the surface goes through.
    method
        How the ground between the marks was found.
    scores
        How well each method predicts marks it was not given.
    sigma_m
        Standard deviations of the elevation raster.
    slope_breaks_percent
        Limits of the slope classes.
    slope_classes_m2
        Ground of each area, by name, in each class.
    falls_from_buildings, flat_paving
        What was looked at.
    ponds, catchments
        The largest first.
    """

    cell_size: float
    rows: int
    cols: int
    unit: str
    elevation_unit: str
    lowest: float | None
    highest: float | None
    points: int
    method: str
    scores: tuple[Score, ...]
    sigma_m: Spread | None
    slope_breaks_percent: tuple[float, ...]
    slope_classes_m2: Mapping[str, tuple[float, ...]]
    falls_from_buildings: tuple[FallFromBuilding, ...]
    flat_paving: tuple[FlatPaving, ...]
    ponds: tuple[Pond, ...]
    catchments: tuple[Catchment, ...]


@dataclass(frozen=True, slots=True)
class Grade:
    """One check of one stretch of a line.

    Parameters
    ----------
    line, limits, section
        Name of the line, of the limit set, and the section of the standard.
    check
        What is held against the limit.
    start, end, start_m, end_m
        Marks or stations of the stretch, and their distance along the line.
    value, value_low, value_high, sigma
        Measured, with its 95 % interval.
    limit
        ``None``: the set has none.
    unit
        Of value and limit.
    verdict
        At 95 %.
    extra_observations
        More measurements of the same stretch that would decide.
    """

    line: str
    limits: str
    check: str
    start: str
    end: str
    start_m: float
    end_m: float
    value: float
    value_low: float | None
    value_high: float | None
    sigma: float | None
    limit: float | None
    section: str
    verdict: str
    extra_observations: int | None
    unit: str


@dataclass(frozen=True, slots=True)
class Section:
    """The ground along a line.

    Parameters
    ----------
    length_m, rise_m, fall_m
        Length, sums of the climbs and of the descents.
    largest_sigma_m
        Largest standard deviation of an elevation.
    """

    length_m: float
    rise_m: float
    fall_m: float
    largest_sigma_m: float | None


@dataclass(frozen=True, slots=True)
class Clearance:
    """Nearest approach of a feature to a parcel line.

    Parameters
    ----------
    feature, parcel
        Which.
    distance_m, sigma_m
        Positive: clear of the line by so much.
    verdict, words
        At 95 %, and the same as a sentence.
    """

    feature: str
    parcel: str
    distance_m: float
    sigma_m: float | None
    verdict: str
    words: str


@dataclass(frozen=True, slots=True)
class Parcels:
    """The survey on the parcel map.

    Parameters
    ----------
    map_sigma_m
        Stated accuracy of the parcel map.
    transformation, transformation_sigma_m
        Coordinate operation from its CRS, and its stated accuracy.
    shares
        Area of each feature in each parcel.
    clearances
        Nearest approach of features to parcel lines.
    """

    map_sigma_m: float
    transformation: str
    transformation_sigma_m: float
    shares: tuple[Share, ...]
    clearances: tuple[Clearance, ...]


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
    network: Mapping[str, Any]
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
    """

    terrain: Ground | None
    distances: tuple[Mapping[str, Any], ...]
    grades: tuple[Grade, ...]
    sections: Mapping[str, Section]
    earthworks: Mapping[str, Earthwork]
    parcels: Parcels | None
