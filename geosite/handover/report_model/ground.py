"""What ``report.json`` says about the ground between the marks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from geosite.terrain.surface.cross_validation import Score

__all__ = ["Catchment", "Fall", "Ground", "Paving", "Pond", "Roughness", "Spread"]


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
    depth_m, volume_m3, area_m2
        When full.
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
    name
        Of the feature.
    minimum_percent
        The minimum.
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
    sigma_m, range_m, weight
        Standard deviation of a rough surface for each range it may have, and how likely that is.
    wide_sigma_m, wide_range_m
        Of a second surface below each, which goes over many marks: a crown, a bowl.
    marks_left_out
        How many marks told; 0 where there were too few, and nothing is known.
    reach_m
        So far from a mark they say anything; beyond, the ground counts as not measured.
    """

    sigma_m: tuple[float, ...]
    range_m: tuple[float, ...]
    weight: tuple[float, ...]
    wide_sigma_m: tuple[float, ...]
    wide_range_m: float | None
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
        How many the intervals of what is not linear rest on; those of water on fewer where the
        finding ``fewer-possible-grounds`` says so.
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
