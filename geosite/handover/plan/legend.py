"""Blocks of words with the signs of the map: scale, surfaces, water, grades."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import partial

import numpy as np

from geosite.base.units import plural
from geosite.drawing.font import printable, typeface
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.sheet import Anchor, Outline, Rectangle, Shape, Text, rectangle
from geosite.handover.model import Layer, Package
from geosite.handover.names import readable_name
from geosite.handover.palette import ALERT, BUILDING, POND, STROKES, WATER
from geosite.handover.plan.layout import Layout
from geosite.handover.plan.side_column import Block, Column, Items, more, stroke_sign
from geosite.handover.plan.symbols import (
    arrow_symbol,
    baseline_symbol,
    hatch,
    inlet_symbol,
    mark_symbol,
    significant,
)
from geosite.handover.styles.signs import (
    DOUBTFUL,
    FADED,
    RIPPLE,
    STEADY,
    TURNING,
    WORDS,
    only_interpolated,
    steadiness,
)
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.measures import (
    GRADE_SIGNS,
    Measures,
    grade_told,
    layer_of,
    steepness,
    verdict_told,
)
from geosite.handover.wording.reference import DRAWN_DEG

_LOST = 0.05
"""Share of a sum that may be lost so that what is told of its parts adds up."""

__all__ = [
    "contour_interval",
    "grades_block",
    "scale_block",
    "signs_block",
    "sums_by_code",
    "surfaces_block",
    "water_block",
]


def scale_block(package: Package, measures: Measures, layout: Layout | None) -> Block:
    """Return the north arrow and the scale bar."""

    def block(column: Column, limit: int) -> None:
        k = column.k
        if layout is None:
            column.y += 16.0 * k
            return
        scale = layout.view.scale
        column.items += _north(package.frame.convergence, column.x + 6.0 * k, column.y, k)
        left = column.x + 14.0 * k
        column.items += _scale_bar(
            left, column.y + 8.0 * k, column.width - 14.0 * k, scale, measures, k
        )
        column.y += 16.0 * k

    return block


def _scale_bar(
    x: float, y: float, room: float, scale: float, measures: Measures, k: float
) -> Items:
    """Return a bar of round lengths that fits into the room, its unit written behind."""
    per_unit = 1000.0 * measures.unit_m / scale
    longest = (room - 6.0 * k) / per_unit
    power = 10.0 ** math.floor(math.log10(longest))
    length = max(m * power for m in (1.0, 2.0, 4.0, 5.0, 8.0, 10.0) if m * power <= longest)
    parts = 5 if length / power in (5.0, 10.0) else 4
    step, height = length / parts, 1.8 * k
    pen = Stroke(TEXT, 0.15)
    items: Items = []
    for i in range(parts):
        box = Rectangle(x + i * step * per_unit, y, step * per_unit, height)
        items.append(rectangle(box, stroke=pen, fill=TEXT if i % 2 == 0 else PAPER))
    for i in range(parts + 1):
        if parts == 4 and i % 2:
            continue
        unit = f" {measures.unit}" if i == parts else ""
        at = x + i * step * per_unit
        anchor: Anchor = "start" if i == parts else "middle"
        shift = 0.5 * typeface("regular").width(f"{i * step:g}") * 2.0 * k if unit else 0.0
        items.append(
            Text(at - shift, y + height + 2.3 * k, f"{i * step:g}{unit}", 2.0 * k, anchor=anchor)
        )
    return items


def _north(convergence: float, x: float, y: float, k: float) -> Items:
    """Return the north arrow: grid north upwards, true north beside it with the angle between.

    True north is at grid azimuth minus the convergence (geodetic minus grid azimuth). The angle
    is drawn no smaller than a reader can see; the figure beside it says what it is.
    """
    foot, top = y + 15.0 * k, y + 1.5 * k
    width = 1.9 * k
    needle = np.array([(x, top), (x + width, foot), (x, foot - 2.2 * k)])
    back = np.array([(x, top), (x - width, foot), (x, foot - 2.2 * k)])
    pen = Stroke(TEXT, 0.2)
    items: Items = [
        Shape([Outline((needle,), closed=True)], pen, TEXT),
        Shape([Outline((back,), closed=True)], pen, PAPER),
        Text(x, top - 0.5 * k, "N", 2.6 * k, "bold", anchor="middle"),
    ]
    degrees = math.degrees(convergence)
    if abs(degrees) >= 0.5 / 60:
        shown = -math.copysign(max(abs(convergence), math.radians(DRAWN_DEG)), convergence)
        tip = (x + 11.5 * k * math.sin(shown), foot - 2.2 * k - 11.5 * k * math.cos(shown))
        items.append(
            Shape([Outline((np.array([(x, foot - 2.2 * k), tip]),))], Stroke(TEXT, 0.2, (1.0, 0.6)))
        )
    return items


def sums_by_code(
    package: Package, name: str, column: str, seen: Package | None = None
) -> dict[str, float] | None:
    """Return the sums of a column of a layer by code, of the codes that are seen; None without it.

    Parameters
    ----------
    package
    name, column
        Of the layer.
    seen
        What is on the sheet; all without it.
    """
    layer, drawn = layer_of(package, name), layer_of(seen or package, name)
    if layer is None or drawn is None:
        return None
    codes = {str(record["code"] or "") for record in drawn.records}
    sums: dict[str, float] = {}
    for record in layer.records:
        code = str(record["code"] or "")
        if code in codes:
            sums[code] = sums.get(code, 0.0) + float(record[column] or 0.0)
    return sums


def surfaces_block(
    package: Package, measures: Measures, tints: Mapping[str, str], seen: Package | None = None
) -> Block | None:
    """Return the surfaces with their sizes on the whole site; of those seen alone, if given."""
    layer, sums = layer_of(package, "areas"), sums_by_code(package, "areas", "net_area_m2", seen)
    if layer is None or sums is None:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading("Surfaces, on the ground")
        for code, area in list(sums.items())[:limit]:
            meaning = package.codes.get(code)
            title = code_title(package.codes, code)
            building = meaning is not None and meaning.building
            tint = BUILDING if building else tints.get(code, PAPER)
            first, *others = _sizes(package, measures, code, area)
            column.row(_swatch(tint, building, column.k), printable(title), first)
            for other in others:
                column.row(None, "", other)
        more(column, len(sums), limit, "quantities.csv")
        note = "Without what lies inside them." if any(r["inside"] for r in layer.records) else ""
        if note:
            column.paragraph(note, colour=FAINT)

    return block


def _sizes(package: Package, measures: Measures, code: str, area_m2: float) -> list[str]:
    """Return the size of a surface, in both units where asked, rounded by what is known."""
    quantities = (t.records for t in package.tables if t.name == "quantities")
    half_m2 = next(
        (
            record.get("net_area_95_m2")
            for records in quantities
            for record in records
            if record.get("code") == code and not record.get("feature")
        ),
        None,
    )
    if package.sheet.units != "both":
        return [measures.area_known(area_m2, half_m2)]
    other = Measures("ft" if measures.unit == "m" else "m")
    return [each.area_known(area_m2, half_m2) for each in (measures, other)]


def _swatch(tint: str, building: bool, k: float) -> Callable[[float, float], Items]:
    def sign(x: float, y: float) -> Items:
        import shapely

        box = Rectangle(x - 4.0 * k, y - 1.3 * k, 8.0 * k, 2.6 * k)
        items: Items = [rectangle(box, fill=tint)]
        if building:
            shape = shapely.box(box.x, box.y, box.right, box.bottom)
            items.append(Shape(hatch(shape, 1.6 * k, 45.0), Stroke(TEXT, 0.13)))
        items.append(rectangle(box, stroke=STROKES["areas"]))
        return items

    return sign


def water_block(package: Package, measures: Measures) -> Block | None:
    """Return what the signs of water mean."""
    arrows, ponds = layer_of(package, "drainage_arrows"), layer_of(package, "ponding")
    paths = layer_of(package, "flow_paths")
    inlets = _inlets(package)
    if arrows is None and ponds is None and paths is None and not inlets:
        return None

    # asked once, however often the words are tried: there may be 10,000 ponds
    deep = [r for r in ponds.records if significant(r)] if ponds is not None else []
    doubtful = len(ponds.records) - len(deep) if ponds is not None else 0
    depth = max((r["depth_m"] or 0.0 for r in deep), default=0.0)
    # of the numbers as they stand on paper, so that they add up
    held = [
        measures.volume_number(
            r["volume_m3"] or 0.0, r.get("volume_low_m3"), r.get("volume_high_m3")
        )
        for r in deep
    ]
    volume, digits = sum(v for v, _ in held), max((p for _, p in held), default=2)
    whole = sum(r["volume_m3"] or 0.0 for r in deep) / measures.unit_m**3
    # of many that are known badly each by itself is about nothing
    if len(deep) > 1 and abs(volume - whole) > _LOST * whole:
        volume, digits = whole, 0 if whole >= 10 else 2

    def block(column: Column, limit: int) -> None:
        k = column.k
        column.heading("Water")
        if arrows is not None:
            column.row(
                lambda x, y: [Shape([_dart(x, y, 6.0 * k)], None, WATER)],
                WORDS["arrow"],
                _steepness(arrows),
            )
            turning = [r for r in arrows.records if TURNING <= steadiness(r) < STEADY]
            if turning:
                column.row(
                    lambda x, y: [Shape([_dart(x, y, 5.0 * k)], None, WATER, FADED)],
                    WORDS["turning"],
                )
        if deep:
            places = "1 place" if len(deep) == 1 else f"{len(deep)} places"
            column.row(
                _pond_sign(k), f"stands after rain, {places}, deepest", measures.length(depth)
            )
            if volume:
                words = "it holds" if len(deep) == 1 else "together they hold"
                column.row(lambda x, y: [], words, f"{volume:.{digits}f} {measures.unit}\u00b3")
        if doubtful:
            column.row(stroke_sign(DOUBTFUL, k), WORDS["doubtful"], str(doubtful))
        if paths is not None:
            pen = STROKES["flow_paths"]
            count = "1 drawn" if len(paths.records) == 1 else f"{len(paths.records)} drawn"
            column.row(stroke_sign(pen, k), WORDS["path"], count)
        if inlets:
            column.row(lambda x, y: list(inlet_symbol(x, y, k)), WORDS["inlet"], str(inlets))

    return block


def _dart(x: float, y: float, length: float) -> Outline:
    return Outline((arrow_symbol(x, y, 90.0, length),), True)


def _inlets(package: Package) -> int:
    layer = layer_of(package, "points")
    codes = {name for name, code in package.codes.items() if code.inlet}
    if layer is None or not codes:
        return 0
    return len({r["feature"] or i for i, r in enumerate(layer.records) if r["code"] in codes})


def _marks(package: Package) -> bool:
    """Return whether a mark is drawn that is neither an inlet nor an end of the baseline."""
    layer, baseline = layer_of(package, "points"), layer_of(package, "baseline")
    inlets = {name for name, code in package.codes.items() if code.inlet}
    ends = {
        record.get(end)
        for record in (baseline.records if baseline is not None else ())
        for end in ("from_point", "to_point")
    }
    records = layer.records if layer is not None else ()
    return any(
        r.get("point") and r["point"] not in ends and r.get("code") not in inlets for r in records
    )


def _steepness(arrows: Layer) -> str:
    slopes = [r["slope_percent"] for r in arrows.records if r["slope_percent"] is not None]
    return f"{steepness(min(slopes))} to {steepness(max(slopes))} %" if slopes else ""


def _pond_sign(k: float) -> Callable[[float, float], Items]:
    def sign(x: float, y: float) -> Items:
        import shapely

        box = Rectangle(x - 4.0 * k, y - 1.3 * k, 8.0 * k, 2.6 * k)
        shape = shapely.box(box.x, box.y, box.right, box.bottom)
        return [
            rectangle(box, fill=POND),
            Shape(hatch(shape, 1.0 * k, 0.0), RIPPLE),
            rectangle(box, stroke=STROKES["ponding"]),
        ]

    return sign


def grades_block(package: Package, measures: Measures) -> Block | None:
    """Return the steepest of each checked grade as measured, with its interval and verdict."""
    layer = layer_of(package, "grades")
    if layer is None:
        return None
    worst: dict[str, tuple[int, float, str]] = {}
    rank = {"beyond": 0, "undecided": 1, "within": 2}
    for record in layer.records:
        verdict = str(record["verdict"])
        if verdict not in rank or record["value"] is None:
            continue
        # a way is the worse the steeper it is, and the narrower
        steep = record["unit"] == "percent"
        size = abs(float(record["value"])) * (1 if steep else -1)
        check = record["check_of"] or "grade"
        key = f"{readable_name(record.get('line'))}, {check}"
        told = (rank[verdict], -size, f"{grade_told(record, measures)}  {verdict_told(record)}")
        worst[key] = min(worst.get(key, told), told)
    if not worst:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading("Grades as measured, the worst of each")
        listed = sorted(worst.items(), key=lambda item: (item[1], item[0]))
        for key, (order, _, words) in listed[:limit]:
            pen = STROKES[f"grades-{('beyond', 'undecided', 'within')[order]}"]
            column.row(
                stroke_sign(pen, column.k),
                printable(key),
                words,
                weight="bold" if order == 0 else "regular",
                colour=ALERT if order == 0 else TEXT,
            )
        more(column, len(worst), limit, "site.gpkg, layer grades")
        column.paragraph(f"+/- at 95 %. {GRADE_SIGNS}", colour=FAINT)

    return block


def _reach(package: Package) -> str:
    """Return from how far off a mark ground counts as not measured, as part of a sentence."""
    terrain = None if package.report is None else package.report.terrain
    rough = None if terrain is None else terrain.roughness
    if rough is None or rough.reach_m is None:
        return "far from marks"
    measures = Measures(package.unit)
    return f"over {measures.fine(rough.reach_m, 1)} {measures.unit} from marks"


def signs_block(package: Package) -> Block | None:
    """Return what the other signs on the sheet mean; nothing where there is none."""
    heights = plural(package.frame.height_unit_name)
    contours = layer_of(package, "contours")
    rows: list[tuple[Callable[[float], Callable[[float, float], Items]], str]] = []
    if _marks(package):
        rows.append((partial(_mark_sign, _an_elevation(package)), f"{WORDS['mark']} in {heights}"))
    if layer_of(package, "baseline") is not None:
        rows.append((lambda k: lambda x, y: list(baseline_symbol(x, y, k)), WORDS["baseline"]))
    if contours is not None:
        interval = contour_interval(contours)
        unit = package.frame.height_unit_name if interval == 1.0 else heights
        every = f", every {interval:g} {unit}" if interval else ""  # none of a single height
        words = f"contour{every}"
        rows.append((partial(stroke_sign, STROKES["contours"]), words))
        if any(only_interpolated(record) for record in contours.records):
            sign = partial(stroke_sign, STROKES["contours-far"])
            rows.append((sign, f"interpolated alone, {_reach(package)}"))
    for name, words in (("sections", "section, from A to A'"), ("parcels", WORDS["parcel"])):
        if layer_of(package, name) is not None:
            rows.append((partial(stroke_sign, STROKES[name]), words))
    if not rows:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading("Signs")
        for sign, words in rows:
            column.row(sign(column.k), words)

    return block


def _an_elevation(package: Package) -> str:
    """Return an elevation of the site, in whole units, for the sign of a mark."""
    layer = layer_of(package, "points")
    known = (r.get("elevation") for r in (layer.records if layer is not None else ()))
    return f"{next((float(z) for z in known if z is not None), 0.0) + 0.0:.0f}"


def _mark_sign(elevation: str, k: float) -> Callable[[float, float], Items]:
    def sign(x: float, y: float) -> Items:
        return [
            Shape([mark_symbol(x, y, k)], STROKES["points"], PAPER),
            Text(x + 1.1 * k, y + 0.7 * k, elevation, 1.8 * k),
        ]

    return sign


def contour_interval(layer: Layer) -> float:
    """Return the usual step between contours, elevation units; 0 where there are fewer than two.

    Examples
    --------
    >>> heights = [402.0, 402.5, 403.0, 404.0]
    >>> records = [{"elevation": height} for height in heights]
    >>> contour_interval(Layer("contours", "Contours", "", "LineStringZ", (), records, []))
    0.5
    """
    heights = np.unique([round(r["elevation"], 4) for r in layer.records if r["elevation"]])
    return float(np.round(np.median(np.diff(heights)), 4)) if len(heights) > 1 else 0.0
