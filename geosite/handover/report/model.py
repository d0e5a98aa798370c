"""The types of ``report.json``: what a program finds in it.

Field names carry their unit. A number with its interval is a `Measured`. ``None`` means not known.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from geosite.base.errors import Finding
from geosite.terrain.surface.scores import Score

__all__ = [
    "Area",
    "Catchment",
    "Clearance",
    "Earthwork",
    "Fall",
    "Grade",
    "Ground",
    "Line",
    "Measured",
    "Parcels",
    "Paving",
    "Points",
    "Pond",
    "Roughness",
    "Section",
    "Share",
    "SiteReport",
    "Spread",
    "SurveyReport",
    "Title",
    "Volume",
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Pond:
    """Standing water when a hollow is full, each number with both ends of its 95 % interval.

    Parameters
    ----------
    probability
        Share of the possible grounds on which water stands here.
    is_significant
        Whether there is a pond with 95 % confidence.
    """

    depth_m: float
    depth_low_m: float | None
    depth_high_m: float | None
    volume_m3: float
    volume_low_m3: float | None
    volume_high_m3: float | None
    area_m2: float
    area_low_m2: float | None
    area_high_m2: float | None
    probability: float | None
    is_significant: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Catchment:
    """Ground by where its water leaves the survey.

    Parameters
    ----------
    leaves_by
        ``"edge"``, ``"inlet"`` or ``"hollow"``.
    inlet
        Its name.
    area_m2, area_low_m2, area_high_m2
        Within the survey, with its 95 % interval.
    """

    leaves_by: str
    inlet: str | None
    area_m2: float
    area_low_m2: float | None
    area_high_m2: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """How the ground falls away from one building.

    Parameters
    ----------
    name
        Of the building.
    distance_m
        From the wall over which the fall is asked for.
    wall_m
        Length of wall before which the ground is known.
    short_m, short_low_m, short_high_m
        Length of wall before which it falls less than it should, with its 95 % interval.
    toward_m, toward_low_m, toward_high_m
        Length of wall before which it falls towards the building, with its 95 % interval.
    worst_percent, worst_sigma_percent, worst_95_percent
        Fall at the place that misses its limit by most, or holds it by least; its standard
        deviation and half its 95 % interval.
    limit_percent, is_paved, over_m
        At that place.
    easting, northing
        The place, at the wall, map units.
    verdict
        At 95 %, for all places together.
    source, section, sense
        Of the rule, and whether it demands or advises.
    beyond_m, undecided_m, not_measured_m, within_m
        Length of wall by verdict.
    """

    name: str
    distance_m: float
    wall_m: float
    short_m: float
    short_low_m: float | None
    short_high_m: float | None
    toward_m: float
    toward_low_m: float | None
    toward_high_m: float | None
    worst_percent: float
    worst_sigma_percent: float | None
    worst_95_percent: float | None
    limit_percent: float
    is_paved: bool
    over_m: float
    easting: float
    northing: float
    verdict: str
    source: str
    section: str
    sense: str
    beyond_m: float
    undecided_m: float
    not_measured_m: float
    within_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Paving:
    """Paved ground of one feature that is flatter than it should be.

    Parameters
    ----------
    flat_m2
        Area flatter than the minimum, with its 95 % interval.
    known_m2
        Area of known slope.
    patch_m2, easting, northing
        The largest flat patch, and a place in it, map units.
    """

    name: str
    flat_m2: float
    flat_low_m2: float | None
    flat_high_m2: float | None
    known_m2: float
    minimum_percent: float
    patch_m2: float
    easting: float | None
    northing: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Roughness:
    """How far the ground may lie from the straight lines between the marks.

    Parameters
    ----------
    sigma_m, range_m
        Standard deviation and range of each part of a rough surface.
    marks_left_out
        How many marks told; 0 where there were too few, and nothing is known.
    reach_m
        So far from a mark they say anything; beyond, the ground counts as not measured.
    """

    sigma_m: tuple[float, ...]
    range_m: tuple[float, ...]
    marks_left_out: int
    reach_m: float | None


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
    roughness
        Of the ground between the marks.
    possible_grounds
        How many the intervals of what is not linear rest on.
    slope_classes_m2, slope_classes_low_m2, slope_classes_high_m2
        Ground of each area, by name, in each class, with its 95 % interval.
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
    roughness: Roughness
    possible_grounds: int
    slope_breaks_percent: tuple[float, ...]
    slope_classes_m2: Mapping[str, tuple[float, ...]]
    slope_classes_low_m2: Mapping[str, tuple[float, ...]]
    slope_classes_high_m2: Mapping[str, tuple[float, ...]]
    falls_from_buildings: tuple[Fall, ...]
    flat_paving: tuple[Paving, ...]
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
    probability
        Share of the possible profiles in which there is such a run or landing.
    """

    line: str
    limits: str
    check: str
    start: str
    end: str
    start_m: float
    end_m: float
    value: float | None
    value_low: float | None
    value_high: float | None
    sigma: float | None
    limit: float | None
    section: str
    verdict: str
    extra_observations: int | None
    unit: str
    probability: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """The ground along a line.

    Parameters
    ----------
    length_m, length_sigma_m, length_95_m
        Length, its standard deviation, half its 95 % interval.
    rise_m, rise_low_m, rise_high_m
        Sum of the climbs, with its 95 % interval.
    fall_m, fall_low_m, fall_high_m
        Sum of the descents, with its 95 % interval.
    largest_sigma_m
        Largest standard deviation of an elevation.
    """

    length_m: float
    length_sigma_m: float | None
    length_95_m: float | None
    rise_m: float
    rise_low_m: float | None
    rise_high_m: float | None
    fall_m: float
    fall_low_m: float | None
    fall_high_m: float | None
    largest_sigma_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    """Cut and fill by one method, with 95 % intervals.

    Parameters
    ----------
    cut_m3, cut_low_m3, cut_high_m3
        Ground above the design.
    fill_m3, fill_low_m3, fill_high_m3
        Ground below the design.
    net_m3, net_sigma_m3, net_low_m3, net_high_m3
        Cut minus fill.
    cut_error_m3, fill_error_m3
        What the method adds to the exact volume: its discretisation error.
    """

    cut_m3: float
    cut_low_m3: float | None
    cut_high_m3: float | None
    fill_m3: float
    fill_low_m3: float | None
    fill_high_m3: float | None
    net_m3: float
    net_sigma_m3: float | None
    net_low_m3: float | None
    net_high_m3: float | None
    cut_error_m3: float
    fill_error_m3: float


