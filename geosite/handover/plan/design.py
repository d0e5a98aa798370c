"""The sheet of a design: its edges, cut and fill, and the water on the designed ground."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from geosite.base.estimate import Estimate
from geosite.drawing.font import printable
from geosite.drawing.ink import TEXT, Stroke
from geosite.handover.layers.designs import file_name
from geosite.handover.model import Layer, Package, Raster
from geosite.handover.names import readable_name
from geosite.handover.plan.canvas import Canvas
from geosite.handover.plan.design_points import design_points
from geosite.handover.plan.elevation_bands import Band, band_rows, bands, fill
from geosite.handover.plan.side_column import Block, Column, more, stroke_sign
from geosite.handover.wording.measures import Measures, layer_of, told

__all__ = ["DESIGN_SHEET", "design_block", "designed_only", "draw_design"]

DESIGN_SHEET = "design_drawn"
"""Layer that makes a sheet that of a design: its edges and where it meets the ground."""

_EDGE = Stroke(TEXT, 0.5)
_MEETS = Stroke(TEXT, 0.25, (1.6, 0.8))
_LIES = Stroke(TEXT, 0.35, (3.0, 0.8, 0.5, 0.8))
#: What the lines of a design are drawn with, by their meaning, and what the legend says of them.
_LINES = {
    None: (_EDGE, "edge of the design"),
    "daylight": (_MEETS, "foot of its banks, on the ground"),
    "cut meets fill": (_LIES, "cut meets fill: it lies on the ground"),
}
_BUILT = ("areas", "lines")
_AROUND = ("parcels", "baseline")
_FINDINGS = frozenset({"design-pond", "design-fall", "design-partly-off-ground"})


def designed_only(package: Package, ground: Package, name: str) -> Package:
    """Return what is on the sheet of a design.

    Parameters
    ----------
    package
        Everything that leaves.
    ground
        The walked ground of it: areas, lines, inlets.
    name
        Of the design.
    """
    layers = [layer for layer in ground.layers if layer.name in _BUILT]
    layers += [layer for layer in package.layers if layer.name in _AROUND]
    layers += [_points(package), design_points(package, name)]
    tables = tuple(
        replace(table, records=[r for r in table.records if r["design"] == name])
        for table in package.tables
        if table.name in ("designs", "design_water", "design_parcels")
    )
    findings = tuple(
        f for f in package.findings if f.code in _FINDINGS and f.text.startswith(f"Design {name}:")
    )
    return replace(
        ground,
        layers=(*layers, *package.designed[name], _lines(package, name)),
        tables=tables,
        findings=findings,
    )


def _points(package: Package) -> Layer:
    """Return the inlets and the two marks of the baseline."""
    points, baseline = layer_of(package, "points"), layer_of(package, "baseline")
    if points is None:
        return Layer("points", "", "", "PointZ", (), [], [])
    ends = {
        record.get(end)
        for record in (baseline.records if baseline is not None else ())
        for end in ("from_point", "to_point")
    }
    inlets = {name for name, code in package.codes.items() if code.inlet}
    kept = [
        i for i, r in enumerate(points.records) if r.get("code") in inlets or r.get("point") in ends
    ]
    return replace(
        points,
        records=[points.records[i] for i in kept],
        geometries=[points.geometries[i] for i in kept],
    )


def _lines(package: Package, name: str) -> Layer:
    """Return edges and meeting lines of a design as one layer, its field ``meaning`` told."""
    records: list[Mapping[str, Any]] = []
    shapes: list[Any] = []
    for form in ("design_lines", "design_edges"):
        layer = layer_of(package, form)
        if layer is None:
            continue
        for record, shape in zip(layer.records, layer.geometries, strict=True):
            if record["design"] == name:
                records.append({"design": name, "meaning": record.get("meaning")})
                shapes.append(shape)
    return Layer(DESIGN_SHEET, name, "", "LineStringZ", (), records, shapes)


def _change(package: Package, measures: Measures) -> tuple[Band, ...]:
    """Return the bands of cut and fill: the designed ground less the walked one."""
    layer = layer_of(package, DESIGN_SHEET)
    by_name: dict[str, Raster] = {raster.name: raster for raster in package.rasters}
    if layer is None:
        return ()
    built = by_name.get(f"design_{file_name(layer.title)}")
    walked = by_name.get("elevation")
    if built is None or walked is None or built.values.shape != walked.values.shape:
        return ()
    per = package.frame.height_unit_m / measures.unit_m
    rise = (built.values.astype(np.float64) - walked.values.astype(np.float64)) * per
    # what two roundings of stored elevations make is no change
    return bands(np.where(np.abs(rise) > 1e-3, rise, 0.0), built.grid)


def draw_design(page: Canvas) -> None:
    """Draw cut and fill and the lines of the design, where the sheet is that of one."""
    layer = page.layer(DESIGN_SHEET)
    if layer is None:
        return
    for band in _change(page.package, page.measures):
        fill(page, band.shape, band.colour)
    for meaning, (pen, _) in _LINES.items():
        lines = [
            shape
            for record, shape in zip(layer.records, layer.geometries, strict=True)
            if record["meaning"] == meaning
        ]
        page.add("design", page.paper(lines), pen, 2)


def design_block(package: Package, measures: Measures) -> Block | None:
    """Return cut and fill, and what becomes of the water, with their intervals."""
    drawn = layer_of(package, DESIGN_SHEET)
    if drawn is None:
        return None
    there = {record["meaning"] for record in drawn.records}
    tables = {table.name: table.records for table in package.tables}
    found = _change(package, measures)
    volumes = [row for record in tables.get("designs", ()) for row in _volumes(record, measures)]
    # where there is no room for all: inlets before ponds, of which the map shows more
    water = sorted(tables.get("design_water", ()), key=lambda record: record["what"] == "pond")
    waters = [row for record in water for row in _waters(record, measures)]
    near = [_parcel_words(record, measures) for record in tables.get("design_parcels", ())]

    def block(column: Column, limit: int) -> None:
        k = column.k
        column.heading(f"Design: fill +, cut \N{MINUS SIGN}, {measures.unit}")
        band_rows(column, found)
        for meaning, (pen, words) in _LINES.items():
            if meaning in there:
                column.row(stroke_sign(pen, k), words)
        if volumes:
            column.table(("", "", "from", "to, 95 %"), volumes)
        for words in (*_excluded(package, drawn.title), *near):
            column.paragraph(words)
        if waters:
            column.gap(0.5)
            column.heading("Its water, before and after")
            column.table(("", "walked", "designed", "from", "to, 95 %"), waters[:limit])
            more(column, len(waters), limit, "design_water.csv")

    return block


def _excluded(package: Package, name: str) -> Iterator[str]:
    """Say that a design is one of several of which only one is built."""
    choices = () if package.report is None else package.report.alternatives
    if any(name in one.built for one in choices):
        yield "An alternative: where it is built, others are not; see the take-off."


def _parcel_words(record: Mapping[str, Any], measures: Measures) -> str:
    """Say how near the design comes to a parcel line.

    Examples
    --------
    >>> near = {"what": "banks", "parcel": "12", "distance_m": 0.3048, "distance_95_m": 0.03048}
    >>> _parcel_words(near | {"verdict": "clear"}, Measures("ft"))
    'With its banks to the line of parcel 12: 1.00 +/- 0.10 ft, clear'
    """
    reach = "With its banks to" if record["what"] == "banks" else "To"
    size = measures.with_interval(float(record["distance_m"]), record.get("distance_95_m"))
    parcel = printable(str(record["parcel"]))
    return f"{reach} the line of parcel {parcel}: {size}, {record['verdict']}"


def _read(record: Mapping[str, Any], name: str, unit: str) -> Estimate | None:
    value = record.get(f"{name}_{unit}" if unit else name)
    if value is None:
        return None
    ends = (record.get("_".join(p for p in (name, end, unit) if p)) for end in ("low", "high"))
    low, high = (float("nan") if end is None else float(end) for end in ends)
    return Estimate(float(value), low, high)


def _volumes(record: Mapping[str, Any], measures: Measures) -> Iterator[tuple[str, ...]]:
    unit = f"{measures.unit}\u00b3"
    rows = {key: _read(record, key, "m3") for key in _EARTH}
    if (rows["formation_cut"], rows["formation_fill"]) == (rows["cut"], rows["fill"]):
        rows |= {"formation_cut": None, "formation_fill": None}
    for key, found in rows.items():
        if found is not None:
            yield (f"{_EARTH[key]}, {unit}", *told(found, measures.unit_m**3))


_EARTH = {
    "cut": "cut",
    "fill": "fill",
    "formation_cut": "cut to formation",
    "formation_fill": "fill to formation",
}


#: Per kind of water: what it is, the power of the unit, least that is told.
_KINDS = {"pond": ("pond", 3, 0.01), "inlet": ("runs to", 2, 0.0), "fall": ("fall from", 0, 0.0)}


def _waters(record: Mapping[str, Any], measures: Measures) -> Iterator[tuple[str, ...]]:
    words, power, least = _KINDS[str(record["what"])]
    before, after = _read(record, "before", ""), _read(record, "after", "")
    if max((e.value for e in (before, after) if e is not None), default=0.0) < least:
        return
    unit = {3: f"{measures.unit}\u00b3", 2: f"{measures.unit}\u00b2", 0: "%"}[power]
    name = printable(readable_name(record["name"]))
    title = name if words == "pond" and not name.isdigit() else f"{words} {name}"
    if words == "pond" and title == "new":
        title = "new pond"
    per = measures.unit_m**power
    then = "none" if before is None else told(before, per)[0]
    now: Sequence[str] = ("none", "", "") if after is None else told(after, per)
    yield (f"{title}, {unit}", then, *now)
