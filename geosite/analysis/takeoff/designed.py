"""How much a design builds: area, edge, length and volume of each part that has a code.

What the site file gives in numbers is exact. What lies on marks or on a surveyed outline moves with
them, so its quantities have the errors of the survey.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.takeoff.quantities import Quantity, ordered, scaled
from geosite.base.errors import InputError, Problem
from geosite.fieldbook import sitefile
from geosite.fieldbook.sitefile import Code
from geosite.linework.model import Drawing, Measure
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

if TYPE_CHECKING:
    from geosite.analysis.design_ground.zones import Edge, Heights, Zone
    from geosite.base.arrays import Floats, Ints
    from geosite.fieldbook.model import Notes

__all__ = ["DesignPart", "design_parts", "slope_factor", "zone_depths"]

_SAMPLES = 4_000
"""Places on which the slope of a part is taken."""
_STEP_M = 1e-3


@dataclass(frozen=True, eq=False)
class DesignPart:
    """One part of a design that has a code.

    Parameters
    ----------
    design, part
        Names in the site file.
    what
        ``pad``, ``strip``, ``edge`` or ``file``.
    quantity
        What it takes; `Quantity.feature` is the part's name.
    shape
        Of a part that makes ground, what of it is not under later ones, local grid metres.
    ring
        Observations that its outline lies on, in order; none where numbers give it.
    """

    design: str
    part: str
    what: Literal["pad", "strip", "edge", "file"]
    quantity: Quantity
    shape: BaseGeometry | None = None
    ring: Ints = field(default_factory=lambda: np.zeros(0, np.int64))


def design_parts(
    name: str,
    table: sitefile.Design,
    zones: Sequence[Zone],
    edges: Mapping[str, Edge],
    notes: Notes,
    network: Network,
    drawing: Drawing,
) -> tuple[DesignPart, ...]:
    """Measure the parts of a design that have a code.

    Parameters
    ----------
    name, table
        ``[designs.NAME]``.
    zones, edges
        Its parts and lines, from `geosite.analysis.design_ground.requested`. Where a later zone
        lies on an earlier one, the ground is that of the later: no square metre counts twice.
    notes, network, drawing
        The survey, for codes and for what lies on its marks.

    Raises
    ------
    InputError
        A code that is not in ``[codes]``, or of another geometry than the part; all of them.
    """
    problems: list[Problem] = []
    found: list[DesignPart] = []
    surveyed = {f.name: f for f in drawing.features}
    requested = list(_requested_parts(table, edges))
    closed = [part for part in requested if part.zone]
    if len(closed) != len(zones):
        raise ValueError("zones and table are not of the same design")
    shapes = _visible(zones)
    zone_of = {id(p): (z, s) for p, z, s in zip(closed, zones, shapes, strict=True)}
    for part in requested:
        if part.code is None:
            continue
        code = notes.site.codes.get(part.code)
        wrong = _wrong(name, part, code, notes)
        if wrong is not None:
            problems.append(wrong)
            continue
        assert code is not None
        if code.geometry == "line":
            quantity = _line(part, edges[part.name], table, notes, network)
            found.append(DesignPart(name, part.name, part.what, ordered(quantity, code)))
            continue
        zone, shape = zone_of[id(part)]
        outline = None
        if part.what == "pad":
            feature = surveyed.get(table.pads[part.name].feature or "")
            outline = None if feature is None else (feature.area, feature.perimeter)
        elif len(zone.ring):
            outline = _ring_of_marks(zone.ring, network)
        quantity = ordered(_area(part, shape, zone, outline, network), code)
        found.append(DesignPart(name, part.name, part.what, quantity, shape, zone.ring))
    if problems:
        raise InputError(problems)
    return tuple(found)


def zone_depths(
    table: sitefile.Design, edges: Mapping[str, Edge], codes: Mapping[str, Code]
) -> tuple[float, ...]:
    """Return how deep the material on each zone of a design is, metres, by the codes of its parts.

    Examples
    --------
    >>> flat = sitefile.DesignPad(elevation=3.0, code="setts")
    >>> table = sitefile.Design(pads={"a": flat, "b": sitefile.DesignPad(elevation=3.0)})
    >>> zone_depths(table, {}, {"setts": Code(depth=0.1)})
    (0.1, 0.0)
    """
    depths = []
    for part in _requested_parts(table, edges):
        code = codes.get(part.code or "")
        if part.zone:
            covers = code is not None and code.geometry == "area"
            depths.append((code.depth or 0.0) if code is not None and covers else 0.0)
    return tuple(depths)


@dataclass(frozen=True, eq=False)
class _Part:
    """What the site file says of one part; whether it makes ground."""

    name: str
    what: Literal["pad", "strip", "edge", "file"]
    code: str | None
    zone: bool


def _requested_parts(table: sitefile.Design, edges: Mapping[str, Edge]) -> Iterator[_Part]:
    """Yield the parts, those that make ground in the order of the zones."""
    if table.file is not None:
        yield _Part("file", "file", table.code, True)
    for name, strip in table.strips.items():
        yield _Part(name, "strip", strip.code, True)
    for name, edge in table.edges.items():
        yield _Part(name, "edge", edge.code, edges[name].closed)
    for name, pad in table.pads.items():
        yield _Part(name, "pad", pad.code, True)


def _wrong(design: str, part: _Part, code: Code | None, notes: Notes) -> Problem | None:
    subject = f"design {design}: {part.what} {part.name} has the code {part.code}"
    if code is None:
        return Problem(
            "design-no-code",
            f"{subject}, which [codes] does not explain",
            f"one of {', '.join(notes.site.codes) or 'none'}",
            f"add [codes.{part.code}] or correct the code",
            notes.site_file,
        )
    fits = {"area": part.zone, "line": part.what == "edge", "point": False}[code.geometry]
    if fits:
        return None
    right = "an area" if part.what != "edge" else "a line or an area" if part.zone else "a line"
    return Problem(
        "design-code-geometry",
        f"{subject}, which is of {code.geometry}s",
        f"a code of {right}",
        "give it another code, or an edge of its own",
        notes.site_file,
    )


def _visible(zones: Sequence[Zone]) -> list[BaseGeometry]:
    """Return what is left of each zone under those that lie on it."""
    left = []
    for number, zone in enumerate(zones):
        above = [other.shape for other in zones[number + 1 :]]
        left.append(
            shapely.difference(zone.shape, shapely.union_all(above)) if above else zone.shape
        )
    return left


def slope_factor(shape: BaseGeometry, heights: Heights, factor: float) -> float:
    """Return how much larger a part is on its slope than in plan.

    Parameters
    ----------
    shape
        Local grid metres.
    heights
        Elevations at places, metres.
    factor
        Grid metres per metre on the ground.

    Examples
    --------
    A plane that falls by 3 in 4:

    >>> square = shapely.box(0, 0, 4, 4)
    >>> round(slope_factor(square, lambda p: 0.75 * p[:, 0], 1.0), 6)
    1.25
    """
    west, south, east, north = shape.bounds
    if shape.area <= 0:
        return 1.0
    spacing = math.sqrt((east - west) * (north - south) / _SAMPLES)
    x = np.arange(west + spacing / 2, east, spacing)
    y = np.arange(south + spacing / 2, north, spacing)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    inner = places[shapely.contains_xy(shape, places[:, 0], places[:, 1])]
    steps = np.array([[_STEP_M, 0.0], [0.0, _STEP_M]]) * factor
    rise = [(heights(inner + s) - heights(inner - s)) / (2 * _STEP_M) for s in steps]
    steep = np.sqrt(1 + rise[0] ** 2 + rise[1] ** 2)
    known = steep[np.isfinite(steep)]
    return float(known.mean()) if len(known) else 1.0


def _measure(
    network: Network, value: float, grid: float, form: LinearForm | None = None
) -> Measure:
    """Return a measure: exact where nothing of it hangs on a mark."""
    if form is None or not len(form.rows):
        none = np.zeros(0)
        return Measure(value, grid, LinearForm(none.astype(np.int64), none, none, none), 0.0, 0.0)
    (sigma,), (half,) = accuracies(network, [form])
    return Measure(value, grid, form, float(sigma), float(half))


_Outline = tuple[Measure | None, Measure | None]
"""Area and length round it, of an outline that lies on marks."""


def _area(
    part: _Part, shape: BaseGeometry, zone: Zone, outline: _Outline | None, network: Network
) -> Quantity:
    factor = network.frame.combined_factor
    whole, around = float(zone.shape.area), float(shapely.length(zone.shape))
    area, edge = outline or (None, None)
    gross = area or _measure(network, whole / factor**2, whole)
    edge = edge or _measure(network, around / factor, around)
    hidden = whole - float(shape.area)
    net = replace(gross, value=gross.value - hidden / factor**2, grid=gross.grid - hidden)
    steeper = slope_factor(shape, zone.heights, factor)
    return Quantity(
        feature=part.name,
        code=part.code or "",
        kind="area",
        count=1,
        gross_area=gross,
        net_area=net,
        surface_area=scaled(net, steeper),
        perimeter=edge,
        edging=edge,
    )


def _line(
    part: _Part, edge: Edge, table: sitefile.Design, notes: Notes, network: Network
) -> Quantity:
    factor = network.frame.combined_factor
    step = np.diff(edge.places[:, :2], axis=0)
    grid = np.hypot(*step.T)
    form = None
    marks = table.edges[part.name].marks
    if marks:
        rows = _rows((*marks, marks[0]) if edge.closed else marks, notes)
        form = _length_form(rows, step / grid[:, None]) * (1 / factor)
    level = _measure(network, float(grid.sum()) / factor, float(grid.sum()), form)
    sloped = float(np.hypot(grid / factor, np.diff(edge.places[:, 2])).sum())
    return Quantity(
        feature=part.name,
        code=part.code or "",
        kind="line",
        count=1,
        length=level,
        length_3d=_measure(network, sloped, float(grid.sum()), form),
    )


def _rows(marks: Sequence[str], notes: Notes) -> Ints:
    book = notes.book
    first = [int(np.flatnonzero(book.mark == book.marks.index(mark))[0]) for mark in marks]
    return np.array(first)


def _length_form(rows: Ints, way: Floats) -> LinearForm:
    """Return the derivative of a length along marks, `way` the unit vector of each stretch."""
    none = np.zeros(2 * len(way))
    return LinearForm(
        np.concatenate([rows[1:], rows[:-1]]),
        np.concatenate([way[:, 0], -way[:, 0]]),
        np.concatenate([way[:, 1], -way[:, 1]]),
        none,
    )


def _ring_of_marks(rows: Ints, network: Network) -> _Outline:
    """Return area and length round marks, with their derivatives (Gauss's area formula)."""
    places = network.en[rows]
    factor = network.frame.combined_factor
    after, before = np.roll(places, -1, axis=0), np.roll(places, 1, axis=0)
    across = after - before
    twice = float((places[:, 0] * across[:, 1]).sum())
    turn = math.copysign(0.5, twice) / factor**2
    area = LinearForm(rows, across[:, 1] * turn, -across[:, 0] * turn, np.zeros(len(rows)))
    ring = np.append(rows, rows[0])
    step = np.diff(network.en[ring], axis=0)
    length = np.hypot(*step.T)
    around = _length_form(ring, step / length[:, None]) * (1 / factor)
    return (
        _measure(network, abs(twice) / 2 / factor**2, abs(twice) / 2, area),
        _measure(network, float(length.sum()) / factor, float(length.sum()), around),
    )
