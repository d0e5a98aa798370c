"""Facts of setting out: what the device must show at each point, and how near that brings it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geosite.analysis.setting_out.baseline import BaselineCheck
from geosite.analysis.setting_out.targets import Target
from geosite.base.errors import Finding
from geosite.base.estimate import Estimate
from geosite.base.rounding import decimals

__all__ = ["Known", "Located", "SettingOut", "Verdict"]

Verdict = Literal["can", "cannot", "undecided"]


@dataclass(frozen=True, slots=True)
class Located:
    """One point to set out.

    Parameters
    ----------
    target
        What is set out.
    along, offset, rise
        From the first baseline mark: along the baseline, to the right of it, up; ground lengths in
        the unit of the walk.
    distance, angle
        At the first mark: ground distance in the unit of the walk, angle clockwise from the
        direction to the second mark, radians.
    far
        How many baseline lengths from the nearer baseline mark.
    reading : (x, y, z) or None
        What the device shows there, in the unit and the axes of today's walk; None without a walk.
    ground
        Elevation of the walked ground there, metres; None where the marks do not reach.
    cut
        Ground above the design, metres; negative is fill.
    sigma_h_m, sigma_v_m
        Standard deviation, per horizontal axis and in height, of where the device is against what
        the survey shows there.
    error_95_m, v_95_m
        Radius of the circle that holds the device in 95 of 100 walks; half the 95 % interval of the
        height.
    map_sigma_h_m
        Standard deviation per horizontal axis on the map, with what the anchor adds.
    verdict
        Against the tolerance; None without one.
    """

    target: Target
    along: float
    offset: float
    rise: float
    distance: float
    angle: float
    far: float
    reading: tuple[float, float, float] | None = None
    ground: Estimate | None = None
    cut: Estimate | None = None
    sigma_h_m: float | None = None
    sigma_v_m: float | None = None
    error_95_m: float | None = None
    v_95_m: float | None = None
    map_sigma_h_m: float | None = None
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """A mark of the survey to try the device at before anything is set out."""

    name: str
    along: float
    offset: float
    rise: float
    reading: tuple[float, float, float] | None


@dataclass(frozen=True, eq=False)
class SettingOut:
    """Everything for a day in the field.

    Parameters
    ----------
    title
        Of the survey.
    marks
        Names of the two baseline marks.
    check
        Today's baseline; None without a walk.
    axes
        Of the device.
    unit, unit_m
        Of the walk.
    baseline, baseline_rise
        Ground length and rise from the first to the second mark, in the unit of the walk.
    baseline_visits : ((x, y, z), (x, y, z)) or None
        What the device showed at the two marks today, mean of the visits.
    combined_factor
        Map length per ground length that was taken out.
    tolerance_m
        None without one.
    points
        In the order of the design, the order in which they are walked.
    straight_95_m
        The `error_95_m` of points that miss the tolerance, were they walked to straight from the
        baseline, by name.
    check_mark
        Of the survey, None where it has none but the baseline.
    findings
    """

    title: str
    marks: tuple[str, str]
    check: BaselineCheck | None
    axes: Literal["right-handed", "left-handed"]
    unit: str
    unit_m: float
    baseline: float
    baseline_rise: float
    baseline_visits: tuple[tuple[float, float, float], tuple[float, float, float]] | None
    combined_factor: float
    tolerance_m: float | None
    points: tuple[Located, ...]
    straight_95_m: dict[str, float]
    check_mark: Known | None
    findings: tuple[Finding, ...] = ()

    @property
    def places(self) -> int:
        """Decimals of what the device is to show: no more than the best point's error carries."""
        usual = 3 if self.unit == "m" else 2
        known = [p.error_95_m for p in self.points if p.error_95_m is not None]
        return max(1, min(usual, decimals(min(known) / self.unit_m))) if known else usual
