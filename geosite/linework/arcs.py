"""Arcs through marks: exact, fitted, and how they move when a mark moves.

An arc is held on its end marks; what is left is one number, its bulge, the tangent of a quarter of
the signed sweep (counter-clockwise positive). The bulge passes smoothly through the straight line
and through the half circle, so flat arcs and arcs of more than 180 degrees need no special case.

References
----------
N. Chernov, Circular and Linear Regression: Fitting Circles and Lines by Least Squares, CRC Press
2010, chapter 4 (geometric fit). Derivatives of a minimum with respect to the data: implicit
function theorem.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats
from geosite.linework.circles import STRAIGHT_M, strip_width

__all__ = ["Arc", "fit_arc"]

# An arc of more than half a circle holds its marks apart by about its radius. One whose radius is
# this many times their extent goes round the world from one end of a line to the other.
ALL_AROUND = 20.0


@dataclass(frozen=True, eq=False)
class Arc:
    """A circular arc from the first to the last of its marks.

    Parameters
    ----------
    centre : (easting, northing), metres
    radius : metres
    start_angle, sweep : radians
        Counter-clockwise from grid east; the sweep is signed, counter-clockwise positive.
    bulge
        Tangent of a quarter of the sweep.
    chord : metres
    chord_direction : radians
        From the first to the last mark, counter-clockwise from grid east.
    residuals : array, shape (n,), metres
        Signed distance of each mark from the arc, outwards positive, 0 at the ends.
    bulge_gradient, chord_gradient : array, shape (n, 2)
        Derivatives of bulge (1/m) and chord with respect to easting, northing of each mark.
    """

    centre: tuple[float, float]
    radius: float
    start_angle: float
    sweep: float
    bulge: float
    chord: float
    chord_direction: float
    residuals: Floats
    bulge_gradient: Floats
    chord_gradient: Floats

    def _by_chain_rule(self, by_bulge: float, by_chord: float) -> Floats:
        return by_bulge * self.bulge_gradient + by_chord * self.chord_gradient

    @property
    def _radius_by_bulge(self) -> float:
        b = self.bulge
        return math.copysign(1.0, b) * self.chord * (b * b - 1.0) / (4.0 * b * b)

    @property
    def length(self) -> float:
        """Arc length, metres."""
        return self.radius * abs(self.sweep)

    @property
    def length_gradient(self) -> Floats:
        """Derivative of the length, shape (n, 2)."""
        b = self.bulge
        # the length is even in the bulge, so this holds for both directions
        by_bulge = self.chord * (b + (b * b - 1.0) * math.atan(b)) / (b * b)
        return self._by_chain_rule(by_bulge, self.length / self.chord)

    @property
    def segment(self) -> float:
        """Signed area between arc and chord, square metres, positive for a positive sweep."""
        return 0.5 * self.radius**2 * (self.sweep - math.sin(self.sweep))

    @property
    def segment_gradient(self) -> Floats:
        """Derivative of the segment's area, metres, shape (n, 2)."""
        b, c, r = self.bulge, self.chord, self.radius
        by_bulge = r * self._radius_by_bulge * (self.sweep - math.sin(self.sweep)) + 2.0 * r * r * (
            1.0 - math.cos(self.sweep)
        ) / (1.0 + b * b)
        return self._by_chain_rule(by_bulge, 2.0 * self.segment / c)

    @property
    def radius_gradient(self) -> Floats:
        """Derivative of the radius, shape (n, 2)."""
        return self._by_chain_rule(self._radius_by_bulge, self.radius / self.chord)

    @property
    def sweep_gradient(self) -> Floats:
        """Derivative of the sweep, radians per metre, shape (n, 2)."""
        return self._by_chain_rule(4.0 / (1.0 + self.bulge**2), 0.0)

    @property
    def sagitta(self) -> float:
        """Height of the arc over its chord, metres."""
        return abs(self.bulge) * self.chord / 2.0

    @property
    def sagitta_gradient(self) -> Floats:
        """Derivative of the sagitta, shape (n, 2)."""
        return self._by_chain_rule(
            math.copysign(self.chord / 2.0, self.bulge), abs(self.bulge) / 2.0
        )

    def normal_motion(self, angles: Floats) -> Floats:
        """Return how points of the arc move along its outward normal when marks move.

        Parameters
        ----------
        angles : array, shape (k,), radians
            Direction of each point from the centre.

        Returns
        -------
        array, shape (k, n, 2)
            Derivative of the outward motion with respect to each mark.
        """
        b, c = self.bulge, self.chord
        along = np.array([math.cos(self.chord_direction), math.sin(self.chord_direction)])
        left = np.array([-along[1], along[0]])
        offset = c * (1.0 - b * b) / (4.0 * b)  # centre, left of the chord's middle
        offset_gradient = self._by_chain_rule(-c * (1.0 + b * b) / (4.0 * b * b), offset / c)
        outward = np.column_stack([np.cos(angles), np.sin(angles)])
        motion: Floats = (outward @ left)[:, None, None] * offset_gradient + np.asarray(
            self.radius_gradient
        )[None, :, :]
        motion[:, 0] += outward / 2.0
        motion[:, -1] += outward / 2.0
        # the chord turns about its middle, the centre swings with it
        centre_shift = -(outward @ along)[:, None] * offset / c * left
        motion[:, -1] += centre_shift
        motion[:, 0] -= centre_shift
        return motion


