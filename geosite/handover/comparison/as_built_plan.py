"""The sheet of what was built against what was designed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import shapely

from geosite.analysis.as_built.model import AsBuilt, Deviation, Plan
from geosite.analysis.as_built.surfaces import SurfaceDeviation
from geosite.analysis.design_ground.zones import Edge
from geosite.base.estimate import Estimate
from geosite.drawing.font import Weight, printable
from geosite.drawing.ink import PAPER, TEXT, Stroke
from geosite.drawing.labels import Line, around
from geosite.drawing.sheet import Shape, Sheet, Text
from geosite.fieldbook.sitefile import Code, Handover
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
from geosite.handover.comparison.vectors import (
    PENS,
    arrow_sign,
    draw_arrow,
    draw_patch,
    patch_sign,
)
from geosite.handover.model import Package
from geosite.handover.palette import ALERT, STROKES, WATER
from geosite.handover.plan.canvas import LETTERING, Canvas
from geosite.handover.plan.layout import Layout
from geosite.handover.plan.legend import scale_block
from geosite.handover.plan.map_linework import draw_areas, draw_grid, draw_lines, draw_sections
from geosite.handover.plan.side_column import Block, Column, Items, more, stroke_sign
from geosite.handover.plan.side_words import caution_block, look_block, place_block, title_block
from geosite.handover.plan.symbols import mark_symbol
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.measures import Measures, told

__all__ = ["as_built_sheet"]

DESIGN = Stroke(TEXT, 0.3, (2.4, 0.9))
"""Edges as they were designed."""
VERDICTS = ("within", "undecided", "beyond")
WORDS = {
    "within": "within the tolerance",
    "undecided": "cannot be told",
    "beyond": "beyond the tolerance",
}
INKS = {"within": WATER, "undecided": ALERT, "beyond": ALERT, None: TEXT}
_URGENT = {"beyond": 0, "undecided": 1, "within": 3, None: 3}
_BEHIND = {"beyond": " !", "undecided": " ?"}
_SMALL = 1.9


def as_built_sheet(made: AsBuilt, plan: Plan, package: Package, options: Handover) -> Sheet:
    """Return the sheet of a comparison with a design.

    Parameters
    ----------
    made, plan
        The comparison, and the design it was made with.
    package
        The survey of what was built: its layers ``areas``, ``lines``, ``baseline``, its codes, and
        the findings of the comparison.
    options
        ``[handover]``: paper and unit.
    """
    frame, measures = package.frame, Measures(options.unit)
    edges = [edge for edge in plan.edges if _met(edge.name, made)]
    parts = [patch.shape for surface in made.surfaces for patch in surface.patches]
    places = [d.place[None, :2] for d in made.deviations]
    places += [edge.places[:, :2] for edge in edges]
    places += [shapely.get_coordinates(part) for part in parts]
    extent = extent_of([shapely.MultiPoint(frame.to_map(np.vstack(places)))])
    lengths = [abs(d.plan.value) for d in made.deviations if d.plan is not None]

    def draw(page: Canvas) -> None:
        _draw(page, made, plan, measures, enlarged(lengths, page.view.scale, page.k))

    def words(layout: Layout | None, dropped: int, lacking: bool) -> Sequence[Block]:
        at = (1.0, 1.0) if layout is None else (layout.view.scale, layout.lettering)
        key = (enlarged(lengths, *at), *at)
        blocks = (
            scale_block(package, measures, layout),
            _plan_block(made, measures, key),
            _height_block(made, measures),
            _tolerance_block(made, measures),
            *(_surface_block(one, package.codes, measures) for one in made.surfaces),
            look_block(package, "deviations.csv and on the screen"),
            _signs_block(made, plan),
            _accuracy_block(),
            place_block(package, measures, dropped, lacking, "deviations.csv"),
            caution_block(),
            title_block(package),
        )
        return [block for block in blocks if block is not None]

    return comparison_sheet(package, options, "As built against the design,", extent, (draw, words))


def _met(name: str, made: AsBuilt) -> bool:
    """Return whether an edge of the design was compared: others may lie far away."""
    return any(d.what == "edge" and d.name.rpartition("+")[0] == name for d in made.deviations)


def _draw(page: Canvas, made: AsBuilt, plan: Plan, measures: Measures, times: float) -> None:
    frame = page.package.frame
    draw_grid(page)
    draw_areas(page)
    for surface in made.surfaces:
        for verdict in VERDICTS:
            parts = [p.shape for p in surface.patches if p.verdict == verdict]
            if parts:
                draw_patch(page, [shapely.transform(p, frame.to_map) for p in parts], verdict)
    draw_lines(page)
    draw_sections(page)
    edges = [shapely.LineString(frame.to_map(edge.places[:, :2])) for edge in _edges(plan)]
    page.add("design", page.paper(edges), DESIGN, 2)
    found = sorted(made.deviations, key=_urgency)
    tips = [_vector(page, deviation, times) for deviation in found]
    for deviation, (x, y) in zip(found, tips, strict=True):
        _label(page, measures, deviation, x, y)
    areas = page.layer("areas")
    if areas is not None:
        name_surfaces(page, areas, later=True)


def _edges(plan: Plan) -> tuple[Edge, ...]:
    """Return the edges of a design, of one that has none the outlines of its parts."""
    return plan.edges or tuple(edge for zone in plan.zones for edge in zone.edges)


def _urgency(one: Deviation) -> int:
    """Return in which order places are written: what is beyond first, then the marks."""
    worst = min(_URGENT[one.plan_verdict], _URGENT[one.height_verdict])
    return worst if worst < 2 else 2 if one.what == "mark" else 3


def _vector(page: Canvas, one: Deviation, times: float) -> tuple[float, float]:
    """Draw a deviation from where it was designed, and return where its label belongs."""
    if one.shift is None or one.plan is None:
        x, y = page.view.local_on_paper(one.place[:2]).tolist()
        page.shapes["deviations"].append(Shape([mark_symbol(x, y, page.k)], PENS[""], PAPER))
        page.board.take(x, y, 0.6 * page.k)
        return x, y
    ends = vector_ends(page, one.place[:2] - one.shift, one.shift, times)
    draw_arrow(page, "deviations", ends, PENS[one.plan_verdict or ""])
    x, y = ends[1].tolist()
    return x, y


def _label(page: Canvas, measures: Measures, one: Deviation, x: float, y: float) -> None:
    mark = one.what == "mark"
    lines: list[Line] = []
    if mark:
        lines.append(page.line(one.name, bold=True))
    if one.plan is not None and (mark or one.plan_verdict in _BEHIND):
        size = Estimate(abs(one.plan.value), one.plan.low, one.plan.high)
        lines.append(_number(page, f"plan {signed(size, measures).lstrip('+')}", one.plan_verdict))
    if one.up is not None:
        lines.append(_number(page, signed(one.up, measures), one.height_verdict))
    if not lines:
        return
    width = max(line.width for line in lines)
    height = sum(line.size for line in lines) * 1.18
    count = mark or _urgency(one) < 2
    places = np.vstack([around(x, y, width, height, gap * page.k) for gap in (1.2, 3.0, 5.0)])
    page.write("deviations", lines, places, count=count)


def _number(page: Canvas, text: str, verdict: str | None) -> Line:
    """Return a number in the ink of its verdict, with a sign behind it that needs no colour."""
    return page.line(
        text + _BEHIND.get(verdict or "", ""),
        size=_SMALL if verdict != "beyond" else LETTERING,
        bold=verdict == "beyond",
        colour=INKS[verdict],
    )


def _plan_block(made: AsBuilt, measures: Measures, key: tuple[float, float, float]) -> Block | None:
    compared = [d for d in made.deviations if d.plan is not None]
    found: Counter[str | None] = Counter(d.plan_verdict for d in compared)
    if not found:
        return None
    times, scale, lettering = key
    length, drawn = key_length(times, scale, lettering, measures.unit_m)

    def block(column: Column, limit: int) -> None:
        column.heading(f"In plan, drawn {times:g} times larger")
        for verdict in (*VERDICTS, None):
            if found[verdict]:
                sign = arrow_sign(PENS[verdict or ""], column.k)
                words = WORDS[verdict] if verdict else "no tolerance asked"
                column.row(sign, words, str(found[verdict]))
        pen = Stroke(TEXT, 0.35)
        column.row(
            arrow_sign(pen, column.k, min(drawn, 9.0 * column.k)),
            "from designed to built, this long:",
            f"{length / measures.unit_m:g} {measures.unit}",
        )

    return block


def _height_block(made: AsBuilt, measures: Measures) -> Block | None:
    compared = [d for d in made.deviations if d.up is not None]
    found: Counter[str | None] = Counter(d.height_verdict for d in compared)
    if not found:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading(f"Height, built above the design, {measures.unit}")
        for verdict in (*VERDICTS, None):
            if not found[verdict]:
                continue
            words = WORDS[verdict] if verdict else "no tolerance asked"
            column.row(_figure_sign(verdict, column.k), words, str(found[verdict]))
        for verdict in VERDICTS:
            if any(p.verdict == verdict for s in made.surfaces for p in s.patches):
                area = sum(
                    p.area_m2 for s in made.surfaces for p in s.patches if p.verdict == verdict
                )
                sign = patch_sign(verdict, column.k)
                column.row(sign, f"surface, {WORDS[verdict]}", measures.area(area))

    return block


def _figure_sign(verdict: str | None, k: float) -> Callable[[float, float], Items]:
    text = "\N{MINUS SIGN}0.02" + _BEHIND.get(verdict or "", "")
    weight: Weight = "bold" if verdict == "beyond" else "regular"
    return lambda x, y: [
        Text(x, y + 0.36 * _SMALL * k, text, _SMALL * k, weight, INKS[verdict], "middle")
    ]


def _tolerance_block(made: AsBuilt, measures: Measures) -> Block | None:
    rows = []
    for what in ("plan", "height"):
        limits = {
            d.code: limit
            for d in made.deviations
            if (limit := d.plan_limit if what == "plan" else d.height_limit) is not None
        }
        for code, limit in limits.items():
            found: Counter[str | None] = Counter(
                d.plan_verdict if what == "plan" else d.height_verdict
                for d in made.deviations
                if d.code == code
            )
            allowed = f"{limit / measures.unit_m:.3g} {measures.unit}"
            if any(found[v] for v in VERDICTS):
                rows.append((f"{code}, {what}", allowed, *(str(found[v]) for v in VERDICTS)))
    if not rows:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading("Tolerances")
        column.table(("places", "allowed", *VERDICTS), rows[:limit])
        more(column, len(rows), limit, "deviations.csv")

    return block


def _surface_block(one: SurfaceDeviation, codes: Mapping[str, Code], measures: Measures) -> Block:
    title = code_title(codes, one.code)
    one_m, unit = measures.unit_m, measures.unit
    cubic = one_m**3

    def block(column: Column, limit: int) -> None:
        column.heading(f"{printable(title)}, {measures.area(one.area_m2)} compared")
        rows = [(f"built above the design, mean, {unit}", *told(one.mean_m, one_m, sign=True))]
        if one.share_within is not None:
            rows.append(("of the area within, %", *told(one.share_within, 0.01, most=0)))
        rows.append((f"above the design, {unit}\u00b3", *told(one.above_m3, cubic)))
        rows.append((f"below the design, {unit}\u00b3", *told(one.below_m3, cubic)))
        if one.placed_m3 is not None and one.thickness_m is not None:
            rows.append(
                (f"laid since the survey before, {unit}\u00b3", *told(one.placed_m3, cubic))
            )
            rows.append((f"its mean thickness, {unit}", *told(one.thickness_m, one_m)))
        column.table(("", "", "from", "to, 95 %"), rows)

    return block


def _signs_block(made: AsBuilt, plan: Plan) -> Block:
    def block(column: Column, limit: int) -> None:
        k = column.k
        column.heading("Signs")
        if _edges(plan):
            column.row(stroke_sign(DESIGN, k), "edge as designed")
        column.row(stroke_sign(STROKES["areas"], k), "edge as built")
        if any(d.shift is None for d in made.deviations):
            column.row(
                lambda x, y: [Shape([mark_symbol(x, y, k)], PENS[""], PAPER)],
                "mark on the design, height alone compared",
            )

    return block


def _accuracy_block() -> Block:
    words = (
        "Verdicts hold at 95 %: within and beyond only where the whole interval of the deviation "
        "is. What is not known of the known marks on the map shifts design and survey alike and "
        "is no deviation."
    )
    return sure_block(words)
