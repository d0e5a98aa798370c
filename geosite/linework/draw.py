"""From rows to features: pieces, outlines, exact measures, areas within areas."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from geosite.errors import Finding, Problem, SurveyRefused
from geosite.fieldbook.model import PIECE_KINDS, FieldBook, Floats, Ints, Notes, PieceKind
from geosite.linework.circles import STRAIGHT_M, Circle, fit_arc, fit_circle, narrowest
from geosite.linework.model import Drawing, Feature, Measure
from geosite.linework.nesting import Overlap, Region, contents, covered
from geosite.linework.strokes import (
    Stroke,
    arc_stroke,
    circle_stroke,
    form_of,
    straight_stroke,
)
from geosite.network.covariance import sigma
from geosite.network.model import LinearForm, Network

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["draw"]

# Two positions nearer than a micrometre are one: adjusted marks that are the same differ by
# rounding only, and no device resolves less than a tenth of a millimetre.
SAME_PLACE_M = 1e-6
# Distances from a fitted arc are looked at beyond three standard deviations (0.3 % by chance).
LARGE_RESIDUAL = 3.0
# A circle's radius that is known to a tenth only comes from marks on too short a stretch of it.
LOOSE_RADIUS = 0.10
# An area or a length below three of its own standard deviations is not told from nothing.
SMALL_IN_SIGMAS = 3.0


@dataclass(frozen=True, eq=False)
class _Draft:
    """A feature on its way: everything but the areas inside it."""

    feature: Feature
    strokes: tuple[Stroke, ...]
    findings: tuple[Finding, ...]
    region: Region | None


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
        Largest distance between an arc and the chords that stand for it in the geometry, metres.

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
    findings = [f for d in drafts for f in d.findings]
    features, more = _nest(book, network, drafts)
    return Drawing(features, (*findings, *more))


def _draw_feature(notes: Notes, network: Network, rows: Ints, sagitta_m: float) -> _Draft:
    book = notes.book
    name = book.features[book.feature[rows[0]]]
    code = _code(book, name, rows)
    marks = np.column_stack([network.en[rows], network.elevation[rows]])
    distinct = len(np.unique(np.round(marks[:, :2] / SAME_PLACE_M), axis=0))
    kind = _kind(notes, code, distinct)
    if kind == "point":
        feature = Feature(name, code, kind, rows, (), _points(marks))
        return _Draft(feature, (), (), None)
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
    """Return what the site file says of the code; without a word from it, the marks decide."""
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
    kept: Ints = rows[np.concatenate([[True], ~same])]
    return kept


def _arc(
    book: FieldBook, name: str, own: Ints, marks: Floats, reference: Floats, sagitta_m: float
) -> Stroke:
    line = int(book.line[own[-1]])
    if len(own) < 3:
        raise _Refused(
            Problem(
                "arc-needs-three-marks",
                f"the arc of {name!r} from {_at(book, own[0])} to {_at(book, own[-1])} has "
                "two marks",
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
    return narrowest(book.local[own, :2]) < STRAIGHT_M


def _straight(book: FieldBook, word: str, name: str, own: Ints) -> Problem:
    through = ", ".join(_at(book, r) for r in (own if len(own) <= 4 else own[[0, 1, -1]]))
    return Problem(
        f"{word}-is-straight",
        f"the {word} of {name!r} through {through} lies on a straight line",
        "marks that bend by more than a millimetre",
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
        f"the arc of {name!r} starts and ends at {_at(book, own[0])}",
        "an arc between two different marks",
        "make it two arcs (arc, arc2), or a circle with a feature name of its own",
        book.file,
        int(book.line[own[-1]]),
    )


def _at(book: FieldBook, row: int | np.integer) -> str:
    """Name a row for people: its mark and its line."""
    mark = book.mark[row]
    called = f"mark {book.marks[mark]!r}" if mark >= 0 else "the unnamed mark"
    return f"{called} (line {book.line[row]})"


def _sum_of_lengths(network: Network, strokes: Sequence[Stroke]) -> Measure | None:
    """Add up horizontal lengths; None where there is nothing to add."""
    if not strokes:
        return None
    rows = np.concatenate([s.piece.rows for s in strokes])
    gradient = np.concatenate([s.length_gradient for s in strokes])
    return _measure(network, sum(s.length for s in strokes), form_of(rows, gradient), 1)


def _measure(network: Network, grid: float, form: LinearForm, power: int) -> Measure:
    """Bring a grid length (power 1) or area (power 2) to the ground and state its sigma."""
    to_ground = network.frame.combined_factor**-power
    form = form * to_ground
    return Measure(grid * to_ground, grid, form, sigma(network, form))


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
    climbs = np.concatenate([s.climbs for s in drawn])
    ground = climbs[:, 0] / network.frame.combined_factor
    length = _sum_of_lengths(network, drawn)
    feature = Feature(
        name=name,
        code=code,
        kind="line",
        rows=rows,
        pieces=tuple(s.piece for s in strokes),
        geometry=lines[0] if len(lines) == 1 else shapely.MultiLineString(lines),
        length=length,
        length_3d_m=float(np.hypot(ground, climbs[:, 1]).sum()),
        rise_m=float(np.maximum(climbs[:, 1], 0.0).sum()),
        fall_m=float(np.maximum(-climbs[:, 1], 0.0).sum()),
    )
    findings = _fit_findings(book, network, name, strokes) + _small(book, feature, length)
    return _Draft(feature, tuple(strokes), tuple(findings), None)


def _area(
    book: FieldBook, network: Network, name: str, code: str, rows: Ints, strokes: list[Stroke]
) -> _Draft:
    ring = np.concatenate([s.piece.vertices[:-1] for s in strokes])
    ring = np.vstack([ring, ring[:1]])
    between = np.concatenate([s.between for s in strokes])
    swept = sum(s.swept for s in strokes)
    drawn = [s for s in strokes if s.piece.kind != "gap"]
    perimeter = _sum_of_lengths(network, strokes)
    # OGC Simple Features: the shell runs counter-clockwise
    polygon = shapely.Polygon(ring if swept >= 0.0 else ring[::-1])
    if not shapely.is_valid(polygon):
        raise _Refused(_crossing(book, name, rows, ring, between))
    sign = 1.0 if swept >= 0.0 else -1.0
    form = form_of(
        np.concatenate([s.piece.rows for s in strokes]),
        sign * np.concatenate([s.swept_gradient for s in strokes]),
    )
    area = _measure(network, abs(swept), form, 2)
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
        edging=perimeter if len(drawn) == len(strokes) else _sum_of_lengths(network, drawn),
    )
    findings = _fit_findings(book, network, name, strokes) + _small(book, feature, area)
    return _Draft(
        feature, tuple(strokes), tuple(findings), Region(polygon, abs(swept), form, tuple(strokes))
    )


def _crossing(book: FieldBook, name: str, rows: Ints, ring: Floats, between: Ints) -> Problem:
    """Name the first two edges of an invalid outline that cross or touch."""
    if narrowest(ring[:, :2]) < STRAIGHT_M:
        return Problem(
            "area-is-straight",
            f"the marks of area {name!r} lie on a straight line and enclose nothing",
            "an outline that goes around an area",
            "check the marks for a mix-up, or give its code the geometry line",
            book.file,
            int(book.line[rows[-1]]),
        )
    edges = np.asarray(shapely.linestrings(np.stack([ring[:-1, :2], ring[1:, :2]], axis=1)))
    one, other = shapely.STRtree(edges).query(edges, predicate="intersects")
    ahead = one < other
    one, other = one[ahead], other[ahead]
    neighbours = (other - one == 1) | ((one == 0) & (other == len(edges) - 1))
    # neighbours share a mark; they cross only where one runs back over the other
    bad = ~neighbours
    bad[neighbours] = (
        shapely.length(shapely.intersection(edges[one[neighbours]], edges[other[neighbours]])) > 0
    )
    first = np.lexsort((other[bad], one[bad]))[0]
    a, b = between[one[bad][first]], between[other[bad][first]]
    return Problem(
        "outline-crosses-itself",
        f"the outline of {name!r} crosses itself: the edge from {_at(book, a[0])} to "
        f"{_at(book, a[1])} meets the edge from {_at(book, b[0])} to {_at(book, b[1])}",
        "an outline that goes around an area once",
        "check the order of these marks; a mark visited again carries the same name in both rows",
        book.file,
        int(book.line[b[1]]),
    )


def _fit_findings(
    book: FieldBook, network: Network, name: str, strokes: Sequence[Stroke]
) -> list[Finding]:
    """Say what to look at in arcs and circles."""
    findings = []
    for stroke in strokes:
        shape, rows, line = stroke.shape, stroke.piece.rows, int(book.line[stroke.piece.rows[-1]])
        if shape is None:
            continue
        word = stroke.piece.kind
        if not stroke.in_order:
            findings.append(
                Finding(
                    "look",
                    "arc-out-of-order",
                    f"The marks of the arc of {name!r} do not follow each other along it; "
                    "two of them may have changed places.",
                    book.file,
                    line,
                )
            )
        if len(rows) > 3:
            worst = int(np.abs(shape.residuals).argmax())
            off = float(abs(shape.residuals[worst]))
            expected = _residual_sigma(network, stroke, worst)
            if off > max(LARGE_RESIDUAL * expected, STRAIGHT_M):
                findings.append(
                    Finding(
                        "look",
                        "fit-residual-large",
                        f"{_at(book, rows[worst])[0].upper()}{_at(book, rows[worst])[1:]} is "
                        f"{off:.3f} m off the {word} of {name!r}, where about {expected:.3f} m "
                        "was expected; it may not belong to it.",
                        book.file,
                        int(book.line[rows[worst]]),
                    )
                )
        if isinstance(shape, Circle):
            loose = sigma(network, form_of(rows, shape.radius_gradient))
            if loose > LOOSE_RADIUS * shape.radius:
                findings.append(
                    Finding(
                        "look",
                        "circle-loose",
                        f"The marks of circle {name!r} cover too short a stretch of it: the "
                        f"radius is {shape.radius:.2f} m with a standard deviation of "
                        f"{loose:.2f} m. Walk marks all around it.",
                        book.file,
                        line,
                    )
                )
        else:
            bend = sigma(network, form_of(rows, shape.sagitta_gradient))
            if shape.sagitta < SMALL_IN_SIGMAS * bend:
                findings.append(
                    Finding(
                        "look",
                        "arc-flat",
                        f"The arc of {name!r} bends by {shape.sagitta:.3f} m with a standard "
                        f"deviation of {bend:.3f} m: it cannot be told from a straight line.",
                        book.file,
                        line,
                    )
                )
    return findings


def _residual_sigma(network: Network, stroke: Stroke, mark: int) -> float:
    """Return the standard deviation of one mark's distance from a fitted arc or circle, metres."""
    shape, rows = stroke.shape, stroke.piece.rows
    assert shape is not None
    outward = network.en[rows[mark]] - np.array(shape.centre)
    angle = np.arctan2(outward[1], outward[0])
    gradient = -shape.normal_motion(np.array([angle]))[0]
    gradient[mark] += [np.cos(angle), np.sin(angle)]
    return sigma(network, form_of(rows, gradient))