def fit_arc(points: Floats) -> Arc | None:
    """Find the arc through three marks, or the best one near more, held on its end marks.

    With more than three marks the ends stay on the first and last mark, because the neighbouring
    pieces of the outline start there: a free fit would leave a gap at both joints. The bulge that
    remains minimises the squared distances of the inner marks from the arc.

    Parameters
    ----------
    points : array, shape (n, 2), easting, northing, metres
        Marks in walking order, n >= 3, first and last apart.

    Returns
    -------
    Arc or None
        None where the marks lie on a straight line, or no arc of finite radius comes near them.

    Examples
    --------
    >>> half = fit_arc(np.array([[2.0, 0.0], [0.0, 2.0], [-2.0, 0.0]]))
    >>> round(half.radius, 9), round(half.length, 6), round(half.sagitta, 9)
    (2.0, 6.283185, 2.0)
    """
    if strip_width(points) < STRAIGHT_M:
        return None
    first, last = points[0], points[-1]
    chord = float(np.hypot(*(last - first)))
    along = (last - first) / chord
    left = np.array([-along[1], along[0]])
    relative = points[1:-1] - (first + last) / 2.0
    x, y = relative @ along, relative @ left

    # through one inner mark the sweep is twice the turn at that mark (inscribed angle)
    half = chord / 2.0
    deflection = np.arctan2(-2.0 * half * y, (x + half) * (half - x) - y * y)
    starts = np.tan(deflection / 2.0)
    if len(x) == 1:
        bulge = float(starts[0])
    else:
        # every inner mark's own arc is a start; the best of them is near the minimum
        b = starts[:, None]
        numerator = 4.0 * b * (x * x + y * y - half * half) - 2.0 * chord * y * (1.0 - b * b)
        denominator = np.hypot(4.0 * b * x, 4.0 * b * y - chord * (1.0 - b * b)) + chord * (
            1.0 + b * b
        )
        best = int(np.argmin(((numerator / denominator) ** 2).sum(axis=1)))
        bulge = _minimise_bulge(float(starts[best]), x, y, chord)
    if not abs(bulge) * half >= STRAIGHT_M:
        return None
    radius = chord * (1.0 + bulge**2) / (4.0 * abs(bulge))
    if abs(bulge) > 1.0 and radius > ALL_AROUND * float(np.ptp(points, axis=0).max()):
        return None

    distance, d1, d2 = _arc_distance(bulge, x, y, chord)
    # stationarity G(bulge, x, y, chord) = sum e de/dbulge = 0, differentiated
    mixed = d1 * d1[:, :1] + distance[:, None] * d2
    curvature = float(mixed[:, 0].sum())
    gx, gy, gc = mixed[:, 1], mixed[:, 2], float(mixed[:, 3].sum())
    rotation = float((gx * y - gy * x).sum()) / chord
    gradient = np.zeros((len(points), 2))
    gradient[1:-1] = gx[:, None] * along + gy[:, None] * left
    middle = (gx.sum() * along + gy.sum() * left) / 2.0
    gradient[0] = -middle - rotation * left - gc * along
    gradient[-1] = -middle + rotation * left + gc * along
    gradient /= -curvature
    chord_gradient = np.zeros((len(points), 2))
    chord_gradient[0], chord_gradient[-1] = -along, along

    centre = (first + last) / 2.0 + chord * (1.0 - bulge**2) / (4.0 * bulge) * left
    residuals = np.zeros(len(points))
    residuals[1:-1] = distance * math.copysign(1.0, bulge)
    return Arc(
        centre=(float(centre[0]), float(centre[1])),
        radius=radius,
        start_angle=math.atan2(first[1] - centre[1], first[0] - centre[0]),
        sweep=4.0 * math.atan(bulge),
        bulge=bulge,
        chord=chord,
        chord_direction=math.atan2(along[1], along[0]),
        residuals=residuals,
        bulge_gradient=gradient,
        chord_gradient=chord_gradient,
    )


