"""What to look at in a drawing before its numbers are used: facts, which `wording` says."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.linework.circles import STRAIGHT_M, Circle
from geosite.linework.model import Feature
from geosite.linework.nesting import Overlap
from geosite.linework.strokes import Stroke, form_of
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network

__all__ = [
    "BelowNoise",
    "FlatArc",
    "LargeResidual",
    "NearlyClosed",
    "OutOfOrder",
    "Remark",
    "SharedGround",
    "UncertainRadius",
    "check_closures",
    "check_fits",
    "check_overlaps",
    "check_sizes",
]

# Distances from a fitted arc are looked at beyond three standard deviations (0.3 % by chance).
LARGE_RESIDUAL = 3.0
# A circle's radius that is known to a tenth only comes from marks on too short a stretch of it.
LOOSE_RADIUS = 0.10
# An area or a length below three of its own standard deviations is not told from nothing.
SMALL_IN_SIGMAS = 3.0
# A last mark this near to the first is likely to be the first, walked up to again: metres, and
# share of the perimeter.
NEARLY_CLOSED_M = 0.15
NEARLY_CLOSED_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class OutOfOrder:
    """The marks of an arc of feature `name` do not follow each other; `row` is its last."""

    name: str
    row: int


@dataclass(frozen=True, slots=True)
class LargeResidual:
    """The mark of `row` lies `off_m` from the arc or circle (`kind`) of feature `name`, metres."""

    name: str
    kind: str
    row: int
    off_m: float
    sigma_m: float


@dataclass(frozen=True, slots=True)
class UncertainRadius:
    """The radius of circle `name` is hardly known, metres."""

    name: str
    row: int
    radius_m: float
    sigma_m: float


@dataclass(frozen=True, slots=True)
class FlatArc:
    """The sagitta of an arc of feature `name` is not told from nothing, metres."""

    name: str
    row: int
    sagitta_m: float
    sigma_m: float


@dataclass(frozen=True, slots=True)
class NearlyClosed:
    """The outline of area `name` ends at `row`, `gap_m` grid metres from where it began."""

    name: str
    row: int
    gap_m: float


@dataclass(frozen=True, slots=True)
class BelowNoise:
    """An area (m2) or line (m) hardly larger than its own sigma; `row` is its first."""

    name: str
    kind: str
    row: int
    size: float
    sigma: float


@dataclass(frozen=True, slots=True)
class SharedGround:
    """Two areas share ground without one lying inside the other; `row` is the second's first."""

    first: str
    second: str
    row: int
    area_m2: float


Remark = (
    OutOfOrder
    | LargeResidual
    | UncertainRadius
    | FlatArc
    | NearlyClosed
    | BelowNoise
    | SharedGround
)


@dataclass(frozen=True, eq=False)
class _TestedNumber:
    """A number of a fit that is compared with its own sigma."""

    about: Literal["residual", "radius", "sagitta"]
    name: str
    kind: str
    row: int
    value: float
    form: LinearForm


def check_fits(
    network: Network, drawn: Iterable[tuple[str, Sequence[Stroke]]]
) -> tuple[OutOfOrder | LargeResidual | UncertainRadius | FlatArc, ...]:
    """Find arcs and circles whose fit is doubtful.

    Parameters
    ----------
    network
        For the covariance.
    drawn
        Name and outline of each feature.

    Examples
    --------
    The middle of an arc stands 1 cm beside the line between its ends, and each mark is good to
    1 cm: nobody can say that it bends.

    >>> from geosite.linework.arcs import fit_arc
    >>> from geosite.linework.strokes import arc_stroke
    >>> from geosite.network.independent_marks import independent_marks
    >>> marks = np.array([[0.0, 0.0, 0.0], [5.0, 0.01, 0.0], [10.0, 0.0, 0.0]])
    >>> network = independent_marks(marks, sigma_m=0.01)
    >>> arc = arc_stroke(np.arange(3), marks, np.zeros(2), fit_arc(marks[:, :2]), 0.002)
    >>> (found,) = check_fits(network, [("kerb", [arc])])
    >>> type(found).__name__, round(found.sagitta_m, 4), round(found.sigma_m, 4)
    ('FlatArc', 0.01, 0.0122)
    """
    disordered: list[OutOfOrder | LargeResidual | UncertainRadius | FlatArc] = []
    tested: list[_TestedNumber] = []
    for name, strokes in drawn:
        for stroke in strokes:
            if stroke.shape is None:
                continue
            if not stroke.in_order:
                disordered.append(OutOfOrder(name, int(stroke.piece.rows[-1])))
            tested += _tested_numbers(network, name, stroke)
    deviations = sigmas(network, [q.form for q in tested])
    results = [_against_sigma(q, float(s)) for q, s in zip(tested, deviations, strict=True)]
    return (*disordered, *(one for one in results if one is not None))


