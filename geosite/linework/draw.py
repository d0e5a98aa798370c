"""From rows to features: pieces, outlines, exact measures, areas within areas."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats, Ints
from geosite.base.errors import Problem, SurveyRefused
from geosite.fieldbook.model import PIECE_KINDS, FieldBook, Notes, PieceKind
from geosite.linework.arcs import fit_arc
from geosite.linework.checks import check_closures, check_fits, check_overlaps, check_sizes
from geosite.linework.circles import STRAIGHT_M, fit_circle, strip_width
from geosite.linework.measures import sum_of_forms, with_sigmas
from geosite.linework.model import Drawing, Feature
from geosite.linework.nesting import Overlap, Region, direct_children, union_area
from geosite.linework.strokes import (
    Stroke,
    arc_stroke,
    circle_stroke,
    form_of,
    straight_stroke,
)
from geosite.linework.sums import climb_of, length_of, on_ground, slope_length_of
from geosite.linework.wording import findings, row_name
from geosite.network.model import Network

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["draw"]

# Two positions nearer than a micrometre are one: adjusted marks that are the same differ by
# rounding only, and no device resolves less than a tenth of a millimetre.
SAME_PLACE_M = 1e-6


@dataclass(frozen=True, eq=False)
class _Draft:
    """A feature on its way: everything but the areas inside it."""

    feature: Feature
    strokes: tuple[Stroke, ...] = ()
    region: Region | None = None


class _Refused(Exception):
    """A feature that cannot be drawn."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def draw(notes: Notes, network: Network, *, sagitta_m: float = 0.002) -> Drawing:
    """Draw every feature of a survey and measure it exactly.

    Lengths and areas of arcs come from the circle (central angle, circular segment), not from the
    densified outline. Ground length = grid length / combined factor, ground area = grid area /
    combined factor squared. The net area of a feature leaves out the areas directly inside it;
    ground that two of these share is left out once.

    Parameters
    ----------
    notes
        Rows, and the meaning of their codes.
    network
        Where each row is.
    sagitta_m
        Largest distance between an arc and the chords that replace it in the geometry, metres.

    Returns
    -------
    Drawing
        Features in field-book order.

    Raises
    ------
    SurveyRefused
        Every feature that cannot be drawn: an arc or circle through marks on a straight line or
        through too few, an area of two marks, an outline that crosses itself, a circle joined to
        other pieces, one feature under two codes.

    Examples
    --------
    Legs of 3 and 4 m make 6 square metres. With marks good to 1 cm per axis the area is good to
    half of that times the root of the sum of the squares of the sides, 0.005 * sqrt(50):

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.network.independent_marks import independent_marks
    >>> book = book_from_text('''run,point,x,y,z,feature,code
    ... R1,A1,0,0,0,yard,asphalt
    ... R1,A2,4,0,0,yard,asphalt
    ... R1,A3,0,3,0,yard,asphalt''')
    >>> drawing = draw(Notes.of(book), independent_marks(book.local, sigma_m=0.01))
    >>> (yard,) = drawing.features
    >>> yard.area.value, yard.perimeter.value, round(yard.area.sigma, 5)
    (6.0, 12.0, 0.03536)
    """
    book = notes.book
    walked = np.flatnonzero(book.feature >= 0)
    walked = walked[np.argsort(book.feature[walked], kind="stable")]
    starts = np.flatnonzero(np.diff(book.feature[walked], prepend=-1))
    drafts, problems = [], []
    for rows in np.split(walked, starts[1:]) if len(walked) else []:
        try:
            drafts.append(_draw_feature(notes, network, rows, sagitta_m))
        except _Refused as refused:
            problems.append(refused.problem)
    if problems:
        raise SurveyRefused(sorted(problems, key=lambda p: p.line or 0))
    measured, overlaps = _nest(network, drafts)
    features = tuple(with_sigmas(network, measured))
    remarks = (
        *check_fits(network, [(d.feature.name, d.strokes) for d in drafts]),
        *check_closures([(d.feature, d.strokes) for d in drafts]),
        *check_sizes(features),
        *check_overlaps([f for f in features if f.kind == "area"], overlaps),
    )
    return Drawing(features, findings(book, remarks))


