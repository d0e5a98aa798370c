"""Where the marks are: the frame of the map, and placed marks with their covariance in closed form.

All lengths inside are metres. Horizontal positions are grid metres (map CRS coordinates times the
unit of the CRS) relative to ``Frame.origin``; ground lengths are grid lengths divided by
``Frame.combined_factor``. Angles are radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding
from geosite.base.map_frame import Frame
from geosite.base.statistics import ellipse_factor, t_factor
from geosite.network.control.model import UNMOVED, CommonShift
from geosite.network.equations.rows import HeightRows, PlanRows
from geosite.network.report_model import NetworkReport

__all__ = ["Closure", "LinearForm", "Network"]


@dataclass(frozen=True)
class Closure:
    """Misclosure of one loop: a run that came back to a mark, before the adjustment.

    Parameters
    ----------
    run, mark
        The run, and the mark it came back to.
    first_line, last_line
        Field-book lines of leaving and of return.
    length_m
        Ground length walked.
    misclosure_m, misclosure_up_m
        Horizontal and vertical misclosure; vertical with its sign.
    ratio
        Ratio of misclosure, length divided by horizontal misclosure (``inf`` for none).
    sigma_m
        Expected standard deviation per axis from the leg noise.
    """

    run: str
    mark: str
    first_line: int
    last_line: int
    length_m: float
    misclosure_m: float
    misclosure_up_m: float
    ratio: float
    sigma_m: float


@dataclass(frozen=True, eq=False)
class LinearForm:
    """A small change of a quantity per small change of the marks it was computed from.

    Parameters
    ----------
    rows : array, shape (m,)
        Observation numbers (rows of the field book); a row may appear more than once.
    east, north, up : array, shape (m,)
        Partial derivatives with respect to local easting, northing (grid metres) and elevation
        (metres) of that observation.
    """

    rows: Ints
    east: Floats
    north: Floats
    up: Floats

    def __add__(self, other: LinearForm) -> LinearForm:
        return LinearForm(
            np.concatenate([self.rows, other.rows]),
            np.concatenate([self.east, other.east]),
            np.concatenate([self.north, other.north]),
            np.concatenate([self.up, other.up]),
        )

    def __mul__(self, factor: float) -> LinearForm:
        return LinearForm(self.rows, self.east * factor, self.north * factor, self.up * factor)

    __rmul__ = __mul__


@dataclass(frozen=True, eq=False)
class Network:
    """The adjusted survey.

    Parameters
    ----------
    frame
        The map.
    en : array, shape (n, 2), columns easting, northing, local grid metres
        Adjusted position of each observation.
    elevation : array, shape (n,), metres
    raw_en, raw_elevation
        The same before the adjustment: each run placed by its own two baseline marks alone.
    orientation : array, shape (runs,)
        Counter-clockwise turn from each run's local axes to grid east and north.
    scale : array, shape (runs,)
        By how much each run measured too long, as a share; 0 where the device has no scale.
    plan, heights
        How each observation hangs on the unknowns, and their covariance.
    variance_factor, vertical_variance_factor
        What the a-priori variances of the device were multiplied with.
    closures
        Every loop, in walking order.
    degrees_of_freedom, vertical_degrees_of_freedom
        Of Student's t distribution that errors over their standard deviations follow, in plan and
        in height: infinite where the noise is taken as known.
    shift
        What may move the whole survey on the map alike; it is kept out of `plan` and `heights`.
    accuracy_known
        False where nothing checks the survey and nothing is known of the device: then the
        covariances are an assumption, and no accuracy may be stated: standard deviations that
        leave are NaN, intervals have no ends.
    findings
        What to look at.
    report
        Everything else for ``report.json``.
    """

    frame: Frame
    en: Floats
    elevation: Floats
    raw_en: Floats
    raw_elevation: Floats
    orientation: Floats
    scale: Floats
    plan: PlanRows
    heights: HeightRows
    variance_factor: float
    vertical_variance_factor: float
    closures: tuple[Closure, ...]
    degrees_of_freedom: float = math.inf
    vertical_degrees_of_freedom: float = math.inf
    shift: CommonShift = UNMOVED
    accuracy_known: bool = True
    findings: tuple[Finding, ...] = ()
    report: NetworkReport = field(default_factory=NetworkReport)

    @cached_property
    def relative(self) -> Network:
        """The same survey without what moves it on the map as a whole: for what lies in itself."""
        return replace(self, shift=UNMOVED)

    @cached_property
    def interval_factor(self) -> float:
        """Half the 95 % interval of a length, an area or a coordinate in plan, over its sigma.

        Infinite, as the two that follow, where the accuracy is not known.
        """
        return t_factor(self.degrees_of_freedom) if self.accuracy_known else math.inf

    @cached_property
    def vertical_interval_factor(self) -> float:
        """Half the 95 % interval of an elevation or a rise over its sigma."""
        return t_factor(self.vertical_degrees_of_freedom) if self.accuracy_known else math.inf

    @cached_property
    def ellipse_factor(self) -> float:
        """Semi-axes of the 95 % error ellipse over those of the standard ellipse."""
        return ellipse_factor(self.degrees_of_freedom) if self.accuracy_known else math.inf
