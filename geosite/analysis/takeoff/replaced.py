"""What designs lay something else on is not ordered: walked surfaces and lines under their parts.

The overlap's area moves with the marks that its outline lies on: along a stretch of it the change
is the way that the stretch moves outwards times its length (the first variation of an area). A
stretch on an outline that the site file gives in numbers stays where it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.takeoff.covered_lines import covered_length
from geosite.analysis.takeoff.designed import DesignPart
from geosite.analysis.takeoff.outlines import ON_M, Outline, moved_with
from geosite.analysis.takeoff.quantities import Quantity, TakeOff, scaled, total
from geosite.base.arrays import Floats
from geosite.fieldbook.sitefile import Code
from geosite.linework.measures import sum_of_forms
from geosite.linework.model import Drawing, Feature, Measure
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

__all__ = ["without_replaced"]

_ALL = 1e-6
"""A surface is replaced as a whole where no larger share of it is left."""
_LEAST_M2 = 0.01
"""Less is where two outlines meet, and replaces nothing."""


def without_replaced(
    taken: TakeOff,
    drawing: Drawing,
    network: Network,
    parts: Sequence[DesignPart],
    codes: Mapping[str, Code],
) -> TakeOff:
    """Take off the order the surfaces and lines that parts with a code of areas are laid on.

    Parameters
    ----------
    taken
        The take-off of what was walked; what is measured stays as it is.
    drawing, network
        The survey.
    parts
        Of all designs. Ground that several cover counts once. A part without a code says nothing
        of its surface and replaces nothing, nor do banks.
    codes
        ``[codes]``, for waste and coverage.

    Examples
    --------
    A pad of 4 by 3 m, given in numbers, inside a yard of 10 by 5 m:

    >>> from geosite.analysis.takeoff.quantities import take_off
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.linework.draw import draw
    >>> from geosite.network.independent_marks import independent_marks
    >>> rows = ["R1,A,0,0,0,yard", "R1,B,10,0,0,yard", "R1,C,10,5,0,yard", "R1,D,0,5,0,yard"]
    >>> notes = Notes.of(book_from_text(chr(10).join(["run,point,x,y,z,feature", *rows])))
    >>> network = independent_marks(notes.book.local, sigma_m=0.02)
    >>> drawing = draw(notes, network)
    >>> pad = DesignPart("new", "pad", "pad", Quantity("", "", "area", 1), shapely.box(2, 1, 6, 4))
    >>> (yard,) = without_replaced(
    ...     take_off(notes, network, drawing), drawing, network, [pad], {}
    ... ).features
    >>> yard.replaced.value, yard.replaced.sigma, yard.order_area.value
    (12.0, 0.0, 38.0)
    """
    laid = [part for part in parts if part.shape is not None and part.shape.area > 0]
    if not laid:
        return taken
    surveyed = {f.name: f for f in drawing.features}
    shapes = {
        f.name: taken.outlines.get(f.name, shapely.force_2d(f.geometry))
        for f in drawing.features
        if f.kind == "area"
    }
    rings = [Outline(p.shape.boundary, p.ring) for p in laid if p.shape is not None and len(p.ring)]
    grounds = [part.shape for part in laid if part.shape is not None]
    tree = shapely.STRtree(grounds)
    features = []
    for quantity in taken.features:
        feature, code = surveyed[quantity.feature], codes.get(quantity.code)
        if quantity.length is not None:
            met = np.sort(tree.query(feature.geometry)).tolist()
            under = [(laid[i], grounds[i]) for i in met]
            features.append(_line(quantity, feature, under, rings, network))
            continue
        net, built = quantity.net_area, code is not None and code.building
        met = np.sort(tree.query(shapes[feature.name])).tolist() if net and not built else []
        if net is None or not met:
            features.append(quantity)
            continue
        inner = [shapes[name] for name in feature.inside if name in shapes]
        left = shapely.difference(shapes[feature.name], shapely.union_all(inner))
        common = {i: shapely.intersection(left, grounds[i]) for i in met}
        common = {i: shape for i, shape in common.items() if shape.area > _LEAST_M2}
        if not common:
            features.append(quantity)
            continue
        own = [
            Outline(shapes[name].boundary, surveyed[name].rows)
            for name in (feature.name, *(n for n in feature.inside if n in shapes))
        ]
        covered = shapely.union_all(list(common.values()))
        replaced = net
        if covered.area < (1 - _ALL) * left.area:
            replaced = _area(covered, [*own, *rings], network)
        names = tuple(f"{laid[i].part} of design {laid[i].design}" for i in common)
        features.append(_left(quantity, replaced, names, code, network))
    if all(a is b for a, b in zip(features, taken.features, strict=True)):
        return taken
    by_code: dict[str, list[Quantity]] = {}
    for quantity in features:
        by_code.setdefault(quantity.code, []).append(quantity)
    totals = tuple(total(network, code, some) for code, some in by_code.items())
    return replace(taken, features=tuple(features), codes=totals)


def _line(
    quantity: Quantity,
    line: Feature,
    under: Sequence[tuple[DesignPart, BaseGeometry]],
    rings: Sequence[Outline],
    network: Network,
) -> Quantity:
    """Return a line of which a part lies under designs: what is left of it is ordered."""
    own = [(p, ground) for p, ground in under if covered_length(line, ground, rings, network)]
    if not own or quantity.length is None:
        return quantity
    replaced = covered_length(line, shapely.union_all([g for _, g in own]), rings, network)
    assert replaced is not None  # of each part there is some
    names = tuple(f"{part.part} of design {part.design}" for part, _ in own)
    found = replace(quantity, replaced_length=replaced, replaced_by=names)
    if not quantity.order_by:
        return found
    left = scaled(quantity.length, 0.0)
    if replaced is not quantity.length:
        form = sum_of_forms([quantity.length.form, replaced.form * -1.0])
        (sigma,), (half,) = accuracies(network, [form])
        value, grid = quantity.length.value - replaced.value, quantity.length.grid - replaced.grid
        left = Measure(value, grid, form, float(sigma), float(half))
    order = scaled(left, 1 + quantity.waste_percent / 100)
    return replace(found, left_length=left, order_length=order)


def _area(shape: BaseGeometry, rings: Sequence[Outline], network: Network) -> Measure:
    """Return an area with its derivative with respect to the marks that its outline lies on."""
    factor = network.frame.combined_factor
    forms = []
    for part in shapely.get_parts(shape):
        polygon = shapely.orient_polygons(part)
        if polygon.geom_type != "Polygon":
            continue
        for ring in (polygon.exterior, *polygon.interiors):
            forms += _moved(shapely.get_coordinates(ring), rings, network)
    value = float(shape.area)
    form = sum_of_forms(forms) * (1 / factor**2) if forms else _NO_FORM
    (sigma,), (half,) = accuracies(network, [form]) if forms else (np.zeros(1), np.zeros(1))
    return Measure(value / factor**2, value, form, float(sigma), float(half))


_NO_FORM = LinearForm(np.zeros(0, np.int64), np.zeros(0), np.zeros(0), np.zeros(0))


def _moved(ring: Floats, rings: Sequence[Outline], network: Network) -> list[LinearForm]:
    """Return what the stretches of a ring, its area on the left, add to the area as they move."""
    forms = []
    middles = (ring[1:] + ring[:-1]) / 2
    step = np.diff(ring, axis=0)
    outward = np.column_stack([step[:, 1], -step[:, 0]])  # to the right, as long as the stretch
    free = np.ones(len(step), dtype=bool)
    for one in rings:
        on = np.flatnonzero(free & (shapely.distance(shapely.points(middles), one.line) < ON_M))
        free[on] = False
        forms += [moved_with(one, middles[i], outward[i], network) for i in on.tolist()]
    return forms


def _left(
    quantity: Quantity,
    replaced: Measure,
    names: tuple[str, ...],
    code: Code | None,
    network: Network,
) -> Quantity:
    """Return a quantity of which a part is replaced: what is left of it is ordered."""
    found = replace(quantity, replaced=replaced, replaced_by=names)
    net, surface, volume = quantity.net_area, quantity.surface_area, quantity.volume
    if not quantity.order_by or net is None or surface is None:
        return found

    def left(whole: Measure) -> Measure:
        """Return the same share of the whole as is left of the net area, by the product rule."""
        part = replaced.value / net.value
        if replaced is net:
            return scaled(whole, 0.0)
        form = sum_of_forms(
            [
                whole.form * (1 - part),
                replaced.form * (-whole.value / net.value),
                net.form * (whole.value * part / net.value),
            ]
        )
        (sigma,), (half,) = accuracies(network, [form])
        value, grid = whole.value * (1 - part), whole.grid * (1 - part)
        return Measure(value, grid, form, float(sigma), float(half))

    order = 1 + quantity.waste_percent / 100
    area = left(surface)
    deep = None if volume is None else left(volume)
    coverage = None if code is None else code.coverage
    return replace(
        found,
        left_area=area,
        left_volume=deep,
        order_area=scaled(area, order),
        order_volume=None if deep is None else scaled(deep, order),
        order_material=None if coverage is None else scaled(area, order / coverage),
    )