def _draw_feature(notes: Notes, network: Network, rows: Ints, sagitta_m: float) -> _Draft:
    book = notes.book
    name = book.features[book.feature[rows[0]]]
    code = _code(book, name, rows)
    marks = np.column_stack([network.en[rows], network.elevation[rows]])
    distinct = len(np.unique(np.round(marks[:, :2] / SAME_PLACE_M), axis=0))
    kind = _kind(notes, code, distinct)
    if kind == "point":
        feature = Feature(name, code, kind, rows, (), _points(marks))
        return _Draft(feature)
    if distinct < (3 if kind == "area" else 2):
        raise _Refused(
            Problem(
                "area-needs-three-marks" if kind == "area" else "line-needs-two-marks",
                f"{kind} {name!r} has {distinct} mark{'s' if distinct > 1 else ''}",
                "at least three marks" if kind == "area" else "at least two marks",
                f"walk the missing marks, or give its code another geometry in [codes.{code}]"
                if code
                else "walk the missing marks, or give it a code with another geometry",
                book.file,
                int(book.line[rows[-1]]),
            )
        )
    strokes = _strokes(book, network, name, rows, kind, sagitta_m)
    if kind == "area":
        return _area(book, network, name, code, rows, strokes)
    return _line(book, network, name, code, rows, strokes)


def _code(book: FieldBook, name: str, rows: Ints) -> str:
    """Return the one code of a feature; rows without a code belong to it."""
    codes = book.code[rows]
    given = codes[codes >= 0]
    if not len(given):
        return ""
    other = np.flatnonzero((codes >= 0) & (codes != given[0]))
    if len(other):
        row = rows[other[0]]
        raise _Refused(
            Problem(
                "feature-two-codes",
                f"feature {name!r} has code {book.codes[book.code[row]]!r} here and "
                f"{book.codes[given[0]]!r} in line {book.line[rows[codes >= 0][0]]}",
                "one code for the whole feature",
                "correct the code, or give the second shape a name of its own",
                book.file,
                int(book.line[row]),
            )
        )
    return book.codes[int(given[0])]


def _kind(notes: Notes, code: str, distinct: int) -> Literal["area", "line", "point"]:
    """Return the geometry of a code from the site file, or else from the number of marks."""
    if code in notes.site.codes:
        return notes.site.codes[code].geometry
    if distinct >= 3:
        return "area"
    return "line" if distinct == 2 else "point"


def _points(marks: Floats) -> BaseGeometry:
    """Return one point, or several where the feature has several marks."""
    first = np.unique(np.round(marks[:, :2] / SAME_PLACE_M), axis=0, return_index=True)[1]
    points = marks[np.sort(first)]
    return shapely.Point(points[0]) if len(points) == 1 else shapely.MultiPoint(points)


def _strokes(
    book: FieldBook, network: Network, name: str, rows: Ints, kind: str, sagitta_m: float
) -> list[Stroke]:
    """Cut the rows into pieces where word or digit changes, and draw each."""
    reference = network.en[rows[0]]
    word, digit = book.kind[rows], book.piece[rows]
    cuts = np.flatnonzero((np.diff(word) != 0) | (np.diff(digit) != 0)) + 1
    bounds = [0, *cuts.tolist(), len(rows)]
    strokes: list[Stroke] = []
    if kind == "area" and not _same_place(book, network, rows[-1], rows[0]):
        closing: Ints | None = rows[[-1, 0]]
    else:
        closing = None
    for first, last in pairwise(bounds):
        # a piece starts at the mark before its first row; the feature's first row starts itself
        own = _without_repeats(book, network, rows[max(first - 1, 0) : last])
        if len(own) < 2:
            continue
        piece: PieceKind = PIECE_KINDS[word[first]]
        marks = np.column_stack([network.en[own], network.elevation[own]])
        closed = piece == "arc" and _same_place(book, network, own[0], own[-1])
        if piece == "circle" or (closed and len(own) == len(_without_repeats(book, network, rows))):
            if piece == "circle" and (last < len(rows) or first > 1):
                raise _Refused(_circle_not_alone(book, name, rows[first]))
            strokes.append(_circle(book, network, name, own, marks, sagitta_m))
            closing = None
        elif piece == "arc":
            if closed:
                raise _Refused(_closed_arc(book, name, own))
            strokes.append(_arc(book, name, own, marks, reference, sagitta_m))
        else:
            strokes.append(straight_stroke(piece, own, marks, reference))
    if closing is not None:
        marks = np.column_stack([network.en[closing], network.elevation[closing]])
        strokes.append(straight_stroke("line", closing, marks, reference))
    return strokes


def _same_place(book: FieldBook, network: Network, one: int, other: int) -> bool:
    named = book.mark[one] >= 0 and book.mark[one] == book.mark[other]
    step = network.en[one] - network.en[other]
    return bool(named or np.hypot(step[0], step[1]) < SAME_PLACE_M)


def _without_repeats(book: FieldBook, network: Network, rows: Ints) -> Ints:
    """Drop rows that stand where the row before them stands."""
    step = np.diff(network.en[rows], axis=0)
    mark = book.mark[rows]
    same = (np.hypot(step[:, 0], step[:, 1]) < SAME_PLACE_M) | (
        (mark[1:] >= 0) & (mark[1:] == mark[:-1])
    )
    distinct: Ints = rows[np.concatenate([[True], ~same])]
    return distinct


