"""One piece of an outline: its geometry, its exact measures, and their derivatives by the marks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.fieldbook.model import PieceKind
from geosite.linework.arcs import Arc
from geosite.linework.circles import Circle, chord_count
from geosite.linework.model import Piece
from geosite.network.model import LinearForm

__all__ = [
    "Stroke",
    "arc_stroke",
    "circle_stroke",
    "climb_form",
    "form_of",
    "length_3d_form",
    "straight_stroke",
]


@dataclass(frozen=True, eq=False)
class Stroke:
    """A piece with what it adds to the measures of its feature, in grid metres.

    Parameters
    ----------
    piece
        The piece.
    shape
        The arc or circle behind it, ``None`` for straight edges.
    edge_ends : array, shape (m - 1, 2)
        Observations before and after each edge between the piece's m vertices.
    length, length_gradient : metres; array, shape (k, 2)
        Horizontal length and its derivative by each of the piece's k rows.
    swept_area, swept_gradient : square metres; array, shape (k, 2)
        Signed area between the piece and the feature's reference point.
    climbs : array, shape (j, 2), metres
        Horizontal length and rise of each stretch between two marks.
    climb_ends : array, shape (j, 2)
        Observations at both ends of each stretch.
    in_order
        False where the marks of an arc do not follow each other along it.
    """

    piece: Piece
    shape: Arc | Circle | None
    edge_ends: Ints
    length: float
    length_gradient: Floats
    swept_area: float
    swept_gradient: Floats
    climbs: Floats
    climb_ends: Ints
    in_order: bool = True


def form_of(rows: Ints, gradient: Floats) -> LinearForm:
    """Turn a derivative by easting and northing, shape (k, 2), into a linear form.

    Examples
    --------
    >>> form_of(np.array([4, 7]), np.array([[1.0, 0.0], [-1.0, 0.0]])).east
    array([ 1., -1.])
    """
    return LinearForm(rows, gradient[:, 0], gradient[:, 1], np.zeros(len(rows)))


def climb_form(stroke: Stroke, weights: Floats) -> LinearForm:
    """Return the derivative of a weighted sum of the stroke's rises by its marks' elevations.

    Parameters
    ----------
    weights : array, shape (j,)
        Of each stretch: 1 where it climbs and 0 elsewhere for the sum of the climbs.

    Examples
    --------
    >>> marks = np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 1.0]])
    >>> stroke = straight_stroke("line", np.array([0, 1]), marks, np.zeros(2))
    >>> climb_form(stroke, np.ones(1)).up
    array([-1.,  1.])
    """
    rows = stroke.climb_ends.T.ravel()
    nothing = np.zeros(len(rows))
    return LinearForm(rows, nothing, nothing, np.concatenate([-weights, weights]))


def length_3d_form(stroke: Stroke, combined_factor: float) -> LinearForm:
    """Return the derivative of the stroke's length along its slope, on the ground.

    Notes
    -----
    A stretch of length ``sqrt(g^2 + h^2)`` changes by ``(g dg + h dh) / sqrt(g^2 + h^2)``. Along an
    arc or circle ``g`` changes with the whole shape, so there the share of ``dg`` is the mean one.

    Examples
    --------
    Five metres on, twelve up make thirteen along the slope; the end adds 12 / 13 per metre up:

    >>> marks = np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 12.0]])
    >>> stroke = straight_stroke("line", np.array([0, 1]), marks, np.zeros(2))
    >>> float(length_3d_form(stroke, 1.0).up[-1] * 13)
    12.0
    """
    ground, rise = stroke.climbs[:, 0] / combined_factor, stroke.climbs[:, 1]
    slope_length = np.maximum(np.hypot(ground, rise), 1e-12)
    up = climb_form(stroke, rise / slope_length)
    share = ground / slope_length
    if stroke.shape is None:
        marks = stroke.piece.vertices[:, :2]
        along = np.diff(marks, axis=0) / stroke.climbs[:, :1] * share[:, None]
        gradient = np.zeros_like(marks)
        gradient[:-1] -= along
        gradient[1:] += along
    else:
        gradient = stroke.length_gradient * float(np.average(share, weights=ground))
    return form_of(stroke.piece.rows, gradient) * (1.0 / combined_factor) + up


def _swept_area(points: Floats) -> tuple[float, Floats]:
    """Return the signed area between a polyline and the origin, and its derivative, (k, 2)."""
    a, b = points[:-1], points[1:]
    gradient = np.zeros_like(points)
    gradient[:-1, 0] += b[:, 1]
    gradient[:-1, 1] -= b[:, 0]
    gradient[1:, 0] -= a[:, 1]
    gradient[1:, 1] += a[:, 0]
    return 0.5 * float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), 0.5 * gradient


def straight_stroke(kind: PieceKind, rows: Ints, marks: Floats, reference: Floats) -> Stroke:
    """Draw straight edges from mark to mark.

    Parameters
    ----------
    kind
        ``line``, ``stream`` or ``gap``.
    rows : array, shape (k,)
        Observations, no two consecutive ones at the same place.
    marks : array, shape (k, 3), easting, northing, elevation, metres
    reference : array, shape (2,)
        Origin of the swept area.

    Examples
    --------
    >>> marks = np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 1.0]])
    >>> straight_stroke("line", np.array([0, 1]), marks, np.zeros(2)).length
    5.0
    """
    steps = np.diff(marks, axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    unit = steps[:, :2] / lengths[:, None]
    gradient = np.zeros((len(rows), 2))
    gradient[:-1] -= unit
    gradient[1:] += unit
    swept_area, swept_gradient = _swept_area(marks[:, :2] - reference)
    return Stroke(
        piece=Piece(kind=kind, rows=rows, vertices=marks),
        shape=None,
        edge_ends=np.column_stack([rows[:-1], rows[1:]]),
        length=float(lengths.sum()),
        length_gradient=gradient,
        swept_area=swept_area,
        swept_gradient=swept_gradient,
        climbs=np.column_stack([lengths, steps[:, 2]]),
        climb_ends=np.column_stack([rows[:-1], rows[1:]]),
    )


def arc_stroke(rows: Ints, marks: Floats, reference: Floats, arc: Arc, sagitta_m: float) -> Stroke:
    """Draw an arc through its marks; parameters as in `straight_stroke`.

    Examples
    --------
    >>> from geosite.linework.arcs import fit_arc
    >>> marks = np.array([[2.0, 0.0, 0.0], [0.0, 2.0, 0.0], [-2.0, 0.0, 0.0]])
    >>> arc = fit_arc(marks[:, :2])
    >>> round(arc_stroke(np.arange(3), marks, np.zeros(2), arc, 0.002).swept_area / math.pi, 9)
    2.0
    """
    angles = _angles_from_start(marks, arc.centre, arc.start_angle, arc.sweep)
    sweep = abs(arc.sweep)
    # the ends are held; an inner mark beyond an end belongs to the end it is nearer to
    inner = angles[1:-1]
    inner = np.where(inner <= sweep, inner, np.where(inner - sweep < 2 * math.pi - inner, sweep, 0))
    angles = np.concatenate([[0.0], inner, [sweep]])
    starts, edge_ends = _densified(rows, marks, angles, arc, arc.start_angle, arc.sweep, sagitta_m)
    vertices = np.vstack([marks[:1], starts[1:], marks[-1:]])
    chord, chord_gradient = _swept_area(marks[[0, -1], :2] - reference)
    swept_gradient = arc.segment_gradient.copy()
    swept_gradient[[0, -1]] += chord_gradient
    order = np.argsort(angles, kind="stable")
    return Stroke(
        piece=Piece(
            kind="arc",
            rows=rows,
            vertices=vertices,
            centre=arc.centre,
            radius=arc.radius,
            start_angle=arc.start_angle,
            sweep=arc.sweep,
            residual=float(np.abs(arc.residuals).max()),
        ),
        shape=arc,
        edge_ends=edge_ends,
        length=arc.length,
        length_gradient=arc.length_gradient,
        swept_area=chord + arc.segment,
        swept_gradient=swept_gradient,
        climbs=np.column_stack([np.diff(angles[order]) * arc.radius, np.diff(marks[order, 2])]),
        climb_ends=np.column_stack([rows[order[:-1]], rows[order[1:]]]),
        in_order=bool(np.all(np.diff(angles) > 0)),
    )


def circle_stroke(rows: Ints, marks: Floats, circle: Circle, sagitta_m: float) -> Stroke:
    """Draw a full circle, in the direction in which its marks were walked.

    Examples
    --------
    >>> from geosite.linework.circles import fit_circle
    >>> marks = np.array([[2.0, 0.0, 0.0], [0.0, 2.0, 0.0], [-2.0, 0.0, 0.0]])
    >>> circle = fit_circle(marks[:, :2])
    >>> round(circle_stroke(np.arange(3), marks, circle, 0.002).length / math.pi, 9)
    4.0
    """
    signed_area = (
        _swept_area(marks[:, :2] - np.array(circle.centre))[0]
        + _swept_area(marks[[-1, 0], :2] - np.array(circle.centre))[0]
    )
    sweep = math.copysign(2.0 * math.pi, signed_area)
    start = math.atan2(marks[0, 1] - circle.centre[1], marks[0, 0] - circle.centre[0])
    angles = _angles_from_start(marks, circle.centre, start, sweep)
    angles[0] = 0.0
    closed_rows = np.append(rows, rows[0])
    closed_marks = np.vstack([marks, marks[:1]])
    angles = np.append(angles, 2.0 * math.pi)
    starts, edge_ends = _densified(
        closed_rows, closed_marks, angles, circle, start, sweep, sagitta_m
    )
    vertices = np.vstack([starts, starts[:1]])
    order = np.argsort(angles, kind="stable")
    area = math.pi * circle.radius**2
    sign = math.copysign(1.0, sweep)
    return Stroke(
        piece=Piece(
            kind="circle",
            rows=rows,
            vertices=vertices,
            centre=circle.centre,
            radius=circle.radius,
            start_angle=start,
            sweep=sweep,
            residual=float(np.abs(circle.residuals).max()),
        ),
        shape=circle,
        edge_ends=edge_ends,
        length=2.0 * math.pi * circle.radius,
        length_gradient=2.0 * math.pi * circle.radius_gradient,
        swept_area=sign * area,
        swept_gradient=sign * 2.0 * math.pi * circle.radius * circle.radius_gradient,
        climbs=np.column_stack(
            [np.diff(angles[order]) * circle.radius, np.diff(closed_marks[order, 2])]
        ),
        climb_ends=np.column_stack([closed_rows[order[:-1]], closed_rows[order[1:]]]),
    )


def _angles_from_start(
    marks: Floats, centre: tuple[float, float], start_angle: float, sweep: float
) -> Floats:
    """Return the angle of each mark from the start in the direction of the sweep, 0 to 2 pi."""
    angles = np.arctan2(marks[:, 1] - centre[1], marks[:, 0] - centre[0])
    return np.asarray(np.mod((angles - start_angle) * math.copysign(1.0, sweep), 2.0 * math.pi))


def _densified(
    rows: Ints,
    marks: Floats,
    angles: Floats,
    shape: Arc | Circle,
    start_angle: float,
    sweep: float,
    sagitta_m: float,
) -> tuple[Floats, Ints]:
    """Densify between marks: vertices exactly on the arc, elevations by arc length.

    Returns the vertex at the start of each edge, shape (m, 3), and the rows on both sides of the
    edge, shape (m, 2).
    """
    order = np.argsort(angles, kind="stable")
    rows, marks, angles = rows[order], marks[order], angles[order]
    stretches = np.diff(angles)
    counts = np.array(
        [chord_count(shape.radius, float(s), sagitta_m) if s > 1e-12 else 0 for s in stretches]
    )
    # share of the way through its stretch at which each edge starts
    stretch = np.repeat(np.arange(len(counts)), counts)
    first = np.repeat(np.cumsum(counts) - counts, counts)
    share = (np.arange(len(stretch)) - first) / counts[stretch]
    position = angles[stretch] + share * stretches[stretch]
    height = marks[stretch, 2] + share * (marks[stretch + 1, 2] - marks[stretch, 2])
    directions = start_angle + math.copysign(1.0, sweep) * position
    vertices = np.column_stack(
        [
            shape.centre[0] + shape.radius * np.cos(directions),
            shape.centre[1] + shape.radius * np.sin(directions),
            height,
        ]
    )
    if not np.any(shape.residuals):  # exact: the marks themselves are vertices
        vertices[share == 0.0] = marks[stretch[share == 0.0]]
    return vertices, np.column_stack([rows[stretch], rows[stretch + 1]])
