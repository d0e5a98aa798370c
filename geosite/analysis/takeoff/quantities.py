"""The take-off: how much of everything, per feature and per code, each with its sigma."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely

from geosite.analysis.takeoff.draped import Draped, Triangles, drape
from geosite.analysis.takeoff.edge_pairs import EdgePair, edge_pairs
from geosite.analysis.takeoff.shared_edges import Snapped, neighbours, shared_edges, snap
from geosite.base.errors import InputError, Problem
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code
from geosite.linework.measures import sum_of_forms
from geosite.linework.model import Drawing, Feature, Measure
from geosite.linework.nesting import STRAY_WIDTH_M, direct_children
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

if TYPE_CHECKING:
    from shapely.geometry import Polygon
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "EdgePair",
    "OrderBy",
    "Quantity",
    "TakeOff",
    "ordered",
    "scaled",
    "take_off",
    "total",
]

OrderBy = Literal["", "material", "volume", "area", "length", "pieces"]


@dataclass(frozen=True, eq=False)
class Quantity:
    """How much of one feature, or of all features of one code. ``None`` where it does not apply.

    Parameters
    ----------
    feature
        Name of the feature, empty for a code's total.
    code
        Its code, empty for none.
    kind
        ``area``, ``line`` or ``point``; of a code's total that of its first feature.
    count
        Pieces: 1 for an area or a line, the number of marks for points; the sum for a total.
    gross_area, net_area
        Plan area within the outline; without the areas directly inside.
    surface_area
        Net area on the slope of the ground.
    covered
        Share of the net area that the surface reaches; the rest takes the slope of that share.
    perimeter, edging
        Length of the outline; without its gaps.
    length, length_3d
        Horizontal length of a line; along the slope, metres.
    depth_m, volume
        Depth of material, measured plumb; net area times depth.
    material, material_unit
        Surface area divided by coverage, in units of material.
    waste_percent
        Added to what is ordered.
    order_area, order_volume, order_material, order_length
        Surface area, volume, material and line length with waste; none of what is not ordered.
    existing
        It is there and stays.
    counted_in
        Code that the same thing is ordered by.
    replaced, replaced_by
        Net area that designs lay something else on, and their parts.
    replaced_length
        Of a line, the same.
    left_area, left_volume, left_length
        Surface area, volume and length without that, where something of what is ordered is
        replaced.
    area_change_m2, net_area_change_m2
        What making one edge of two has changed; contained in the areas.
    """

    feature: str
    code: str
    kind: Literal["area", "line", "point"]
    count: int
    gross_area: Measure | None = None
    net_area: Measure | None = None
    surface_area: Measure | None = None
    covered: float | None = None
    perimeter: Measure | None = None
    edging: Measure | None = None
    length: Measure | None = None
    length_3d: Measure | None = None
    depth_m: float | None = None
    volume: Measure | None = None
    material: Measure | None = None
    material_unit: str = ""
    waste_percent: float = 0.0
    order_area: Measure | None = None
    order_volume: Measure | None = None
    order_material: Measure | None = None
    order_length: Measure | None = None
    existing: bool = False
    counted_in: str = ""
    replaced: Measure | None = None
    replaced_by: tuple[str, ...] = ()
    replaced_length: Measure | None = None
    left_area: Measure | None = None
    left_volume: Measure | None = None
    left_length: Measure | None = None
    area_change_m2: float = 0.0
    net_area_change_m2: float = 0.0

    @property
    def order_by(self) -> OrderBy:
        """The one measure it is ordered by: the others are the same thing in another unit."""
        if self.existing or self.counted_in:
            return ""
        if self.kind == "point":
            return "pieces"
        if self.kind == "line":
            return "length"
        if self.order_material is not None:
            return "material"
        return "volume" if self.order_volume is not None else "area"


@dataclass(frozen=True, eq=False)
class TakeOff:
    """The take-off of a survey.

    Parameters
    ----------
    features
        One quantity per feature, in field-book order.
    codes
        One total per code, in order of first appearance; features without a code make the total
        of the empty code.
    edges
        Shared edges of areas.
    outlines
        New outlines by feature name where edges were snapped, local grid metres, no elevations.
    tolerance_m
        How far edges were moved to make them one; 0 for not at all.
    has_ground
        There was a surface to lay the areas on.
    """

    features: tuple[Quantity, ...]
    codes: tuple[Quantity, ...]
    edges: tuple[EdgePair, ...]
    outlines: Mapping[str, Polygon]
    tolerance_m: float = 0.0
    has_ground: bool = False


def take_off(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Triangles | None = None,
) -> TakeOff:
    """Take off quantities per feature and per code.

    With ``shared_edge_tolerance`` of ``[quantities]`` above 0, edges of neighbouring areas that
    differ by less are made one, and the change is stated per feature; with 0 they are reported.

    Parameters
    ----------
    notes
        For ``[codes]`` and ``[quantities]``.
    network, drawing
        The adjusted and drawn survey.
    ground
        Triangulated surface. Without it surface areas are those of the plan.
    """
    areas = [f for f in drawing.features if f.kind == "area"]
    polygons: list[Polygon] = [f.geometry for f in areas]  # type: ignore[misc]
    children, overlaps = direct_children(polygons)
    tolerance = notes.site.quantities.shared_edge_tolerance
    width = tolerance or STRAY_WIDTH_M
    disputed = {(o.first, o.second) for o in overlaps if not o.is_sliver}
    near = neighbours(polygons, children, disputed, width)
    edges = shared_edges(polygons, near, width)
    snapped = snap(polygons, children, near, edges, tolerance) if tolerance else Snapped({}, ())

    outlines = [snapped.outlines.get(k, p) for k, p in enumerate(polygons)]
    left = _left(outlines, children)
    changes = _changes(polygons, children, outlines, left) if snapped.outlines else {}
    surface = ground or Triangles(np.zeros((0, 3)), np.zeros((0, 3), np.int64))
    draped = drape(left, surface, network.frame.combined_factor)
    place = {f.name: k for k, f in enumerate(areas)}
    same = _counted_in(notes, {f.code for f in drawing.features})
    features = []
    for feature in drawing.features:
        k = place.get(feature.name)
        change = changes.get(k, _NO_CHANGE) if k is not None else _NO_CHANGE
        found = _quantity(network, feature, (surface, draped[k]) if k is not None else None, change)
        code = notes.site.codes.get(feature.code)
        features.append(ordered(found, code, same.get(feature.code, "")))
    by_code: dict[str, list[Quantity]] = {}
    for quantity in features:
        by_code.setdefault(quantity.code, []).append(quantity)

    pairs = edge_pairs(network, areas, edges, snapped, tolerance)
    return TakeOff(
        tuple(features),
        tuple(total(network, code, some) for code, some in by_code.items()),
        pairs,
        {areas[k].name: outline for k, outline in sorted(snapped.outlines.items())},
        tolerance,
        ground is not None,
    )


@dataclass(frozen=True, slots=True)
class _Change:
    """What snapping has done to one area, grid metres and square metres."""

    area: float
    net_area: float
    perimeter: float


_NO_CHANGE = _Change(0.0, 0.0, 0.0)


def _left(outlines: Sequence[Polygon], children: Sequence[Sequence[int]]) -> list[BaseGeometry]:
    """Return what is left of each outline beside those directly inside it."""
    return [
        shapely.difference(own, shapely.union_all([outlines[c] for c in inner])) if inner else own
        for own, inner in zip(outlines, children, strict=True)
    ]


def _changes(
    before: Sequence[Polygon],
    children: Sequence[Sequence[int]],
    after: Sequence[Polygon],
    left: Sequence[BaseGeometry],
) -> dict[int, _Change]:
    """Compare outlines before and after snapping."""
    moved = {k for k, (a, b) in enumerate(zip(before, after, strict=True)) if a is not b}
    changes = {}
    for k, inner in enumerate(children):
        if k not in moved and not moved.intersection(inner):
            continue
        # as the drawing counts: what is inside comes off in full, even where it sticks out
        covered = shapely.union_all([before[c] for c in inner])
        changes[k] = _Change(
            area=float(after[k].area - before[k].area),
            net_area=float(left[k].area - (before[k].area - covered.area)),
            perimeter=float(after[k].length - before[k].length),
        )
    return changes


def _shifted(measure: Measure | None, grid_change: float, to_ground: float) -> Measure | None:
    """Add a change that snapping made; to first order the sigma stays."""
    if measure is None or grid_change == 0.0:
        return measure
    return replace(
        measure, value=measure.value + grid_change * to_ground, grid=measure.grid + grid_change
    )


def scaled(measure: Measure, factor: float) -> Measure:
    """Return a measure in a unit that is `factor` times as fine.

    Examples
    --------
    >>> none = np.zeros(0)
    >>> exact = Measure(2.0, 2.0, LinearForm(none, none, none, none), 0.1, 0.2)
    >>> scaled(exact, 3.0).value, round(scaled(exact, 3.0).half_width, 9)
    (6.0, 0.6)
    """
    return Measure(
        measure.value * factor,
        measure.grid * factor,
        measure.form * factor,
        measure.sigma * abs(factor),
        measure.half_width * abs(factor),
    )


def _on_slope(network: Network, net: Measure, surface: Triangles, draped: Draped) -> Measure:
    """Return an area on the slope of the ground: larger by a factor that has its own error."""
    if surface.rows is None:
        return scaled(net, draped.factor)
    none = np.zeros(len(draped.points))
    steeper = LinearForm(surface.rows[draped.points], none, none, draped.change * net.value)
    form = net.form * draped.factor + steeper
    (sigma,), (half_width,) = accuracies(network, [form])
    value, grid = net.value * draped.factor, net.grid * draped.factor
    return Measure(value, grid, form, float(sigma), float(half_width))


def ordered(quantity: Quantity, code: Code | None, counted_in: str = "") -> Quantity:
    """Add volume and material of a quantity, and what of it is to be ordered.

    Parameters
    ----------
    quantity
        With its areas or lengths.
    code
        What ``[codes]`` says of it.
    counted_in
        Code that the same thing is ordered by, blank for none.

    Examples
    --------
    Fifty pieces, of a code that says nothing:

    >>> ordered(Quantity("posts", "post", "point", 50), None).order_by
    'pieces'
    """
    waste = code.waste_percent if code is not None else 0.0
    order = 1.0 + waste / 100.0
    # a building is no material, and stays
    existing = code is not None and (code.existing or code.building)
    added = not existing and not counted_in

    def with_waste(measure: Measure | None) -> Measure | None:
        return scaled(measure, order) if added and measure is not None else None

    net, surface = quantity.net_area, quantity.surface_area
    depth = code.depth if code is not None and net is not None else None
    coverage = code.coverage if code is not None and surface is not None else None
    volume = None if depth is None or net is None else scaled(net, depth)
    material = None if coverage is None or surface is None else scaled(surface, 1.0 / coverage)
    return replace(
        quantity,
        waste_percent=waste,
        depth_m=depth,
        volume=volume,
        material=material,
        material_unit=code.coverage_unit if code is not None and coverage is not None else "",
        order_area=with_waste(surface),
        order_volume=with_waste(volume),
        order_material=with_waste(material),
        order_length=with_waste(quantity.length),
        existing=existing,
        counted_in=counted_in,
    )


def _counted_in(notes: Notes, measured: set[str]) -> dict[str, str]:
    """Return by code the one that the same thing is counted in, where that was measured too.

    Raises
    ------
    InputError
        A code that does not exist, is itself, or is counted in a third one; all of them.
    """
    codes = notes.site.codes
    found, problems = dict[str, str](), list[Problem]()
    for name, code in codes.items():
        other = code.counted_in
        if other is None:
            continue
        if other in codes and other != name and codes[other].counted_in is None:
            if other in measured:
                found[name] = other
            continue
        why = (
            "that is itself"
            if other == name
            else f"that is counted in {codes[other].counted_in}"
            if other in codes
            else "that [codes] does not explain"
        )
        try:
            with notes.asked("codes", name, "counted_in"):
                raise InputError(
                    Problem(
                        "counted-in",
                        f"{name} is counted in {other}, {why}",
                        "another code that is ordered",
                        "name the code that the thing is ordered by, or take the key out",
                        notes.site_file,
                    )
                )
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return found


def _quantity(
    network: Network,
    feature: Feature,
    on_ground: tuple[Triangles, Draped] | None,
    change: _Change,
) -> Quantity:
    """Return areas and lengths of a feature."""
    to_ground = 1.0 / network.frame.combined_factor
    base = Quantity(
        feature=feature.name,
        code=feature.code,
        kind=feature.kind,
        count=len(shapely.get_parts(feature.geometry)) if feature.kind == "point" else 1,
    )
    if feature.kind == "line" and feature.length is not None:
        return replace(base, length=feature.length, length_3d=feature.length_3d)
    if feature.kind == "point" or on_ground is None:
        return base
    net = _shifted(feature.net_area, change.net_area, to_ground**2)
    assert net is not None
    return replace(
        base,
        gross_area=_shifted(feature.area, change.area, to_ground**2),
        net_area=net,
        surface_area=_on_slope(network, net, *on_ground),
        covered=on_ground[1].covered,
        perimeter=_shifted(feature.perimeter, change.perimeter, to_ground),
        edging=_shifted(feature.edging, change.perimeter, to_ground),
        area_change_m2=change.area * to_ground**2,
        net_area_change_m2=change.net_area * to_ground**2,
    )


def _sum(network: Network, measures: Iterable[Measure | None]) -> Measure | None:
    """Add measures up; marks that several share are counted as the same marks in the sigma."""
    given = [m for m in measures if m is not None]
    if not given:
        return None
    form = sum_of_forms([m.form for m in given])
    # what a design states hangs on no mark and is exact
    known = accuracies(network, [form]) if len(form.rows) else (np.zeros(1), np.zeros(1))
    (sigma,), (half_width,) = known
    return Measure(
        sum(m.value for m in given),
        sum(m.grid for m in given),
        form,
        float(sigma),
        float(half_width),
    )


def total(network: Network, code: str, items: Sequence[Quantity]) -> Quantity:
    """Add up the quantities of one code; what they share in the survey's errors is counted so."""
    if len(items) == 1:
        return replace(items[0], feature="")
    surface = _sum(network, (q.surface_area for q in items))
    reached = [(q.net_area.value, q.covered) for q in items if q.net_area and q.covered is not None]
    whole = sum(area for area, _ in reached)
    cut = any(q.left_area is not None for q in items)
    shorter = any(q.left_length is not None for q in items)
    return Quantity(
        feature="",
        code=code,
        kind=items[0].kind,
        count=sum(q.count for q in items),
        gross_area=_sum(network, (q.gross_area for q in items)),
        net_area=_sum(network, (q.net_area for q in items)),
        surface_area=surface,
        covered=sum(area * share for area, share in reached) / whole if whole > 0.0 else None,
        perimeter=_sum(network, (q.perimeter for q in items)),
        edging=_sum(network, (q.edging for q in items)),
        length=_sum(network, (q.length for q in items)),
        length_3d=_sum(network, (q.length_3d for q in items)),
        depth_m=items[0].depth_m,
        volume=_sum(network, (q.volume for q in items)),
        material=_sum(network, (q.material for q in items)),
        material_unit=items[0].material_unit,
        waste_percent=items[0].waste_percent,
        order_area=_sum(network, (q.order_area for q in items)),
        order_volume=_sum(network, (q.order_volume for q in items)),
        order_material=_sum(network, (q.order_material for q in items)),
        order_length=_sum(network, (q.order_length for q in items)),
        existing=items[0].existing,
        counted_in=items[0].counted_in,
        replaced=_sum(network, (q.replaced for q in items)),
        replaced_by=tuple(dict.fromkeys(by for q in items for by in q.replaced_by)),
        replaced_length=_sum(network, (q.replaced_length for q in items)),
        left_area=_sum(network, (q.left_area or q.surface_area for q in items)) if cut else None,
        left_volume=_sum(network, (q.left_volume or q.volume for q in items)) if cut else None,
        left_length=_sum(network, (q.left_length or q.length for q in items)) if shorter else None,
        area_change_m2=sum(q.area_change_m2 for q in items),
        net_area_change_m2=sum(q.net_area_change_m2 for q in items),
    )