def _arc(
    book: FieldBook, name: str, own: Ints, marks: Floats, reference: Floats, sagitta_m: float
) -> Stroke:
    line = int(book.line[own[-1]])
    if len(own) < 3:
        raise _Refused(
            Problem(
                "arc-needs-three-marks",
                f"the arc of {name!r} from {row_name(book, own[0])} to "
                f"{row_name(book, own[-1])} has two marks",
                "three marks or more: the one before it, one along it, its end",
                "walk a mark in the middle of the arc, or make it a line",
                book.file,
                line,
            )
        )
    arc = fit_arc(marks[:, :2])
    if arc is None or _straight_as_walked(book, own):
        raise _Refused(_straight(book, "arc", name, own))
    return arc_stroke(own, marks, reference, arc, sagitta_m)


def _circle(
    book: FieldBook, network: Network, name: str, own: Ints, marks: Floats, sagitta_m: float
) -> Stroke:
    # a mark visited twice counts once, wherever it comes
    first = np.unique(np.round(marks[:, :2] / SAME_PLACE_M), axis=0, return_index=True)[1]
    keep = np.sort(first)
    own, marks = own[keep], marks[keep]
    if len(own) < 3:
        raise _Refused(
            Problem(
                "circle-needs-three-marks",
                f"the circle {name!r} has {len(own)} marks",
                "three marks or more, spread around it",
                "walk the missing marks, or make it a line",
                book.file,
                int(book.line[own[-1]]),
            )
        )
    circle = fit_circle(marks[:, :2])
    if circle is None or _straight_as_walked(book, own):
        raise _Refused(_straight(book, "circle", name, own))
    return circle_stroke(own, marks, circle, sagitta_m)


def _straight_as_walked(book: FieldBook, own: Ints) -> bool:
    """Tell whether the marks of one run were noted on a straight line.

    What little bend the adjustment then puts in is misclosure, not an arc.
    """
    if len(np.unique(book.run[own])) > 1:
        return False
    return strip_width(book.local[own, :2]) < STRAIGHT_M


def _straight(book: FieldBook, word: str, name: str, own: Ints) -> Problem:
    through = ", ".join(row_name(book, r) for r in (own if len(own) <= 4 else own[[0, 1, -1]]))
    return Problem(
        f"{word}-is-straight",
        f"the {word} of {name!r} through {through} lies on a straight line",
        "marks along a bend, in walking order",
        "check the marks for a mix-up, or make the piece a line",
        book.file,
        int(book.line[own[-1]]),
    )


def _circle_not_alone(book: FieldBook, name: str, row: int) -> Problem:
    return Problem(
        "circle-not-alone",
        f"the circle of {name!r} is joined to other pieces",
        "a circle on its own: one feature, every row of it a circle row",
        "give the circle a feature name of its own, or make the piece an arc",
        book.file,
        int(book.line[row]),
    )


def _closed_arc(book: FieldBook, name: str, own: Ints) -> Problem:
    return Problem(
        "arc-ends-at-its-start",
        f"the arc of {name!r} starts and ends at {row_name(book, own[0])}",
        "an arc between two different marks",
        "make it two arcs (arc, arc2), or a circle with a feature name of its own",
        book.file,
        int(book.line[own[-1]]),
    )


def _line(
    book: FieldBook, network: Network, name: str, code: str, rows: Ints, strokes: list[Stroke]
) -> _Draft:
    drawn = [s for s in strokes if s.piece.kind != "gap"]
    if not drawn:
        raise _Refused(
            Problem(
                "line-all-gap",
                f"every edge of line {name!r} is a gap",
                "at least one drawn edge",
                "correct the segment column",
                book.file,
                int(book.line[rows[0]]),
            )
        )
    parts: list[list[Floats]] = [[]]
    for stroke in strokes:
        if stroke.piece.kind == "gap":
            parts.append([])
        else:
            parts[-1].append(stroke.piece.vertices[1 if parts[-1] else 0 :])
    lines = [shapely.LineString(np.concatenate(part)) for part in parts if part]
    feature = Feature(
        name=name,
        code=code,
        kind="line",
        rows=rows,
        pieces=tuple(s.piece for s in strokes),
        geometry=lines[0] if len(lines) == 1 else shapely.MultiLineString(lines),
        length=length_of(network, drawn),
        length_3d=slope_length_of(network, drawn),
        rise=climb_of(drawn, 1.0),
        fall=climb_of(drawn, -1.0),
    )
    return _Draft(feature, tuple(strokes))


