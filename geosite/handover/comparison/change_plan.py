"""The sheet of what changed between two surveys."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.change.ground import GroundChange
from geosite.analysis.change.model import Change, MarkChange
from geosite.drawing.ink import PAPER, TEXT, Stroke
from geosite.drawing.labels import Line, around
from geosite.drawing.sheet import Outline, Shape, Sheet
from geosite.fieldbook.sitefile import Handover
from geosite.handover.comparison.sheet import (
    comparison_sheet,
    enlarged,
    extent_of,
    key_length,
    name_surfaces,
    signed,
    sure_block,
    vector_ends,
)
from geosite.handover.comparison.vectors import arrow_sign, draw_arrow, ellipse
from geosite.handover.model import Layer, Package
from geosite.handover.palette import ALERT, STROKES, WATER
from geosite.handover.plan.canvas import Canvas
from geosite.handover.plan.elevation_bands import Band, band_rows, bands, fill, swatch
from geosite.handover.plan.layout import Layout
from geosite.handover.plan.legend import scale_block
from geosite.handover.plan.map_linework import draw_grid, draw_sections
from geosite.handover.plan.side_column import Block, Column, Items, more, stroke_sign
from geosite.handover.plan.side_words import caution_block, look_block, place_block, title_block
from geosite.handover.plan.symbols import mark_symbol
from geosite.handover.wording.measures import Measures, told
from geosite.terrain.water.flow import polygons

__all__ = ["change_bands", "change_sheet"]

PENS = {
    "stable": Stroke(WATER, 0.25),
    "undecided": Stroke(ALERT, 0.3, (1.2, 0.7)),
    "moved": Stroke(ALERT, 0.65),
}
WORDS = {
    "stable": "stable: no more than noise",
    "undecided": "cannot be told",
    "moved": "moved",
}
LATER = Stroke(TEXT, 0.55)
"""Outlines of the second survey."""
COMPARED = "#f1f1ec"
_SMALL = 1.9


def change_bands(ground: GroundChange, unit_m: float = 1.0) -> tuple[Band, ...]:
    """Return the bands of the difference where it is more than noise.

    Parameters
    ----------
    ground
    unit_m
        Metres per unit of the sheet.
    """
    return bands(np.where(ground.significant, ground.rise, 0.0) / unit_m, ground.grid)


def change_sheet(change: Change, package: Package, later: Package, options: Handover) -> Sheet:
    """Return the sheet of a comparison of two surveys.

    Parameters
    ----------
    change
    package
        The first survey: frame, layers ``areas``, ``lines``, ``baseline``, and the findings.
    later
        The second survey, for the same layers.
    options
        ``[handover]``: paper and unit.
    """
    frame, measures = package.frame, Measures(options.unit)
    places = [mark.en[None, :] for mark in change.marks]
    shapes: list[BaseGeometry] = [shapely.MultiPoint(frame.to_map(np.vstack(places)))]
    found = () if change.ground is None else change_bands(change.ground, measures.unit_m)
    compared = None if change.ground is None else _compared(change.ground)
    shapes += [band.shape for band in found]
    lengths = [mark.horizontal.value for mark in change.marks]
    lengths += [mark.ellipse[0] for mark in change.marks]

    def draw(page: Canvas) -> None:
        times = enlarged(lengths, page.view.scale, page.k)
        _draw_ground(page, found, compared, later)
        _draw_marks(page, change, measures, times)
        _name_areas(page, later)

    def words(layout: Layout | None, dropped: int, lacking: bool) -> Sequence[Block]:
        at = (1.0, 1.0) if layout is None else (layout.view.scale, layout.lettering)
        blocks = (
            scale_block(package, measures, layout),
            _ground_block(change.ground, found, measures),
            _volume_block(change.ground, measures),
            _marks_block(change, measures, (enlarged(lengths, *at), *at)),
            _moved_block(change, measures),
            look_block(package, "the screen"),
            _signs_block(package, later),
            _sure_block(),
            place_block(package, measures, dropped, lacking, "displacements.csv"),
            caution_block(),
            title_block(package),
        )
        return [block for block in blocks if block is not None]

    days = " and ".join(day for day in (package.date, later.date) if day)
    drawn = package if not days else replace(package, date=days)
    called = "Change between two surveys,"
    return comparison_sheet(drawn, options, called, extent_of(shapes), (draw, words))


def _compared(ground: GroundChange) -> BaseGeometry:
    (shape,) = polygons(np.isfinite(ground.rise).astype(np.int32), ground.grid).values()
    return shape


def _draw_ground(
    page: Canvas, found: Sequence[Band], compared: BaseGeometry | None, later: Package
) -> None:
    draw_grid(page)
    if compared is not None:
        fill(page, compared, COMPARED)
    for band in found:
        fill(page, band.shape, band.colour)
    draw_sections(page)
    for survey, pen in ((page.package, STROKES["areas"]), (later, LATER)):
        for layer in _drawn(survey):
            page.add("outlines", page.paper(layer.geometries), pen, 2)


def _drawn(package: Package) -> list[Layer]:
    return [layer for layer in package.layers if layer.name in ("areas", "lines")]


def _draw_marks(page: Canvas, change: Change, measures: Measures, times: float) -> None:
    factor = page.view.frame.combined_factor
    order = {"moved": 0, "undecided": 1, "stable": 2}
    marks = sorted(change.marks, key=lambda mark: min(order[mark.plan], order[mark.level]))
    tips = []
    for mark in marks:
        shift = np.array([mark.east.value, mark.north.value]) * factor
        ends = vector_ends(page, mark.en, shift, times)
        major, minor, azimuth = mark.ellipse
        per_metre = 1000.0 / page.view.scale * times
        region = ellipse(ends[1], major * per_metre, minor * per_metre, azimuth)
        pen = PENS[mark.plan]
        thin = Stroke(pen.colour, 0.18, pen.dash_mm)
        page.shapes["ellipses"].append(Shape([Outline((region,), closed=True)], thin))
        page.board.cross([region], 1)
        x, y = ends[0].tolist()
        page.board.take(x, y, 0.8 * page.k)
        tips.append((ends, region))
    for mark, (ends, _) in zip(marks, tips, strict=True):
        _sign(page, mark, ends)
    for mark, (ends, region) in zip(marks, tips, strict=True):
        _label(page, measures, mark, ends, region)


def _name_areas(page: Canvas, later: Package) -> None:
    for survey in (later, page.package):
        for layer in _drawn(survey):
            if layer.name == "areas":
                name_surfaces(page, layer, later=survey is later)


def _sign(page: Canvas, mark: MarkChange, ends: np.ndarray) -> None:
    draw_arrow(page, "displacements", ends, PENS[mark.plan])
    x, y = ends[0].tolist()
    fill = TEXT if mark.plan == mark.level == "stable" else PAPER
    page.shapes["points"].append(Shape([mark_symbol(x, y, page.k)], STROKES["points"], fill))


def _label(
    page: Canvas, measures: Measures, mark: MarkChange, ends: np.ndarray, region: np.ndarray
) -> None:
    lines: list[Line] = [page.line(mark.name, bold=mark.plan == "moved" or mark.level == "moved")]
    sign = {"moved": "", "undecided": " ?"}
    if mark.plan != "stable":
        size = signed(mark.horizontal, measures).lstrip("+")
        lines.append(page.line(f"plan {size}{sign[mark.plan]}", size=_SMALL, colour=ALERT))
    if mark.level != "stable":
        text = f"height {signed(mark.up, measures)}{sign[mark.level]}"
        lines.append(page.line(text, size=_SMALL, colour=ALERT))
    width = max(line.width for line in lines)
    height = sum(line.size for line in lines) * 1.18
    x, y = ends[0].tolist()
    near = np.vstack([around(x, y, width, height, gap * page.k) for gap in (1.2, 3.0)])
    across, down = ((region.min(axis=0) + region.max(axis=0)) / 2).tolist()
    reach = float(np.ptp(region, axis=0).max()) / 2
    far = around(across, down, width, height, reach + 0.8 * page.k)
    page.write("displacements", lines, np.vstack([near, far]))


def _ground_block(
    ground: GroundChange | None, found: Sequence[Band], measures: Measures
) -> Block | None:
    if ground is None:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading(f"Rise of the ground, {measures.unit}, where it is more than noise")
        band_rows(column, found)
        if not found:
            column.paragraph("Nowhere is it more than noise.")
        column.row(
            swatch(COMPARED, column.k),
            "compared, no change seen" if found else "compared",
            measures.area(ground.compared_m2 - ground.raised_m2 - ground.lowered_m2),
        )

    return block


def _volume_block(ground: GroundChange | None, measures: Measures) -> Block | None:
    if ground is None:
        return None
    cubic = measures.unit_m**3
    rows = [
        (f"{way}, on {measures.area(area)}", *told(volume, cubic))
        for way, area, volume in (
            ("rose", ground.raised_m2, ground.raised),
            ("fell", ground.lowered_m2, ground.lowered),
        )
        if area > 0
    ]
    rows.append(("all that was compared, net", *told(ground.net, cubic, sign=True)))

    def block(column: Column, limit: int) -> None:
        column.heading(f"Volumes, {measures.unit}\u00b3")
        column.table(("", "", "from", "to, 95 %"), rows)

    return block


def _marks_block(change: Change, measures: Measures, key: tuple[float, float, float]) -> Block:
    times, scale, lettering = key
    length, drawn = key_length(times, scale, lettering, measures.unit_m)
    found: Counter[str] = Counter(mark.plan for mark in change.marks)

    def block(column: Column, limit: int) -> None:
        k = column.k
        column.heading(f"Common marks in plan, drawn {times:g} times larger")
        for verdict, words in WORDS.items():
            if found[verdict]:
                column.row(arrow_sign(PENS[verdict], k), words, str(found[verdict]))
        column.row(_region_sign(k), "holds the end of the arrow, 95 %")
        column.row(
            arrow_sign(Stroke(TEXT, 0.35), k, min(drawn, 9.0 * k)),
            "first to second survey, this long:",
            f"{length / measures.unit_m:g} {measures.unit}",
        )

    return block


def _region_sign(k: float) -> Callable[[float, float], Items]:
    def sign(x: float, y: float) -> Items:
        region = ellipse(np.array([x, y]), 3.2 * k, 1.2 * k, math.pi / 2)
        return [Shape([Outline((region,), closed=True)], Stroke(WATER, 0.18), PAPER)]

    return sign


def _moved_block(change: Change, measures: Measures) -> Block | None:
    rows = []
    for mark in change.marks:
        if mark.plan != "stable":
            rows.append(
                (f"{mark.name}, plan, {mark.plan}", *told(mark.horizontal, measures.unit_m))
            )
        if mark.level != "stable":
            up = told(mark.up, measures.unit_m, sign=True)
            rows.append((f"{mark.name}, height, {mark.level}", *up))
    if not rows:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading(f"Marks that are not stable, {measures.unit}")
        column.table(("", "", "from", "to, 95 %"), rows[:limit])
        more(column, len(rows), limit, "displacements.csv")

    return block


def _signs_block(package: Package, later: Package) -> Block:
    def block(column: Column, limit: int) -> None:
        k = column.k
        column.heading("Signs")
        if _drawn(package):
            column.row(stroke_sign(STROKES["areas"], k), f"first survey {package.date}".rstrip())
        if _drawn(later):
            column.row(stroke_sign(LATER, k), f"second survey {later.date}".rstrip())

    return block


def _sure_block() -> Block:
    words = (
        "The common marks are tested together and one by one at 95 % (congruency test); what "
        "shifts, turns or lifts all of them alike is no movement. Volumes of what rose and what "
        "fell count the places whose change is more than noise; the net counts all."
    )
    return sure_block(words)
