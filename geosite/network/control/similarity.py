"""The plane similarity transformation: four parameters from two or more marks.

The convention is that of EPSG coordinate operation method 9621 (IOGP Publication 373-7-2,
"Similarity transformation"): scale M and rotation t, the bearing of the source Y axis seen from
target north, clockwise. As a counter-clockwise turn of coordinates it is -t, the usual mistake.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats
from geosite.base.errors import Problem, SurveyRefused

__all__ = ["Similarity", "fit_rigid", "fit_similarity"]


@dataclass(frozen=True, slots=True)
class Similarity:
    """``E = E0 + a x - b y``, ``N = N0 + b x + a y``.

    Parameters
    ----------
    east, north
        Target coordinates of the source origin.
    a, b
        Scale times cosine and sine of the counter-clockwise turn.
    """

    east: float
    north: float
    a: float
    b: float

    @classmethod
    def from_epsg(cls, east: float, north: float, scale: float, rotation: float) -> Similarity:
        """Return the transformation from the parameters of EPSG method 9621, t in radians."""
        return cls(east, north, scale * math.cos(rotation), -scale * math.sin(rotation))

    @property
    def scale(self) -> float:
        """Target length per source length, M of EPSG method 9621."""
        return math.hypot(self.a, self.b)

    @property
    def turn(self) -> float:
        """Counter-clockwise turn of coordinates, radians."""
        return math.atan2(self.b, self.a)

    @property
    def rotation(self) -> float:
        """Rotation t of EPSG method 9621, radians: clockwise, the negative of `turn`."""
        return -self.turn

    def apply(self, points: npt.ArrayLike) -> Floats:
        """Transform points, shape (..., 2)."""
        xy = np.asarray(points, dtype=np.float64)
        x, y = xy[..., 0], xy[..., 1]
        return np.stack(
            [self.east + self.a * x - self.b * y, self.north + self.b * x + self.a * y], axis=-1
        )

    def inverse(self) -> Similarity:
        """Return the transformation from target to source."""
        square = self.a**2 + self.b**2
        a, b = self.a / square, -self.b / square
        return Similarity(-a * self.east + b * self.north, -b * self.east - a * self.north, a, b)


def _reduced(
    source: npt.ArrayLike, target: npt.ArrayLike
) -> tuple[Floats, Floats, Floats, Floats, float]:
    src = np.asarray(source, dtype=np.float64)
    dst = np.asarray(target, dtype=np.float64)
    middle_src, middle_dst = src.mean(axis=0), dst.mean(axis=0)
    src, dst = src - middle_src, dst - middle_dst
    spread, spread_dst = float((src**2).sum()), float((dst**2).sum())
    # a micrometre, or what is lost in the last digits of large coordinates
    tiny = 1e-12 + (1e-13 * float(np.abs(middle_src).max())) ** 2
    if len(src) < 2 or spread <= tiny or spread_dst <= 1e-12:
        raise SurveyRefused(
            Problem(
                "marks-coincide",
                "the marks of the transformation coincide",
                "two marks apart from each other",
                "check the names and coordinates of the marks",
            )
        )
    return src, dst, middle_src, middle_dst, spread


def fit_similarity(source: npt.ArrayLike, target: npt.ArrayLike) -> Similarity:
    """Fit the similarity transformation, exact for two marks, least squares for more.

    Parameters
    ----------
    source, target : array_like, shape (m, 2)
        The same marks in both systems, m at least 2.

    Returns
    -------
    Similarity

    Raises
    ------
    SurveyRefused
        If all marks coincide in one of the systems, or there is one only.

    Notes
    -----
    Least squares of four parameters, linear in ``a``, ``b`` and the shifts, reduced to the centre
    of gravity (IOGP Publication 373-7-2, method 9621).
    """
    src, dst, middle_src, middle_dst, spread = _reduced(source, target)
    a = float((src * dst).sum()) / spread
    b = float((src[:, 0] * dst[:, 1] - src[:, 1] * dst[:, 0]).sum()) / spread
    return _about(middle_src, middle_dst, a, b)


def fit_rigid(source: npt.ArrayLike, target: npt.ArrayLike) -> Similarity:
    """Fit turn and shift with the scale held at 1; arguments as `fit_similarity`."""
    turn = fit_similarity(source, target).turn
    middle_src = np.mean(np.asarray(source, dtype=np.float64), axis=0)
    middle_dst = np.mean(np.asarray(target, dtype=np.float64), axis=0)
    return _about(middle_src, middle_dst, math.cos(turn), math.sin(turn))


def _about(middle_src: Floats, middle_dst: Floats, a: float, b: float) -> Similarity:
    x, y = (float(v) for v in middle_src)
    east, north = (float(v) for v in middle_dst)
    return Similarity(east - a * x + b * y, north - b * x - a * y, a, b)
