"""What was drawn: features made of pieces, with exact measures beside the geometry."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Finding
from geosite.base.estimate import Estimate
from geosite.fieldbook.model import PieceKind
from geosite.network.model import LinearForm

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["Drawing", "Feature", "Measure", "Piece"]


@dataclass(frozen=True, eq=False)
class Measure:
    """A number with its first-order dependence on the marks.

    Parameters
    ----------
    value
        Ground value, metres or square metres.
    grid
        The same on the map grid.
    form
        Derivative of `value` with respect to the observations.
    sigma
        Standard deviation of `value`, from `form` and the covariance of the network.
    half_width
        Half the 95 % interval of `value`.
    """

    value: float
    grid: float
    form: LinearForm
    sigma: float
    half_width: float = math.nan

    @property
    def estimate(self) -> Estimate:
        """The ground value with its interval."""
        return Estimate(
            self.value, self.value - self.half_width, self.value + self.half_width, self.sigma
        )


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece of an outline.

    Parameters
    ----------
    kind
        ``line``, ``arc``, ``circle``, ``stream`` or ``gap``.
    rows : array
        Observations the piece was drawn through, with the one it starts at.
    vertices : array, shape (m, 3), easting, northing (local grid metres), elevation (metres)
        From start to end, arcs densified to the sagitta, both ends included.
    centre, radius, start_angle, sweep
        Of arcs and circles: local grid metres, radians counter-clockwise from grid east; the sweep
        is signed, counter-clockwise positive. ``None`` for the rest.
    residual
        Largest distance of a fitted mark from the arc, metres; 0 for three marks.
    """

    kind: PieceKind
    rows: Ints
    vertices: Floats
    centre: tuple[float, float] | None = None
    radius: float | None = None
    start_angle: float | None = None
    sweep: float | None = None
    residual: float = 0.0


@dataclass(frozen=True, eq=False)
class Feature:
    """One feature of the survey.

    Parameters
    ----------
    name, code
        As in the field book.
    kind
        ``area``, ``line`` or ``point``.
    rows : array
        Observations, in walking order.
    pieces
        In drawing order. An area's last piece closes it.
    geometry
        Shapely PolygonZ (counter-clockwise, without holes), LineStringZ, MultiLineStringZ (broken
        at gaps), PointZ or MultiPointZ (a point feature of several marks); x and y in local grid
        metres, z in metres.
    area, perimeter
        Of areas. `perimeter` counts gaps, `edging` does not.
    net_area
        Area without the features inside it.
    length, edging
        Horizontal length of a line; the drawn part of an outline.
    length_3d, rise, fall
        Of a line: length along its slope, sums of its climbs and of its descents from mark to mark.
    inside
        Names of the features directly inside an area.
    """

    name: str
    code: str
    kind: Literal["area", "line", "point"]
    rows: Ints
    pieces: tuple[Piece, ...]
    geometry: BaseGeometry
    area: Measure | None = None
    net_area: Measure | None = None
    perimeter: Measure | None = None
    edging: Measure | None = None
    length: Measure | None = None
    length_3d: Measure | None = None
    rise: Measure | None = None
    fall: Measure | None = None
    inside: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Drawing:
    """All features of a survey, in field-book order, and what to look at."""

    features: tuple[Feature, ...]
    findings: tuple[Finding, ...] = ()