def _area(
    book: FieldBook, network: Network, name: str, code: str, rows: Ints, strokes: list[Stroke]
) -> _Draft:
    ring = np.concatenate([s.piece.vertices[:-1] for s in strokes])
    ring = np.vstack([ring, ring[:1]])
    edge_ends = np.concatenate([s.edge_ends for s in strokes])
    swept_area = sum(s.swept_area for s in strokes)
    drawn = [s for s in strokes if s.piece.kind != "gap"]
    perimeter = length_of(network, strokes)
    # OGC Simple Features: the shell runs counter-clockwise
    sign = math.copysign(1.0, swept_area)
    polygon = shapely.Polygon(ring if sign > 0.0 else ring[::-1])
    if not shapely.is_valid(polygon):
        raise _Refused(_crossing(book, name, rows, ring, edge_ends))
    form = form_of(
        np.concatenate([s.piece.rows for s in strokes]),
        sign * np.concatenate([s.swept_gradient for s in strokes]),
    )
    area = on_ground(network, abs(swept_area), form, 2)
    feature = Feature(
        name=name,
        code=code,
        kind="area",
        rows=rows,
        pieces=tuple(s.piece for s in strokes),
        geometry=polygon,
        area=area,
        net_area=area,
        perimeter=perimeter,
        edging=perimeter if len(drawn) == len(strokes) else length_of(network, drawn),
    )
    return _Draft(feature, tuple(strokes), Region(polygon, abs(swept_area), form, tuple(strokes)))


def _crossing(book: FieldBook, name: str, rows: Ints, ring: Floats, edge_ends: Ints) -> Problem:
    """Name the first two edges of an invalid outline that cross or touch."""
    if strip_width(ring[:, :2]) < STRAIGHT_M:
        return Problem(
            "area-is-straight",
            f"the marks of area {name!r} lie on a straight line and enclose nothing",
            "an outline that goes around an area",
            "check the marks for a mix-up, or give its code the geometry line",
            book.file,
            int(book.line[rows[-1]]),
        )
    edges = np.asarray(shapely.linestrings(np.stack([ring[:-1, :2], ring[1:, :2]], axis=1)))
    first_edge, second_edge = shapely.STRtree(edges).query(edges, predicate="intersects")
    is_once = first_edge < second_edge
    first_edge, second_edge = first_edge[is_once], second_edge[is_once]
    neighbours = (second_edge - first_edge == 1) | (
        (first_edge == 0) & (second_edge == len(edges) - 1)
    )
    # neighbours share a mark; they cross only where one runs back over the other
    crosses = ~neighbours
    crosses[neighbours] = (
        shapely.length(
            shapely.intersection(edges[first_edge[neighbours]], edges[second_edge[neighbours]])
        )
        > 0
    )
    first = np.lexsort((second_edge[crosses], first_edge[crosses]))[0]
    a, b = edge_ends[first_edge[crosses][first]], edge_ends[second_edge[crosses][first]]
    return Problem(
        "outline-crosses-itself",
        f"the outline of {name!r} crosses itself: the edge from {row_name(book, a[0])} to "
        f"{row_name(book, a[1])} meets the edge from {row_name(book, b[0])} to "
        f"{row_name(book, b[1])}",
        "an outline that goes around an area once",
        "check the order of these marks; a mark visited again carries the same name in both rows",
        book.file,
        int(book.line[b[1]]),
    )


def _nest(network: Network, drafts: Sequence[_Draft]) -> tuple[list[Feature], list[Overlap]]:
    """Take the areas inside each area off its net area; return what overlaps otherwise."""
    regions = [(k, d.region) for k, d in enumerate(drafts) if d.region is not None]
    children, overlaps = direct_children([r.polygon for _, r in regions])
    features = [d.feature for d in drafts]
    parents: dict[int, list[int]] = {}
    for parent, inner in enumerate(children):
        for child in inner:
            parents.setdefault(child, []).append(parent)
    sharing: dict[int, list[Overlap]] = {}
    for overlap in overlaps:
        for parent in parents.get(overlap.first, []):
            if parent in parents.get(overlap.second, []):
                sharing.setdefault(parent, []).append(overlap)
    for parent, inner in enumerate(children):
        if not inner:
            continue
        position_of, region = regions[parent]
        position = {child: k for k, child in enumerate(inner)}
        overlapping = [(position[o.first], position[o.second]) for o in sharing.get(parent, [])]
        inner_area, forms = union_area([regions[c][1] for c in inner], overlapping)
        form = sum_of_forms([region.form, *(f * -1.0 for f in forms)])
        features[position_of] = replace(
            features[position_of],
            net_area=on_ground(network, region.area - inner_area, form, 2),
            inside=tuple(features[regions[c][0]].name for c in inner),
        )
    return features, overlaps