@dataclass(frozen=True, slots=True)
class Earthwork:
    """Earthwork of one feature.

    Parameters
    ----------
    feature
        Area it covers.
    volumes
        ``exact`` over the triangles, then by the methods to check it with.
    covered
        Share of the area that both surfaces reach.
    sections
        Number of cross sections.
    """

    feature: str
    volumes: Mapping[str, Volume]
    covered: float
    sections: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """Area of one feature in one parcel, with standard deviations and 95 % intervals.

    Parameters
    ----------
    feature, code, parcel
        Names.
    area_m2, area_sigma_m2, area_95_m2
        On the ground; standard deviation and half the 95 % interval.
    share_of_feature, share_of_feature_sigma, share_of_feature_95
        Of the feature's area.
    share_of_parcel, share_of_parcel_sigma, share_of_parcel_95
        Of the parcel's area: the coverage ratio.
    """

    feature: str
    code: str
    parcel: str
    area_m2: float
    area_sigma_m2: float | None
    area_95_m2: float | None
    share_of_feature: float
    share_of_feature_sigma: float | None
    share_of_feature_95: float | None
    share_of_parcel: float
    share_of_parcel_sigma: float | None
    share_of_parcel_95: float | None


@dataclass(frozen=True, slots=True)
class Clearance:
    """Nearest approach of a feature to a parcel line.

    Parameters
    ----------
    feature, parcel
        Which.
    distance_m, distance_sigma_m, distance_95_m
        Positive: clear of the line by so much; standard deviation and half the 95 % interval.
    verdict, words
        At 95 %, and the same as a sentence.
    """

    feature: str
    parcel: str
    distance_m: float
    distance_sigma_m: float | None
    distance_95_m: float | None
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
