"""What ``report.json`` says of how far the network can be trusted: its types.

Field names carry their unit: ``_m`` metres on the ground, ``_deg`` degrees, ``_95`` half a 95 %
interval, ``sigma`` a standard deviation. ``None``: not known, or not asked for. A trailing
underscore is left out in the file (``from_`` is ``from``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from geosite.network.noise import Noise

__all__ = [
    "CheckPoint",
    "CheckedAccuracy",
    "ControlFit",
    "ErrorSharesReport",
    "ExtraMeasurement",
    "HeightResidual",
    "HeightsMisfit",
    "LeastCertain",
    "MistakeReport",
    "NeighbourReport",
    "NoiseReport",
    "PlanMisfit",
    "PlanResidual",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseReport:
    """What the misclosures say about the noise that was assumed.

    Parameters
    ----------
    horizontal, vertical
        In plan and in height.
    """

    horizontal: Noise
    vertical: Noise


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanResidual:
    """Known position less that of the survey.

    Parameters
    ----------
    mark
        Which.
    east_m, north_m
        On the map grid.
    """

    mark: str
    east_m: float
    north_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightResidual:
    """Known elevation less that of the survey.

    Parameters
    ----------
    mark
        Which.
    up_m
        Upwards.
    """

    mark: str
    up_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Misfit:
    """What both misfits have.

    Parameters
    ----------
    chi_square, freedom
        Weighted squares of the misfits, and their degrees of freedom.
    residuals
        Of each known mark.
    """

    chi_square: float
    freedom: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanMisfit(_Misfit):
    """How the known positions fit the survey."""

    residuals: tuple[PlanResidual, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightsMisfit(_Misfit):
    """How the known elevations fit the survey."""

    residuals: tuple[HeightResidual, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlFit:
    """How known marks fit the survey; ``None`` where there are no more than place it.

    Parameters
    ----------
    horizontal, vertical
        In plan and in height.
    """

    horizontal: PlanMisfit | None
    vertical: HeightsMisfit | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPoint:
    """A known mark that took no part.

    Parameters
    ----------
    mark
        Which.
    east_m, north_m, up_m
        Survey less known.
    sigma_h_m, sigma_v_m
        Standard deviation to be expected of that, per horizontal axis and in height.
    """

    mark: str
    east_m: float | None
    north_m: float | None
    up_m: float | None
    sigma_h_m: float | None
    sigma_v_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedAccuracy:
    """Accuracy tested on check points (NSSDA, FGDC-STD-007.3-1998).

    Parameters
    ----------
    points
        Each check point.
    rmse_r_m, horizontal_95_m, horizontal_points
        Radial root mean square error, accuracy at 95 % in plan, and of how many points.
    rmse_z_m, vertical_95_m, vertical_points
        The same in height.
    """

    points: tuple[CheckPoint, ...]
    rmse_r_m: float | None = None
    horizontal_95_m: float | None = None
    horizontal_points: int | None = None
    rmse_z_m: float | None = None
    vertical_95_m: float | None = None
    vertical_points: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LeastCertain:
    """The least certain place, and what the length of the baseline costs there.

    Parameters
    ----------
    mark, line
        Mark, where it has a name, and line of the field book.
    distance_m
        From the middle of the baseline.
    baseline_m
        Length of the baseline.
    error_95_m
        Semi-major axis of the 95 % error ellipse.
    swing_95_m
        The part that the turn of its run explains.
    baseline_only_95_m
        What it would be if the runs shared the baseline and nothing else.
    calibrated_95_m
        What is to be expected once the device is calibrated, with errors of the size that the
        misclosures show, where nothing is said of it; ``None`` also where that would gain nothing.
    """

    mark: str | None
    line: int
    distance_m: float
    baseline_m: float
    error_95_m: float | None
    swing_95_m: float | None
    baseline_only_95_m: float | None
    calibrated_95_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorSharesReport:
    """What errors are made of: shares of the variance by component, which add up to 100 percent.

    Parameters
    ----------
    mark, line
        The least certain place: mark, where it has a name, and line of the field book.
    horizontal_percent, vertical_percent
        Of its place and of its elevation.
    distance_between, distance_percent
        Two marks a typical distance apart, and the shares of that distance.
    """

    mark: str | None
    line: int
    horizontal_percent: Mapping[str, float]
    vertical_percent: Mapping[str, float]
    distance_between: tuple[str, str] | None
    distance_percent: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraMeasurement:
    """One extra measurement that would help the least certain place.

    Parameters
    ----------
    kind
        ``"tie"``: a run visits a mark once more; ``"control"``: its place on the map is measured.
    mark, run
        Which mark, and which run visits it.
    after_line
        Line of the field book from which to walk there.
    error_95_m
        What the least certain place would be good to.
    """

    kind: Literal["tie", "control"]
    mark: str
    run: str | None
    after_line: int | None
    error_95_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NeighbourReport:
    """How well named marks next to each other are known relative to each other.

    Parameters
    ----------
    pairs, within
        Pairs of neighbours, and how many keep the published precision.
    worst_pair
        Names of the worst pair.
    worst_95_m, allowed_m
        Semi-major axis of its 95 % ellipse, and what the rule allows.
    information_only
        The published rule.
    """

    pairs: int
    within: int
    worst_pair: tuple[str | None, str | None]
    worst_95_m: float
    allowed_m: float
    information_only: str = "2 cm + 50 ppm at 95 % between neighbouring marks; no boundary survey"


@dataclass(frozen=True, slots=True, kw_only=True)
class MistakeReport:
    """A mistake that the misclosures give away, small enough to go on.

    Parameters
    ----------
    kind
        As in `geosite.network.mistakes.facts.Mistake`.
    run
        Which run, or which ones joined by ``" or "``.
    lines, marks
        Lines of the field book and marks concerned.
    error_m
        Estimated error in easting, northing, elevation; ``None`` where nothing checks it.
    chance
        Chance that noise alone looks like this.
    """

    kind: str
    run: str
    lines: tuple[int, ...]
    marks: tuple[str, ...]
    error_m: tuple[float | None, ...]
    chance: float
