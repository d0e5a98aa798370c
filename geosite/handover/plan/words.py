"""The words on the plan sheet: title, what the surfaces add up to, signs, accuracy, caution."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from geosite.base.map_frame import Frame
from geosite.drawing.font import Weight, printable, typeface
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.sheet import Anchor, Group, Outline, Rectangle, Shape, Text, rectangle
from geosite.handover.looks.signs import (
    DOUBTFUL,
    FADED,
    RIPPLE,
    STEADY,
    TURNING,
    WORDS,
    code_pen,
    steadiness,
)
from geosite.handover.model import CAUTION, Layer, Package
from geosite.handover.palette import ALERT, BUILDING, POND, STROKES, WATER
from geosite.handover.plan.canvas import grid_step
from geosite.handover.plan.layout import Layout, scale_name
from geosite.handover.plan.measures import Measures, layer_of
from geosite.handover.plan.symbols import (
    arrow_symbol,
    baseline_symbol,
    hatch,
    inlet_symbol,
    mark_symbol,
    significant,
)

__all__ = [
    "accuracy_words",
    "crs_words",
    "frame_group",
    "header_group",
    "height_words",
    "words_fit",
    "words_group",
]

_BODY = 2.35
_HEADING = 2.7
_LEADING = 1.32
#: Rows per list, and blocks left out, tried in order until the words fit.
_CUTS: tuple[tuple[int, frozenset[str]], ...] = (
    *((rows, frozenset[str]()) for rows in (40, 16, 10, 7, 5, 4)),
    *((rows, frozenset({"lines"})) for rows in (4, 3)),
    *((rows, frozenset({"lines", "signs"})) for rows in (4, 3, 2, 1, 0)),
)

Items = list[Shape | Text]
#: Draws itself in a box of the given width from a corner, with at most so many rows per list.
Block = Callable[["_Column", int], None]


class _Column:
    """Words from top to bottom."""

    def __init__(self, x: float, y: float, width: float, lettering: float) -> None:
        self.x, self.y, self.width, self.k = x, y, width, lettering
        self.items: Items = []

    def heading(self, text: str) -> None:
        """Write a heading with a rule above it."""
        self.items.append(
            rectangle(Rectangle(self.x, self.y, self.width, 0.35 * self.k), fill=TEXT)
        )
        size = _HEADING * self.k
        self.y += size * 1.45
        self.items.append(Text(self.x, self.y, text, size, "bold"))
        self.y += size * 0.45

    def paragraph(
        self, text: str, *, size: float = _BODY, colour: str = TEXT, weight: Weight = "regular"
    ) -> None:
        """Write running text."""
        em = size * self.k
        for line in typeface(weight).wrap(text, self.width / em):
            self.y += em * _LEADING
            self.items.append(Text(self.x, self.y - em * 0.3, line, em, weight, colour))

    def row(
        self,
        sign: Callable[[float, float], Items] | None,
        text: str,
        value: str = "",
        *,
        weight: Weight = "regular",
        colour: str = TEXT,
    ) -> None:
        """Write a sign, what it means, and a value at the right edge."""
        em = _BODY * self.k
        height = em * (_LEADING + 0.28)
        self.y += height
        base = self.y - em * 0.5
        left = self.x
        if sign is not None:
            self.items += sign(self.x + 4.0 * self.k, base - em * 0.36)
            left += 10.0 * self.k
        room = self.width - (left - self.x)
        if value:
            self.items.append(Text(self.x + self.width, base, value, em, weight, colour, "end"))
            room -= typeface(weight).width(value) * em + 1.5 * self.k
        shown = typeface(weight).fit(text, room / em)
        self.items.append(Text(left, base, shown, em, weight, colour))

    def pair(self, name: str, text: str) -> None:
        """Write a name and, beside it, a text that runs over as many lines as it needs."""
        em, left = _BODY * self.k, 19.0 * self.k
        face = typeface("regular")
        label = face.fit(name, (left - 1.0 * self.k) / em)
        for i, line in enumerate(face.wrap(text, (self.width - left) / em)):
            self.y += em * _LEADING
            if i == 0:
                self.items.append(Text(self.x, self.y - em * 0.3, label, em, colour=FAINT))
            self.items.append(Text(self.x + left, self.y - em * 0.3, line, em))

    def gap(self, share: float = 1.0) -> None:
        """Leave room before the next block."""
        self.y += 3.2 * self.k * share


def words_fit(
    package: Package, measures: Measures
) -> Callable[[tuple[Rectangle, ...], float], bool]:
    """Return a function that tells whether lists of ten rows fit into columns at a lettering."""
    blocks = list(_blocks(package, measures, None, 1, False, {}).values())
    return lambda columns, lettering: _flow(blocks, columns, lettering, 10)[1] <= 0


def words_group(
    package: Package,
    layout: Layout,
    measures: Measures,
    tints: Mapping[str, str],
    dropped: int,
    lacking: bool,
) -> Group:
    """Return the words, spread over the columns of the layout; lists are cut where they must be."""
    blocks = _blocks(package, measures, layout, dropped, lacking, tints)
    items: Items = []
    for rows, without in _CUTS:
        kept = [block for name, block in blocks.items() if name not in without]
        items, left = _flow(kept, layout.columns, layout.lettering, rows)
        if left <= 0:
            break
    return Group("words", "Words", tuple(items))


def _flow(
    blocks: Sequence[Block], columns: tuple[Rectangle, ...], lettering: float, limit: int
) -> tuple[Items, float]:
    """Return the items, and by how much they are too long."""
    place, *columns_left = columns
    column = _Column(place.x, place.y, place.width, lettering)
    items: Items = []
    longest = -math.inf
    for block in blocks:
        start = len(column.items), column.y
        block(column, limit)
        if column.y > place.bottom + 0.1 and columns_left:
            items += column.items[: start[0]]
            place, *columns_left = columns_left
            column = _Column(place.x, place.y, place.width, lettering)
            block(column, limit)
        longest = max(longest, column.y - place.bottom - 0.1)
        column.gap()
    return items + column.items, longest


def _blocks(
    package: Package,
    measures: Measures,
    layout: Layout | None,
    dropped: int,
    lacking: bool,
    tints: Mapping[str, str],
) -> dict[str, Block]:
    """Return the blocks in reading order."""
    found = {
        "scale": _scale_block(package, measures, layout),
        "surfaces": _surfaces(package, measures, tints),
        "water": _water(package, measures),
        "grades": _grades(package, measures),
        "look": _look(package),
        "lines": _lines(package, measures),
        "signs": _signs(package),
        "accuracy": _accuracy(package, measures),
        "place": _place(package, measures, dropped, lacking),
        "caution": _caution(),
        "title block": _title_block(package),
    }
    return {name: block for name, block in found.items() if block is not None}


def _more(column: _Column, count: int, limit: int, where: str) -> None:
    if count > limit:
        column.paragraph(f"and {count - limit} more in {where}", colour=FAINT)


def _scale_block(package: Package, measures: Measures, layout: Layout | None) -> Block:
    def block(column: _Column, limit: int) -> None:
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
        shown = -math.copysign(max(abs(convergence), math.radians(14.0)), convergence)
        tip = (x + 12.5 * k * math.sin(shown), foot - 2.2 * k - 11.5 * k * math.cos(shown))
        items.append(
            Shape([Outline((np.array([(x, foot - 2.2 * k), tip]),))], Stroke(TEXT, 0.2, (1.0, 0.6)))
        )
    return items


def convergence_words(convergence: float) -> str:
    """Return how true and grid north lie to each other."""
    minutes = abs(math.degrees(convergence)) * 60
    if minutes < 0.5:
        return "Arrow: grid north, which is true north here."
    angle = f"{int(minutes // 60)}° {minutes % 60:04.1f}\N{PRIME}"
    # a positive convergence: azimuths from true north are larger, true north lies to the west
    side = "west" if convergence > 0 else "east"
    return f"Arrow: grid north. True north (dashed) is {angle} {side} of it, not drawn to angle."


def _surfaces(package: Package, measures: Measures, tints: Mapping[str, str]) -> Block | None:
    layer = layer_of(package, "areas")
    if layer is None:
        return None
    sums: dict[str, float] = {}
    for record in layer.records:
        code = str(record["code"] or "")
        sums[code] = sums.get(code, 0.0) + float(record["net_area_m2"] or 0.0)

    def block(column: _Column, limit: int) -> None:
        column.heading("Surfaces, on the ground")
        for code, area in list(sums.items())[:limit]:
            meaning = package.codes.get(code)
            title = (meaning.title if meaning is not None else "") or code or "without a code"
            building = meaning is not None and meaning.building
            tint = BUILDING if building else tints.get(code, PAPER)
            column.row(_swatch(tint, building, column.k), printable(title), measures.area(area))
        _more(column, len(sums), limit, "quantities.csv")
        note = "Net of the shapes inside." if any(r["inside"] for r in layer.records) else ""
        if note:
            column.paragraph(note, colour=FAINT)

    return block


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


def _stroke_sign(stroke: Stroke, k: float) -> Callable[[float, float], Items]:
    def sign(x: float, y: float) -> Items:
        line = np.array([(x - 4.0 * k, y), (x + 4.0 * k, y)])
        return [Shape([Outline((line,))], stroke)]

    return sign


def _water(package: Package, measures: Measures) -> Block | None:
    arrows, ponds = layer_of(package, "drainage_arrows"), layer_of(package, "ponding")
    paths = layer_of(package, "flow_paths")
    inlets = _inlets(package)
    if arrows is None and ponds is None and paths is None and not inlets:
        return None

    def block(column: _Column, limit: int) -> None:
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
                    str(len(turning)),
                )
        if ponds is not None:
            deep = [r for r in ponds.records if significant(r)]
            if deep:
                depth = max(r["depth_m"] or 0.0 for r in deep)
                places = "1 place" if len(deep) == 1 else f"{len(deep)} places"
                column.row(_pond_sign(k), f"stands in {places}, deepest", measures.length(depth))
                volume = sum(r["volume_m3"] or 0.0 for r in deep)
                if volume:
                    words = "it holds" if len(deep) == 1 else "together they hold"
                    column.row(None, words, measures.volume(volume))
            doubtful = len(ponds.records) - len(deep)
            if doubtful:
                column.row(_stroke_sign(DOUBTFUL, k), WORDS["doubtful"], str(doubtful))
        if paths is not None:
            pen = STROKES["flow_paths"]
            count = "1 drawn" if len(paths.records) == 1 else f"{len(paths.records)} drawn"
            column.row(_stroke_sign(pen, k), WORDS["path"], count)
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


def _steepness(arrows: Layer) -> str:
    slopes = [r["slope_percent"] for r in arrows.records if r["slope_percent"] is not None]
    return f"{min(slopes):.1f} to {max(slopes):.1f} %" if slopes else ""


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


def _grades(package: Package, measures: Measures) -> Block | None:
    layer = layer_of(package, "grades")
    if layer is None:
        return None
    worst: dict[str, tuple[int, float, str]] = {}
    rank = {"beyond": 0, "undecided": 1, "within": 2}
    for record in layer.records:
        verdict = str(record["verdict"])
        if verdict not in rank or record["value"] is None:
            continue
        percent = record["unit"] == "percent"
        value = abs(float(record["value"]))
        amount = f"{value:.1f} %" if percent else measures.length(value)
        check = record["check_of"] or "grade"
        key = f"{record.get('line')}, {check}"
        told = (rank[verdict], -value, f"{amount}  {verdict}")
        worst[key] = min(worst.get(key, told), told)
    if not worst:
        return None

    def block(column: _Column, limit: int) -> None:
        column.heading("Grades, worst of each at 95 %")
        listed = sorted(worst.items(), key=lambda item: (item[1], item[0]))
        for key, (order, _, words) in listed[:limit]:
            pen = STROKES[f"grades-{('beyond', 'undecided', 'within')[order]}"]
            column.row(
                _stroke_sign(pen, column.k),
                printable(key),
                words,
                weight="bold" if order == 0 else "regular",
                colour=ALERT if order == 0 else TEXT,
            )
        _more(column, len(worst), limit, "site.gpkg, layer grades")

    return block


def _look(package: Package) -> Block | None:
    texts = [finding.text for finding in package.findings if finding.level == "look"]
    if not texts:
        return None

    def block(column: _Column, limit: int) -> None:
        column.heading("Look at this first")
        shown = min(limit, 4)
        for text in texts[:shown]:
            column.y += 0.5 * column.k
            top = column.y
            column.x, column.width = column.x + 3.0 * column.k, column.width - 3.0 * column.k
            column.paragraph(printable(text, len(text)))
            column.x, column.width = column.x - 3.0 * column.k, column.width + 3.0 * column.k
            bar = Rectangle(column.x, top + 0.6 * column.k, 1.0 * column.k, column.y - top)
            column.items.append(rectangle(bar, fill=ALERT))
        _more(column, len(texts), shown, "the list of findings, on the sheets that follow")

    return block


def _lines(package: Package, measures: Measures) -> Block | None:
    layer = layer_of(package, "lines")
    if layer is None:
        return None
    sums: dict[str, float] = {}
    for record in layer.records:
        code = str(record["code"] or "")
        sums[code] = sums.get(code, 0.0) + float(record["length_m"] or 0.0)

    def block(column: _Column, limit: int) -> None:
        column.heading("Lines, on the ground")
        for code, length in list(sums.items())[:limit]:
            meaning = package.codes.get(code)
            title = (meaning.title if meaning is not None else "") or code or "without a code"
            sign = _stroke_sign(code_pen(meaning), column.k)
            column.row(sign, printable(title), measures.length(length))
        _more(column, len(sums), limit, "quantities.csv")

    return block


def _signs(package: Package) -> Block:
    heights = _plural(package.frame.height_unit_name)
    contours = layer_of(package, "contours")

    def block(column: _Column, limit: int) -> None:
        k = column.k
        column.heading("Signs")
        if layer_of(package, "points") is not None:
            column.row(
                lambda x, y: [
                    Shape([mark_symbol(x, y, k)], STROKES["points"], PAPER),
                    Text(x + 1.1 * k, y + 0.7 * k, "402", 1.8 * k),
                ],
                f"{WORDS['mark']} in {heights}",
            )
        if layer_of(package, "baseline") is not None:
            column.row(lambda x, y: list(baseline_symbol(x, y, k)), WORDS["baseline"])
        if contours is not None:
            column.row(
                _stroke_sign(STROKES["contours"], k),
                f"contour, every {contour_interval(contours):g} {heights}",
            )
        if layer_of(package, "sections") is not None:
            column.row(_stroke_sign(STROKES["sections"], k), "section, from A to A'")
        if layer_of(package, "parcels") is not None:
            column.row(_stroke_sign(STROKES["parcels"], k), WORDS["parcel"])

    return block


def contour_interval(layer: Layer) -> float:
    """Return the usual step between contours."""
    heights = np.unique([round(r["elevation"], 4) for r in layer.records if r["elevation"]])
    return float(np.round(np.median(np.diff(heights)), 4)) if len(heights) > 1 else 0.0


def accuracy_words(package: Package, measures: Measures) -> str:
    """Return how good the marks are, from their standard deviations.

    A circle of 2.4477 times the standard deviation per axis holds 95 % of the positions, an
    interval of 1.96 times 95 % of the elevations (two- and one-dimensional normal distribution).
    """
    layer = layer_of(package, "points")
    across = [r["sigma_h_m"] for r in layer.records if r["sigma_h_m"] is not None] if layer else []
    up = [r["sigma_v_m"] for r in layer.records if r["sigma_v_m"] is not None] if layer else []
    if not across or not up:
        return "The accuracy of the marks is not known."
    wide = 2.4477 * np.array(across)
    high = 1.96 * np.array(up)
    length = measures.length
    return (
        f"At 95 % confidence the marks are right to {length(float(np.median(wide)))} in position "
        f"(worst {length(float(wide.max()))}) and {length(float(np.median(high)))} in elevation "
        f"(worst {length(float(high.max()))}), as the baseline marks place them. "
        "Every mark, area and grade has its own figure in site.gpkg."
    )


def _accuracy(package: Package, measures: Measures) -> Block:
    words = accuracy_words(package, measures)

    def block(column: _Column, limit: int) -> None:
        column.heading("How good it is")
        column.paragraph(words)

    return block


def _place(package: Package, measures: Measures, dropped: int, lacking: bool) -> Block:
    frame = package.frame
    unit = "metres" if measures.unit == "m" else "international feet"
    text = (
        f"Map: {crs_words(frame.crs_wkt, frame.crs_name)}. Elevations: {height_words(frame)}, "
        f"in {_plural(frame.height_unit_name)}. Lengths in {unit}, on the ground and on this "
        f"paper; lengths on the map grid are {frame.combined_factor:.6f} of them. "
        f"{convergence_words(frame.convergence)}"
    )

    def block(column: _Column, limit: int) -> None:
        column.heading("Where it lies")
        column.paragraph(text)
        if dropped:
            labels = "1 label is" if dropped == 1 else f"{dropped} labels are"
            column.paragraph(f"For lack of room {labels} left out; site.gpkg has all.")
        if lacking:
            column.paragraph("A □ stands for a letter this font lacks; viewer.html shows it.")

    return block


def crs_words(wkt: str, name: str) -> str:
    """Return what a CRS calls itself in its WKT, with its short name."""
    called = re.match(r'\s*[A-Z_]+\["([^"]{1,80})"', wkt)
    return printable(name if called is None else f"{called[1]} ({name})", 120)


def height_words(frame: Frame) -> str:
    """Return what elevations are relative to."""
    if frame.vertical_name is None:
        return "relative to the first baseline mark"
    return crs_words(frame.vertical_wkt or "", frame.vertical_name)


def _plural(unit: str) -> str:
    return unit.replace("foot", "feet") if "foot" in unit else f"{unit}s"


def _caution() -> Block:
    def block(column: _Column, limit: int) -> None:
        column.heading("Caution")
        column.paragraph(CAUTION, weight="regular")

    return block


def _title_block(package: Package) -> Block | None:
    """Return the title block: data fields after ISO 7200:2004, those that are given."""
    sheet = package.sheet
    who = sheet.surveyor or package.surveyor
    fields = {
        "Legal owner": sheet.client or package.client,
        "Project": sheet.project,
        "Surveyed by": ", ".join(x for x in (who, sheet.licence) if x),
        "Approved by": sheet.approved_by,
        "Sheet": sheet.number,
    }
    given = {name: text for name, text in fields.items() if text}
    if not given and not sheet.revisions:
        return None

    def block(column: _Column, limit: int) -> None:
        column.heading("Title block")
        for name, text in given.items():
            column.pair(name, printable(text, 200))
        for revision in sheet.revisions[-max(limit, 1) :]:
            by = f", {revision.by}" if revision.by else ""
            column.pair(
                f"Revision {printable(revision.number, 12)}",
                printable(f"{revision.date}: {revision.text}{by}", 260),
            )

    return block


def header_group(
    package: Package, layout: Layout, measures: Measures, called: str = "Site plan"
) -> Group:
    """Return the strip above the map: what this is, at which scale, of which day."""
    box, k = layout.header, layout.lettering
    title = printable(package.title or "Untitled site", 120)
    scale = scale_name(layout.view.scale, measures.unit)
    date = f"Surveyed {printable(package.date, 30)}" if package.date else "No survey date given"
    right = [
        Text(
            box.right, box.y + 5.0 * k, f"{scale} on {layout.sheet}", 4.0 * k, "bold", TEXT, "end"
        ),
        Text(box.right, box.y + 10.2 * k, date, 2.9 * k, "regular", TEXT, "end"),
    ]
    taken = max(typeface(t.weight).width(t.text) * t.size for t in right) + 6.0 * k
    size = 7.0 * k
    while size > 3.6 * k and typeface("bold").width(title) * size > box.width - taken:
        size -= 0.2 * k
    shown = typeface("bold").fit(title, (box.width - taken) / size)
    frame = package.frame
    where = f"{called} in {crs_words(frame.crs_wkt, frame.crs_name)}"
    if frame.vertical_name:
        where += f", elevations in {height_words(frame)}"
    under = typeface("regular").fit(where, (box.width - taken) / (2.9 * k))
    items: Items = [
        Text(box.x, box.y + 5.4 * k, shown, size, "bold"),
        Text(box.x, box.y + 10.2 * k, under, 2.9 * k, colour=FAINT),
        rectangle(Rectangle(box.x, box.bottom - 0.7 * k, box.width, 0.7 * k), fill=TEXT),
        *right,
    ]
    return Group("header", "Title", tuple(items))


def frame_group(layout: Layout) -> Group:
    """Return the edge of the map with the map coordinates along it."""
    view, k = layout.view, layout.lettering
    window = view.window
    items: Items = [rectangle(window, stroke=Stroke(TEXT, 0.35))]
    step = grid_step(view, k)
    size = 1.9 * k
    across, up = window.width / 2 / view.mm_per_unit, window.height / 2 / view.mm_per_unit
    digits = max(0, math.ceil(-math.log10(step) - 1e-9))
    for n in range(
        math.ceil((view.centre[0] - across) / step),
        math.floor((view.centre[0] + across) / step) + 1,
    ):
        x = float(view.on_paper((n * step, 0.0))[0])
        if window.x + 9 * k < x < window.right - 9 * k:
            text = f"{_grouped(n * step, digits)} E"
            items.append(
                Text(x, window.bottom + 2.6 * k, text, size, colour=FAINT, anchor="middle")
            )
    for n in range(
        math.ceil((view.centre[1] - up) / step), math.floor((view.centre[1] + up) / step) + 1
    ):
        y = float(view.on_paper((0.0, n * step))[1])
        if window.y + 10 * k < y < window.bottom - 10 * k:
            text = f"{_grouped(n * step, digits)} N"
            items.append(Text(window.x - 1.2 * k, y, text, size, "regular", FAINT, "middle", 90.0))
    return Group("frame", "Map edge", tuple(items))


def _grouped(value: float, digits: int) -> str:
    return f"{value:,.{digits}f}".replace(",", "\u202f")
