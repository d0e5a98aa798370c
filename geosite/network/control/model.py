"""What the anchor is once it is read: known marks, an azimuth, and what may shift them all."""

from __future__ import annotations

import math
from dataclasses import dataclass

from geosite.base.map_frame import Frame
from geosite.network.control.facts import Remark

__all__ = ["UNMOVED", "Anchored", "CommonShift", "Control"]


@dataclass(frozen=True, slots=True)
class CommonShift:
    """What may move the whole survey on the map alike: the error of a transformation.

    It is in every place and elevation on the map, and in no distance, area, grade or rise: those
    are differences, from which it goes.

    Parameters
    ----------
    sigma, sigma_up
        Standard deviation of the shift of easting and of northing, and of that of elevations,
        metres.
    source
        The coordinate operation, or those, that the known places and heights came through; empty
        for none.
    unknown
        Whether the accuracy of one of them is not known, so that it is in no figure.

    Examples
    --------
    >>> round(CommonShift(0.04, 0.02, "from WGS 84").total(0.03), 6)
    0.05
    """

    sigma: float = 0.0
    sigma_up: float = 0.0
    source: str = ""
    unknown: bool = False

    def __bool__(self) -> bool:
        """Tell whether it moves anything."""
        return self.sigma > 0 or self.sigma_up > 0

    def total(self, relative: float) -> float:
        """Return the standard deviation of an easting or northing known to `relative` besides."""
        return math.hypot(relative, self.sigma)


UNMOVED = CommonShift()
"""No shift: the known marks were given on the map itself."""


@dataclass(frozen=True, slots=True)
class Control:
    """A mark whose place on the map is known.

    Parameters
    ----------
    name
        Mark name.
    position : (easting, northing), local grid metres, or None
    elevation
        Metres, or ``None``.
    sigma, sigma_elevation
        Standard deviation per axis, metres; 0 for a position taken as exact.
    check
        Compared with the result, never used to place the survey.
    shift, shift_up
        Standard deviations of what the transformation of its place and its height may be off,
        metres: the same error for every mark that came through it. 0 where given on the map.
    """

    name: str
    position: tuple[float, float] | None
    elevation: float | None
    sigma: float
    sigma_elevation: float
    check: bool
    shift: float = 0.0
    shift_up: float = 0.0


@dataclass(frozen=True)
class Anchored:
    """What the site file's ``[anchor]`` says, in local grid metres.

    Parameters
    ----------
    frame
        The map, its factors taken at the anchored marks.
    controls
        Marks whose place is known, in site-file order.
    azimuth : (azimuth, sigma) or None
        Grid azimuth of the baseline and its standard deviation, radians clockwise from grid north.
    remarks
        What a reader should know of it.
    shift
        What may move the whole survey on the map alike.
    """

    frame: Frame
    controls: tuple[Control, ...]
    azimuth: tuple[float, float] | None
    remarks: tuple[Remark, ...]
    shift: CommonShift = UNMOVED