def _minimise_bulge(bulge: float, x: Floats, y: Floats, chord: float) -> float:
    """Minimise the squared distances of points from the arc over its bulge, by Newton's method.

    NaN where there is no minimum.
    """
    distance, first, second = _arc_distance(bulge, x, y, chord)
    for _ in range(100):
        squares = float(distance @ distance)
        slope = float(distance @ first[:, 0])
        normal = float(first[:, 0] @ first[:, 0])
        curvature = normal + float(distance @ second[:, 0])
        if not normal > 0.0 or abs(bulge) > 1e6:
            return math.nan  # it runs away to a circle of no end
        # away from a minimum the curvature may be useless; Gauss-Newton always descends
        step = -slope / (curvature if curvature > 0.1 * normal else normal)
        while True:
            distance, first, second = _arc_distance(bulge + step, x, y, chord)
            # near the minimum the cost no longer tells steps apart, only the slope does
            if float(distance @ distance) <= squares * (1.0 + 1e-9) or abs(step) < 1e-9:
                break
            step /= 2.0
        bulge += step
        if abs(step) <= 1e-13 * (1.0 + abs(bulge)):  # the next one would be its square
            break
    return bulge


def _arc_distance(
    bulge: float, x: Floats, y: Floats, chord: float
) -> tuple[Floats, Floats, Floats]:
    """Return the distance of points from the arc over a chord, with what the bulge does to it.

    ``x`` runs along the chord from its middle, ``y`` to its left. The distance is positive outside
    for a positive bulge; written as a quotient it has no difference of large radii in it:
    e = (4 b (x^2 + y^2 - c^2 / 4) - 2 c y (1 - b^2)) / (q + c (1 + b^2)), where
    q = hypot(4 b x, 4 b y - c (1 - b^2)) is 4 b times the distance from the centre.

    Returns
    -------
    distance : array, shape (n,)
    first : array, shape (n, 4)
        By bulge, x, y, chord.
    second : array, shape (n, 4)
        Of the derivative by the bulge, by the same.
    """
    b, c = bulge, chord
    ones = np.ones(len(x))

    def columns(*values: Floats | float) -> Floats:
        return np.column_stack([value * ones for value in values])

    square = x * x + y * y - c * c / 4.0
    numerator = 4.0 * b * square - 2.0 * c * y * (1.0 - b * b)
    numerator_1 = columns(
        4.0 * square + 4.0 * b * c * y,
        8.0 * b * x,
        8.0 * b * y - 2.0 * c * (1.0 - b * b),
        -2.0 * b * c - 2.0 * y * (1.0 - b * b),
    )
    numerator_2 = columns(4.0 * c * y, 8.0 * x, 8.0 * y + 4.0 * b * c, -2.0 * c + 4.0 * b * y)

    u, v = 4.0 * b * x, 4.0 * b * y - c * (1.0 - b * b)
    u_1 = columns(4.0 * x, 4.0 * b, 0.0, 0.0)
    v_1 = columns(4.0 * y + 2.0 * b * c, 0.0, 4.0 * b, -(1.0 - b * b))
    u_2, v_2 = np.array([0.0, 4.0, 0.0, 0.0]), np.array([2.0 * c, 0.0, 4.0, 2.0 * b])

    # a mark on the very centre has no direction to the arc; any will do
    q = np.maximum(np.hypot(u, v), 1e-300)[:, None]
    q_1 = (u[:, None] * u_1 + v[:, None] * v_1) / q
    q_2 = u_1[:, :1] * u_1 + v_1[:, :1] * v_1 + u[:, None] * u_2 + v[:, None] * v_2
    q_2 = (q_2 - q_1[:, :1] * q_1) / q
    denominator = q + c * (1.0 + b * b)
    denominator_1 = q_1 + np.array([2.0 * b * c, 0.0, 0.0, 1.0 + b * b])
    denominator_2 = q_2 + np.array([2.0 * c, 0.0, 0.0, 2.0 * b])

    e = numerator[:, None] / denominator
    e_1 = (numerator_1 - e * denominator_1) / denominator
    e_2 = (
        numerator_2 - e_1[:, :1] * denominator_1 - denominator_1[:, :1] * e_1 - e * denominator_2
    ) / denominator
    return e[:, 0], e_1, e_2