def _tested_numbers(network: Network, name: str, stroke: Stroke) -> list[_TestedNumber]:
    shape, rows, kind = stroke.shape, stroke.piece.rows, stroke.piece.kind
    assert shape is not None
    last = int(rows[-1])
    tested = []
    if len(rows) > 3:
        worst = int(np.abs(shape.residuals).argmax())
        distance = float(abs(shape.residuals[worst]))
        outward = network.en[rows[worst]] - np.array(shape.centre)
        angle = math.atan2(outward[1], outward[0])
        # the mark moves, and the arc under it follows
        gradient = -shape.normal_motion(np.array([angle]))[0]
        gradient[worst] += [math.cos(angle), math.sin(angle)]
        form = form_of(rows, gradient)
        tested.append(_TestedNumber("residual", name, kind, int(rows[worst]), distance, form))
    if isinstance(shape, Circle):
        form = form_of(rows, shape.radius_gradient)
        tested.append(_TestedNumber("radius", name, kind, last, shape.radius, form))
    else:
        form = form_of(rows, shape.sagitta_gradient)
        tested.append(_TestedNumber("sagitta", name, kind, last, shape.sagitta, form))
    return tested


def _against_sigma(
    tested: _TestedNumber, sigma: float
) -> LargeResidual | UncertainRadius | FlatArc | None:
    name, row, value = tested.name, tested.row, tested.value
    if tested.about == "residual" and value > max(LARGE_RESIDUAL * sigma, STRAIGHT_M):
        return LargeResidual(name, tested.kind, row, value, sigma)
    if tested.about == "radius" and sigma > LOOSE_RADIUS * value:
        return UncertainRadius(name, row, value, sigma)
    if tested.about == "sagitta" and value < SMALL_IN_SIGMAS * sigma:
        return FlatArc(name, row, value, sigma)
    return None


def check_closures(drawn: Iterable[tuple[Feature, Sequence[Stroke]]]) -> tuple[NearlyClosed, ...]:
    """Look for areas whose last mark all but stands on the first one.

    Parameters
    ----------
    drawn
        Each feature with its outline; lines and points are passed over.

    Examples
    --------
    A yard of 10 by 10 m whose last mark is 8 cm from its first: the same one without its name.

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> book = book_from_text('''run,point,x,y,z,feature
    ... R1,A1,0,0,0,yard
    ... R1,A2,10,0,0,yard
    ... R1,A3,10,10,0,yard
    ... R1,A4,0,10,0,yard
    ... R1,A5,0,0.08,0,yard''')
    >>> drawing = draw(Notes.of(book), independent_marks(book.local))
    >>> [(finding.code, finding.line) for finding in drawing.findings]
    [('outline-nearly-closed', 6)]
    """
    found = []
    for feature, strokes in drawn:
        if feature.perimeter is None:
            continue
        limit = min(NEARLY_CLOSED_M, NEARLY_CLOSED_SHARE * feature.perimeter.grid)
        closing, first = strokes[-1], int(feature.rows[0])
        ends_open = closing.piece.kind == "line" and int(closing.piece.rows[-1]) == first
        if ends_open and len(closing.piece.rows) == 2 and closing.length < limit:
            found.append(NearlyClosed(feature.name, int(closing.piece.rows[0]), closing.length))
    return tuple(found)


def check_sizes(features: Iterable[Feature]) -> tuple[BelowNoise, ...]:
    """Look for areas and lines that are hardly larger than their own sigma.

    Parameters
    ----------
    features
        With the sigmas of their measures.

    Examples
    --------
    A line of 5 cm that is known to 4 cm:

    >>> import shapely
    >>> from geosite.linework.model import Measure
    >>> none = LinearForm(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0))
    >>> line = shapely.LineString([(0, 0, 0), (0.05, 0, 0)])
    >>> size = Measure(0.05, 0.05, none, 0.04)
    >>> check_sizes([Feature("kerb", "stone", "line", np.arange(2), (), line, length=size)])
    (BelowNoise(name='kerb', kind='line', row=0, size=0.05, sigma=0.04),)
    """
    sizes = [(f, f.area or f.length) for f in features]
    return tuple(
        BelowNoise(f.name, f.kind, int(f.rows[0]), size.value, size.sigma)
        for f, size in sizes
        if size is not None and size.value < SMALL_IN_SIGMAS * size.sigma
    )


def check_overlaps(
    areas: Sequence[Feature], overlaps: Iterable[Overlap]
) -> tuple[SharedGround, ...]:
    """Look at areas that share ground without one lying inside the other.

    A sliver along a shared edge is left to the take-off, which can close it.

    Examples
    --------
    >>> import shapely
    >>> square = shapely.box(0, 0, 2, 2)
    >>> areas = [Feature(n, "", "area", np.array([r]), (), square) for n, r in (("a", 0), ("b", 4))]
    >>> check_overlaps(areas, [Overlap(0, 1, 1.5, is_sliver=False)])
    (SharedGround(first='a', second='b', row=4, area_m2=1.5),)
    """
    return tuple(
        SharedGround(
            areas[overlap.first].name,
            areas[overlap.second].name,
            int(areas[overlap.second].rows[0]),
            overlap.area_m2,
        )
        for overlap in overlaps
        if not overlap.is_sliver
    )