def _small(book: FieldBook, feature: Feature, size: Measure | None) -> list[Finding]:
    if size is None or size.value >= SMALL_IN_SIGMAS * size.sigma:
        return []
    unit = "m2" if feature.kind == "area" else "m"
    return [
        Finding(
            "look",
            "feature-small",
            f"{feature.kind.capitalize()} {feature.name!r} measures {size.value:.3f} {unit} with "
            f"a standard deviation of {size.sigma:.3f} {unit}: too small for this survey.",
            book.file,
            int(book.line[feature.rows[0]]),
        )
    ]


def _nest(
    book: FieldBook, network: Network, drafts: Sequence[_Draft]
) -> tuple[tuple[Feature, ...], list[Finding]]:
    """Take the areas inside each area off its net area."""
    regions = [(k, d.region) for k, d in enumerate(drafts) if d.region is not None]
    children, overlaps = contents([r.polygon for _, r in regions])
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
        place, region = regions[parent]
        tangled = [(inner.index(o.first), inner.index(o.second)) for o in sharing.get(parent, [])]
        taken, forms = covered([regions[c][1] for c in inner], tangled)
        form = region.form
        for piece in forms:
            form = form + piece * -1.0
        features[place] = replace(
            features[place],
            net_area=_measure(network, region.area - taken, form, 2),
            inside=tuple(features[regions[c][0]].name for c in inner),
        )
    findings = []
    for overlap in overlaps:
        # a sliver along a shared edge is left to the take-off, which can close it
        if overlap.is_sliver:
            continue
        one, other = (features[regions[k][0]] for k in (overlap.first, overlap.second))
        findings.append(
            Finding(
                "look",
                "areas-overlap",
                f"Areas {one.name!r} and {other.name!r} share {overlap.area_m2:.2f} m2 and "
                "neither lies inside the other: this ground is counted twice.",
                book.file,
                int(book.line[other.rows[0]]),
            )
        )
    return tuple(features), findings
