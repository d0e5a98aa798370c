"""What ``report.json`` says of the network: its types.

Field names carry their unit: ``_m`` metres on the ground, ``_deg`` degrees, ``_95`` half a 95 %
interval, ``sigma`` a standard deviation. ``None``: not known, or not asked for. A trailing
underscore is left out in the file (``from_`` is ``from``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geosite.network.report_trust import (
    CheckedAccuracy,
    ControlFit,
    ErrorSharesReport,
    ExtraMeasurement,
    LeastCertain,
    MistakeReport,
    NeighbourReport,
    NoiseReport,
)

__all__ = [
    "Anchor",
    "AnchoredMark",
    "BaselineCheck",
    "ClosureReport",
    "Direction",
    "MapFrame",
    "NetworkReport",
    "RunReport",
    "Tie",
    "Unchecked",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class MapFrame:
    """The map the survey lies on.

    Parameters
    ----------
    crs, vertical_crs
        Names of the coordinate reference systems; ``vertical_crs`` is ``None`` where none is given.
    unit, elevation_unit
        Of coordinates and of elevations in the layers.
    grid_scale_factor
        Map length over ellipsoid length, at the middle of the survey.
    elevation_factor
        Ellipsoid length over ground length, there.
    combined_factor
        Map length over ground length: their product.
    convergence_deg
        Geodetic azimuth minus grid azimuth, there.
    latitude, longitude
        Of the middle of the known marks to a metre, degrees, WGS 84 as in GeoJSON and other maps.
        ``None`` on a plan without a CRS.
    """

    crs: str
    vertical_crs: str | None
    unit: str
    elevation_unit: str
    grid_scale_factor: float
    elevation_factor: float
    combined_factor: float
    convergence_deg: float
    latitude: float | None
    longitude: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AnchoredMark:
    """A mark whose place on the map is known.

    Parameters
    ----------
    mark
        Its name.
    use
        ``"anchor"``: it places the survey; ``"check"``: it is compared only.
    sigma_m
        Standard deviation per axis.
    exact
        Taken as without error.
    """

    mark: str
    use: Literal["anchor", "check"]
    sigma_m: float
    exact: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """What places the survey on the map.

    Parameters
    ----------
    marks
        In the order of the site file.
    grid_azimuth_deg
        Of the baseline, clockwise from grid north, where it was given.
    transformation
        Coordinate operation that all known marks came through, where they were not given on the
        map.
    shift_sigma_m, shift_sigma_up_m
        What that may move the whole survey by, standard deviation of easting and of northing, and
        of elevations: it is in every accuracy on the map, and in no distance, area or grade.
    shift_known
        Whether the accuracy of that operation is known; else it is in no figure.
    """

    marks: tuple[AnchoredMark, ...]
    grid_azimuth_deg: float | None
    transformation: str | None = None
    shift_sigma_m: float = 0.0
    shift_sigma_up_m: float = 0.0
    shift_known: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Direction:
    """Turn of a run's frame between its first and its last pass along the baseline.

    Parameters
    ----------
    misclosure_deg
        Counter-clockwise.
    sigma_deg
        What the noise of the legs makes of it.
    angles
        Marks at which the walk turned in between.
    information_only
        The published rule it is compared with, where the site file asks for it.
    limit_10_deg, limit_30_deg
        What 10 and 30 seconds times the root of the angles allow.
    """

    misclosure_deg: float
    sigma_deg: float
    angles: int
    information_only: str | None = None
    limit_10_deg: float | None = None
    limit_30_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunReport:
    """One uninterrupted walk.

    Parameters
    ----------
    run
        Its name.
    orientation_deg, orientation_sigma_deg, orientation_95_deg
        Counter-clockwise turn from its own axes to grid east and north, its standard deviation and
        half its 95 % interval.
    observations
        Rows of the field book.
    direction
        ``None``: it passed the baseline once.
    """

    run: str
    orientation_deg: float
    orientation_sigma_deg: float | None
    orientation_95_deg: float | None
    observations: int
    direction: Direction | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosureReport:
    """Misclosure of one loop: a run that came back to a mark, before the adjustment.

    Parameters
    ----------
    run, mark
        Which run came back to which mark.
    first_line, last_line
        Lines of the field book.
    length_m
        Walked on the ground.
    misclosure_m, misclosure_up_m
        In plan, and in height with its sign.
    ratio
        Length over misclosure in plan; ``None``: it closed exactly.
    sigma_m
        Standard deviation per axis to be expected of such a loop.
    levelling_mm_per_sqrt_km
        Misclosure in height over the root of the length.
    would_meet
        Published classes of closure it would meet, of the rules that the site file names.
    """

    run: str
    mark: str
    first_line: int
    last_line: int
    length_m: float
    misclosure_m: float
    misclosure_up_m: float
    ratio: float | None
    sigma_m: float
    levelling_mm_per_sqrt_km: float
    would_meet: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tie:
    """A mark that several runs visited.

    Parameters
    ----------
    mark, runs
        Which mark, which runs.
    spread_m
        How far apart the runs put it, unadjusted.
    """

    mark: str
    runs: tuple[str, ...]
    spread_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unchecked:
    """The end of a run that nothing checks: it never comes back to a common mark.

    Parameters
    ----------
    run
        Which.
    first_line, last_line
        Lines of the field book.
    observations
        How many.
    """

    run: str
    first_line: int
    last_line: int
    observations: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineCheck:
    """A length in the notes against the same on the map, both on the ground.

    Parameters
    ----------
    from_, to
        The two marks.
    measured_m, mapped_m
        In the notes, and on the map.
    ppm
        Measured less mapped, parts per million.
    sigma_m
        Standard deviation of the difference.
    sigmas
        The difference over that.
    """

    from_: str
    to: str
    measured_m: float
    mapped_m: float
    ppm: float
    sigma_m: float
    sigmas: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkReport:
    """Everything about the adjustment that has no column of its own.

    Parameters
    ----------
    frame
        The map.
    anchor
        What places the survey on it.
    runs, closures, ties, unchecked
        The walks, their loops, the marks they share, and what nothing checks.
    baseline
        Length on the map against the notes; ``None`` where one mark alone is known.
    noise
        What the misclosures say.
    control, check_points
        Known marks that place the survey, and those that are compared only.
    lever_arm
        The least certain place.
    error_shares
        What its error and that of a typical distance are made of.
    advice
        What would help there most: a further visit, a further known mark.
    neighbour_precision
        Of neighbouring marks.
    mistakes
        That the misclosures give away.

    Examples
    --------
    >>> NetworkReport().closures
    ()
    """

    frame: MapFrame | None = None
    anchor: Anchor | None = None
    runs: tuple[RunReport, ...] = ()
    closures: tuple[ClosureReport, ...] = ()
    ties: tuple[Tie, ...] = ()
    unchecked: tuple[Unchecked, ...] = ()
    baseline: BaselineCheck | None = None
    noise: NoiseReport | None = None
    control: ControlFit | None = None
    check_points: CheckedAccuracy | None = None
    lever_arm: LeastCertain | None = None
    error_shares: ErrorSharesReport | None = None
    advice: tuple[ExtraMeasurement, ...] = ()
    neighbour_precision: NeighbourReport | None = None
    mistakes: tuple[MistakeReport, ...] = ()
