"""Distances, directions and angles between marks; edges and corners of features; all with sigma.

Azimuths are grid azimuths. Ground lengths are grid lengths divided by the combined factor; the rise
is the same on both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import InputError, Problem
from geosite.fieldbook.model import FieldBook, PieceKind
from geosite.linework.arcs import fit_arc
from geosite.linework.circles import fit_circle
from geosite.linework.measures import open_measure, with_sigmas
from geosite.linework.model import Drawing, Feature, Measure, Piece
from geosite.network.model import LinearForm, Network

__all__ = [
    "Angle",
    "Distance",
    "Edge",
    "angle_at",
    "distance",
    "outline_edges",
]

# Two marks nearer than this have no direction, metres.
SAME_PLACE_M = 1e-6


@dataclass(frozen=True, eq=False)
class Distance:
    """From one mark to another.

    Parameters
    ----------
    start, end
        Mark names.
    horizontal
        On the ground, metres; its `grid` is the distance on the map grid.
    slope
        Along the straight line in space, on the ground, metres.
    azimuth
        Grid azimuth, radians clockwise from grid north, 0 to 2 pi.
    rise
        Elevation of the end above the start, metres.
    grade
        Rise over horizontal distance, a ratio (times 100 for percent).
    """

    start: str
    end: str
    horizontal: Measure
    slope: Measure
    azimuth: Measure
    rise: Measure
    grade: Measure


@dataclass(frozen=True, eq=False)
class Angle:
    """The angle at a mark, clockwise from the direction to one mark to the direction to another.

    Parameters
    ----------
    at, start, end
        Mark names.
    value
        Radians, 0 to 2 pi.
    """

    at: str
    start: str
    end: str
    value: Measure


@dataclass(frozen=True, eq=False)
class Edge:
    """One edge of a feature: straight, an arc, a circle, or a stream as a whole.

    Parameters
    ----------
    feature
        Its name.
    number
        Counted from 1, in drawing order.
    kind
        ``line``, ``arc``, ``circle``, ``stream`` or ``gap``.
    start, end : int
        Observations at both ends.
    length
        Along the edge, horizontal, on the ground, metres.
    chord
        Straight from end to end, on the ground; 0 for a closed edge.
    azimuth
        Grid azimuth of the chord, radians; ``None`` for a closed edge.
    radius, sagitta, sweep
        Of arcs: on the ground, metres, and the signed central angle, radians, counter-clockwise
        positive. Of circles the radius only.
    departure, arrival
        Directions of travel at both ends, radians counter-clockwise from grid east; of arcs those
        of the tangents. ``None`` for a circle.
    corner
        Angle at the start of the edge, radians: inside an area; of a line clockwise from the edge
        before. ``None`` where there is none.
    """

    feature: str
    number: int
    kind: PieceKind
    start: int
    end: int
    length: Measure
    chord: Measure
    azimuth: Measure | None
    radius: Measure | None = None
    sagitta: Measure | None = None
    sweep: Measure | None = None
    departure: Measure | None = None
    arrival: Measure | None = None
    corner: Measure | None = None


@dataclass(frozen=True, eq=False)
class _Corner:
    """Where two edges of a feature meet.

    Parameters
    ----------
    feature
        Its name.
    row
        Observation at the corner.
    angle
        Radians, 0 to 2 pi, between the edges, at arcs between the tangents: inside an area; of a
        line clockwise from the edge before to the edge after.
    before, after
        Numbers of the edges.
    """

    feature: str
    row: int
    angle: Measure
    before: int
    after: int


def distance(book: FieldBook, network: Network, start: str, end: str) -> Distance:
    """Return distance, direction, rise and grade between two marks.

    Parameters
    ----------
    book
        Whose marks they are.
    network
        The adjusted survey.
    start, end
        Names of the marks.

    Raises
    ------
    InputError
        A mark is not in the field book, or both stand at the same place.

    Examples
    --------
    Five metres on and twelve up are thirteen along the slope:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["run,point,x,y,z", "R1,A,0,0,0", "R1,B,3,4,12"]
    >>> book = book_from_text(chr(10).join(rows))
    >>> found = distance(book, independent_marks(book.local), "A", "B")
    >>> found.horizontal.value, found.slope.value, found.rise.value, found.grade.value
    (5.0, 13.0, 12.0, 2.4)
    """
    a, b = _rows(book, network, start, end)
    along, chord = _step(network, a, b)
    rise = float(network.elevation[b] - network.elevation[a])
    rows = np.array([a, b])
    to_ground = 1.0 / network.frame.combined_factor
    ground = chord * to_ground
    slope = math.hypot(ground, rise)

    def measure(value: float, per_ground: float, per_rise: float, grid: float) -> Measure:
        """By ground distance and rise."""
        out = along * (per_ground * to_ground)
        form = LinearForm(
            rows,
            np.array([-out[0], out[0]]),
            np.array([-out[1], out[1]]),
            np.array([-per_rise, per_rise]),
        )
        return open_measure(value, grid, form)

    found = Distance(
        start=start,
        end=end,
        horizontal=measure(ground, 1.0, 0.0, chord),
        slope=measure(slope, ground / slope, rise / slope, math.hypot(chord, rise)),
        azimuth=_azimuth(_direction(network, a, b)),
        rise=measure(rise, 0.0, 1.0, rise),
        grade=measure(rise / ground, -rise / ground**2, 1.0 / ground, rise / chord),
    )
    return with_sigmas(network, [found])[0]


def angle_at(book: FieldBook, network: Network, at: str, start: str, end: str) -> Angle:
    """Return the clockwise angle at a mark from the direction to one mark to that to another.

    Parameters
    ----------
    book
        Whose marks they are.
    network
        The adjusted survey.
    at, start, end
        Names of the marks.

    Raises
    ------
    InputError
        A mark is not in the field book, or one of the two stands at the place of the vertex.

    Examples
    --------
    From north by the right hand to east it is a quarter turn:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["run,point,x,y,z", "R1,A,0,0,0", "R1,N,0,5,0", "R1,E,5,0,0"]
    >>> book = book_from_text(chr(10).join(rows))
    >>> found = angle_at(book, independent_marks(book.local), "A", "N", "E")
    >>> round(math.degrees(found.value.value), 9)
    90.0
    """
    vertex, a, b = _rows(book, network, at, start, end)
    first, second = (_azimuth(_direction(network, vertex, row)) for row in (a, b))
    value = _wrapped(second.value - first.value)
    form = second.form + first.form * -1.0
    return with_sigmas(network, [Angle(at, start, end, open_measure(value, value, form))])[0]


def outline_edges(network: Network, drawing: Drawing) -> tuple[Edge, ...]:
    """Return every edge of all areas and lines, each with the corner at its start.

    Examples
    --------
    A triangle of 3, 4 and 5 m and its corners in degrees:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["R1,A,0,0,0,yard", "R1,B,4,0,0,yard", "R1,C,0,3,0,yard"]
    >>> book = book_from_text(chr(10).join(["run,point,x,y,z,feature", *rows]))
    >>> network = independent_marks(book.local)
    >>> edges = outline_edges(network, draw(Notes.of(book), network))
    >>> [(e.length.value, round(math.degrees(e.corner.value), 2)) for e in edges]
    [(4.0, 90.0), (5.0, 36.87), (3.0, 53.13)]
    """
    found: list[Edge] = []
    for feature in drawing.features:
        corners, edges = _corners_and_edges(network, feature)
        angles = {corner.after: corner.angle for corner in corners}
        found += [replace(edge, corner=angles.get(edge.number)) for edge in edges]
    return tuple(with_sigmas(network, found))


def _corners_and_edges(network: Network, feature: Feature) -> tuple[list[_Corner], list[Edge]]:
    """Return corners and edges with their sigmas still open."""
    edges: list[Edge] = []
    for piece in feature.pieces:
        if piece.kind in ("line", "gap"):
            for a, b in zip(piece.rows[:-1], piece.rows[1:], strict=True):
                edges.append(_straight(network, feature.name, len(edges) + 1, piece, a, b))
        elif piece.kind == "stream":
            edges.append(_stream(network, feature.name, len(edges) + 1, piece))
        elif piece.kind == "arc":
            edges.append(_arc(network, feature.name, len(edges) + 1, piece))
        else:
            edges.append(_circle(network, feature.name, len(edges) + 1, piece))
    joints = list(pairwise(edges))
    # an area closes, and so does a line that comes back to its first mark
    if len(edges) > 1 and not _apart(network, edges[-1].end, edges[0].start):
        joints.append((edges[-1], edges[0]))
    inside_left = feature.kind != "area" or _is_counter_clockwise(feature)
    corners = []
    for before, after in joints:
        if before.arrival is None or after.departure is None:
            continue
        turn = after.departure.form + before.arrival.form * -1.0
        left = after.departure.value - before.arrival.value
        # the inside of an area lies on one side of its edges, the clockwise angle on the left
        sign = -1.0 if inside_left else 1.0
        value = _wrapped(math.pi + sign * left)
        corners.append(
            _Corner(
                feature.name,
                after.start,
                open_measure(value, value, turn * sign),
                before.number,
                after.number,
            )
        )
    return corners, edges


def _rows(book: FieldBook, network: Network, first: str, *others: str) -> list[int]:
    """Return a row of each mark, all but the first at another place than the first."""
    from difflib import get_close_matches

    rows: list[int] = []
    problems: list[Problem] = []
    for mark in (first, *others):
        if mark in book.marks:
            row = int(np.flatnonzero(book.mark == book.marks.index(mark))[0])
            rows.append(row)
            if len(rows) > 1 and not problems and not _apart(network, rows[0], row):
                problems.append(
                    Problem(
                        "marks-coincide",
                        f"marks {first!r} and {mark!r} are at the same place",
                        "two marks apart",
                        "choose another mark",
                    )
                )
            continue
        near = get_close_matches(mark, book.marks, n=1)
        problems.append(
            Problem(
                "mark-unknown",
                f"there is no mark {mark!r}",
                "the name of a mark of the survey",
                f"did you mean {near[0]!r}?" if near else "correct the name",
            )
        )
    if problems:
        raise InputError(problems)
    return rows


def _apart(network: Network, a: int, b: int) -> bool:
    step = network.en[b] - network.en[a]
    return math.hypot(step[0], step[1]) >= SAME_PLACE_M


def _wrapped(angle: float) -> float:
    """Bring an angle to 0 to 2 pi; -1e-17 must not become 2 pi."""
    turned = math.fmod(angle, 2.0 * math.pi)
    if turned < 0.0:
        turned += 2.0 * math.pi
    return 0.0 if turned >= 2.0 * math.pi else turned


def _step(network: Network, a: int, b: int) -> tuple[Floats, float]:
    """Return the unit vector and the grid distance from one row to another."""
    step = network.en[b] - network.en[a]
    length = float(np.hypot(step[0], step[1]))
    return step / length, length


def _plan_form(rows: npt.ArrayLike, gradient: Floats) -> LinearForm:
    rows = np.asarray(rows, dtype=np.int64)
    return LinearForm(rows, gradient[:, 0], gradient[:, 1], np.zeros(len(rows)))


def _direction(network: Network, a: int, b: int) -> Measure:
    """Return the direction from one row to another, counter-clockwise from grid east."""
    along, length = _step(network, a, b)
    left = np.array([-along[1], along[0]]) / length
    value = math.atan2(along[1], along[0])
    return open_measure(value, value, _plan_form([a, b], np.stack([-left, left])))


def _azimuth(direction: Measure) -> Measure:
    value = _wrapped(math.pi / 2.0 - direction.value)
    return Measure(value, value, direction.form * -1.0, direction.sigma, direction.half_width)


def _length(network: Network, grid: float, rows: npt.ArrayLike, gradient: Floats) -> Measure:
    to_ground = 1.0 / network.frame.combined_factor
    return open_measure(grid * to_ground, grid, _plan_form(rows, gradient * to_ground))


def _chord(network: Network, a: int, b: int) -> Measure:
    along, length = _step(network, a, b)
    return _length(network, length, [a, b], np.stack([-along, along]))


def _straight(
    network: Network, feature: str, number: int, piece: Piece, a: np.int64, b: np.int64
) -> Edge:
    start, end = int(a), int(b)
    chord = _chord(network, start, end)
    heading = _direction(network, start, end)
    return Edge(
        feature=feature,
        number=number,
        kind=piece.kind,
        start=start,
        end=end,
        length=chord,
        chord=chord,
        azimuth=_azimuth(heading),
        departure=heading,
        arrival=heading,
    )


def _stream(network: Network, feature: str, number: int, piece: Piece) -> Edge:
    rows = piece.rows
    steps = np.diff(network.en[rows], axis=0)
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    unit = steps / lengths[:, None]
    gradient = np.zeros((len(rows), 2))
    gradient[:-1] -= unit
    gradient[1:] += unit
    start, end = int(rows[0]), int(rows[-1])
    closed = not _apart(network, start, end)
    return Edge(
        feature=feature,
        number=number,
        kind=piece.kind,
        start=start,
        end=end,
        length=_length(network, float(lengths.sum()), rows, gradient),
        chord=_nothing(rows) if closed else _chord(network, start, end),
        azimuth=None if closed else _azimuth(_direction(network, start, end)),
        departure=_direction(network, start, int(rows[1])),
        arrival=_direction(network, int(rows[-2]), end),
    )


def _nothing(rows: Ints) -> Measure:
    return open_measure(0.0, 0.0, _plan_form(rows[:1], np.zeros((1, 2))))


def _arc(network: Network, feature: str, number: int, piece: Piece) -> Edge:
    rows = piece.rows
    arc = fit_arc(network.en[rows])
    assert arc is not None  # it was drawn
    start, end = int(rows[0]), int(rows[-1])
    heading = _direction(network, start, end)
    turn = _plan_form(rows, arc.sweep_gradient)

    def tangent(share: float) -> Measure:
        """At the chord's ends the tangent is turned by half the sweep."""
        value = heading.value + share * arc.sweep
        return open_measure(value, value, heading.form + turn * share)

    return Edge(
        feature=feature,
        number=number,
        kind="arc",
        start=start,
        end=end,
        length=_length(network, arc.length, rows, arc.length_gradient),
        chord=_chord(network, start, end),
        azimuth=_azimuth(heading),
        radius=_length(network, arc.radius, rows, arc.radius_gradient),
        sagitta=_length(network, arc.sagitta, rows, arc.sagitta_gradient),
        sweep=open_measure(arc.sweep, arc.sweep, turn),
        departure=tangent(-0.5),
        arrival=tangent(0.5),
    )


def _circle(network: Network, feature: str, number: int, piece: Piece) -> Edge:
    rows = piece.rows
    circle = fit_circle(network.en[rows])
    assert circle is not None  # it was drawn
    around = 2.0 * math.pi
    return Edge(
        feature=feature,
        number=number,
        kind="circle",
        start=int(rows[0]),
        end=int(rows[0]),
        length=_length(network, around * circle.radius, rows, around * circle.radius_gradient),
        chord=_nothing(rows),
        azimuth=None,
        radius=_length(network, circle.radius, rows, circle.radius_gradient),
    )


def _is_counter_clockwise(feature: Feature) -> bool:
    """Tell which way an area was walked (its polygon always runs counter-clockwise)."""
    ring = np.concatenate([p.vertices[:-1, :2] for p in feature.pieces])
    ring = ring - ring[0]
    after = np.roll(ring, -1, axis=0)
    return float(np.sum(ring[:, 0] * after[:, 1] - ring[:, 1] * after[:, 0])) >= 0.0
