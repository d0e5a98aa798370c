"""Where the marks are: the frame of the map, and placed marks with their covariance in closed form.

All lengths inside are metres. Horizontal positions are grid metres (map CRS coordinates times the
unit of the CRS) relative to ``Frame.origin``; ground lengths are grid lengths divided by
``Frame.combined_factor``. Angles are radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding
from geosite.base.map_frame import Frame
from geosite.base.statistics import ellipse_factor, t_factor

__all__ = ["Chains", "Closure", "LinearForm", "Network", "turn_with_knots"]


@dataclass(frozen=True, eq=False)
class Chains:
    """How each observation hangs on the unknowns of the adjustment.

    Knots are the marks with an unknown of their own: seen more than once, anchored or on the
    baseline. A chain is the walk of one run between two consecutive knots (or from a knot to the
    run's end, or from the run's start to a knot); marks inside it are condensed.

    Observation i is at ``(1 - f) * X[start] + f * X[end] + (rotated local vector) + bridge``, where
    the rotated vector turns with its run's orientation and the bridge is the part of the random
    walk that the chain's ends do not fix.

    Parameters
    ----------
    knots : tuple of str
        Mark names, in the order of the unknowns.
    run : array, shape (n,)
        Run of each observation, for its orientation.
    start, end : array, shape (n,)
        Knot before and after; equal to each other on a knot and on an open chain.
    chain : array, shape (n,)
        Number of the chain, ``-1`` on a knot.
    fraction : array, shape (n,)
        Share f of the chain's variance spent on reaching i, 0 on a knot and on open chains.
    variance : array, shape (n,), square metres
        A-priori variance per axis from the chain's start knot to i.
    total : array, shape (n,), square metres
        A-priori variance per axis of the whole chain.
    is_open : array of bool, shape (n,)
        The chain has a knot at one end only: free random walk.
    turn : array, shape (n, 2), metres
        Derivative of easting, northing with respect to the run's orientation.
    """

    knots: tuple[str, ...]
    run: Ints
    start: Ints
    end: Ints
    chain: Ints
    fraction: Floats
    variance: Floats
    total: Floats
    is_open: npt.NDArray[np.bool_]
    turn: Floats


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
    chains
        How each observation hangs on the unknowns.
    horizontal : array, shape (2 K, 2 K), square metres
        Covariance of the knots: easting of K knots, then northing of K knots.
    turn_gain : array, shape (R, 2 K), radians per metre
        How a run's orientation follows the knots: its error is ``turn_gain @ (error of the knots)``
        plus a part of its own.
    turn_variance : array, shape (R,), square radians
        Variance of that part of its own.
    vertical : array, shape (K, K), square metres
        Covariance of the knots' elevations.
    variance_factor, vertical_variance_factor
        What the a-priori leg variances are multiplied with, here and in the covariances above (1
        where redundancy is too small to tell, or the misclosures are as expected).
    closures
        Every loop, in walking order.
    degrees_of_freedom, vertical_degrees_of_freedom
        Of Student's t distribution that errors over their standard deviations follow, in plan and
        in height: infinite where the noise is taken as known.
    accuracy_known
        False where nothing checks the survey and nothing is known of the device: then the
        covariances are an assumption, and no accuracy may be stated.
    findings
        What to look at.
    report
        Everything else for ``report.json``: plain dicts, lists, numbers, no NaN.
    """

    frame: Frame
    en: Floats
    elevation: Floats
    raw_en: Floats
    raw_elevation: Floats
    orientation: Floats
    chains: Chains
    horizontal: Floats
    turn_gain: Floats
    turn_variance: Floats
    vertical: Floats
    variance_factor: float
    vertical_variance_factor: float
    closures: tuple[Closure, ...]
    degrees_of_freedom: float = math.inf
    vertical_degrees_of_freedom: float = math.inf
    accuracy_known: bool = True
    findings: tuple[Finding, ...] = ()
    report: dict[str, object] = field(default_factory=dict)

    @cached_property
    def interval_factor(self) -> float:
        """Half the 95 % interval of a length, an area or a coordinate in plan, over its sigma."""
        return t_factor(self.degrees_of_freedom)

    @cached_property
    def vertical_interval_factor(self) -> float:
        """Half the 95 % interval of an elevation or a rise over its sigma."""
        return t_factor(self.vertical_degrees_of_freedom)

    @cached_property
    def ellipse_factor(self) -> float:
        """Semi-axes of the 95 % error ellipse over those of the standard ellipse."""
        return ellipse_factor(self.degrees_of_freedom)

    @cached_property
    def turn_with_knots(self) -> Floats:
        """Covariance of the orientations with the knots, shape (R, 2 K), radian metres."""
        return turn_with_knots(self.turn_gain, self.horizontal)

    @cached_property
    def turn_total(self) -> Floats:
        """Variance of the orientations, shape (R,), square radians."""
        total: Floats = (self.turn_with_knots * self.turn_gain).sum(axis=1) + self.turn_variance
        return total


def turn_with_knots(turn_gain: Floats, horizontal: Floats) -> Floats:
    """Return ``turn_gain @ horizontal``; a run sees few of many knots, so sparse when large."""
    if turn_gain.size < 100_000:
        return np.asarray(turn_gain @ horizontal)
    from scipy.sparse import csr_array

    return np.asarray(csr_array(turn_gain) @ horizontal)
