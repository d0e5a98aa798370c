"""The words beside the map: in which order they stand, and what is left out for lack of room."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely
from msgspec.structs import replace as replace_fields

from geosite.base.units import plural
from geosite.drawing.font import printable
from geosite.drawing.ink import FAINT
from geosite.drawing.sheet import Group, Rectangle, rectangle
from geosite.handover.documents.findings import on_paper
from geosite.handover.model import CAUTION, Package
from geosite.handover.palette import ALERT
from geosite.handover.plan.design import design_block
from geosite.handover.plan.design_points import points_block
from geosite.handover.plan.layout import Layout
from geosite.handover.plan.legend import (
    grades_block,
    scale_block,
    signs_block,
    sums_by_code,
    surfaces_block,
    water_block,
)
from geosite.handover.plan.side_column import Block, Column, Items, more, stroke_sign
from geosite.handover.plan.thinned import NOTHING, Thinned
from geosite.handover.styles.signs import (
    code_pen,
)
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.measures import Measures, layer_of
from geosite.handover.wording.reference import (
    accuracy_words,
    convergence_spread,
    convergence_words,
    crs_words,
    height_words,
    parcel_source_words,
)
from geosite.handover.wording.title_block import revision_words, title_fields

__all__ = [
    "caution_block",
    "first_sentences",
    "flow",
    "look_block",
    "numbered",
    "on_sheet",
    "place_block",
    "title_block",
    "words_fit",
    "words_group",
]

#: Rows per list, findings, and blocks left out, tried in order until the words fit.
_CUTS: tuple[tuple[int, int, frozenset[str]], ...] = (
    *((rows, 4, frozenset[str]()) for rows in (40, 16, 10, 7, 5, 4)),
    *((4, findings, frozenset[str]()) for findings in (3, 2)),
    *((4, findings, frozenset({"lines"})) for findings in (4, 3, 2, 1)),
    *((rows, rows, frozenset({"lines", "signs"})) for rows in (4, 3, 2, 1, 0)),
)
#: On the sheet of a design the site plan has where it lies and how good it is: signs go last.
_DESIGN_CUTS: tuple[tuple[int, int, frozenset[str]], ...] = (
    *((rows, 4, frozenset[str]()) for rows in (40, 16, 10, 7)),
    *((rows, 3, frozenset({"place"})) for rows in (40, 16, 10, 7, 5)),
    *((rows, 2, frozenset({"place", "accuracy"})) for rows in (10, 7, 5, 4, 3, 2)),
    *((rows, 1, frozenset({"place", "accuracy", "signs"})) for rows in (4, 3, 2, 1, 0)),
)
#: A finding that is longer is told to the end of a sentence: the last sheets have the rest.
_LONG = 330


def words_fit(
    package: Package, measures: Measures
) -> Callable[[tuple[Rectangle, ...], float], bool]:
    """Return a function that tells whether lists of ten rows fit into columns at a lettering."""
    blocks = list(_blocks(package, measures, None, 1, False, {}).values())
    return lambda columns, lettering: flow(blocks, columns, lettering, 10)[1] <= 0


def words_group(
    package: Package,
    layout: Layout,
    measures: Measures,
    tints: Mapping[str, str],
    dropped: int,
    thinned: Thinned,
    lacking: bool,
    whole: Package,
) -> Group:
    """Return the words, spread over the columns of the layout; lists are cut where they must be.

    What is said of the accuracy is of the `whole` package, on every sheet the same.
    """
    seen = on_sheet(package, layout)
    blocks: dict[str, Block | None] = {
        **_blocks(seen, measures, layout, dropped, lacking, tints),
        "surfaces": surfaces_block(package, measures, tints, seen),
        "lines": _lines(package, measures, seen),
    }
    if blocks.get("design") is not None:  # what is there stands on the site plan
        blocks["surfaces"] = blocks["lines"] = None
    blocks["accuracy"] = _accuracy(whole, measures)
    blocks["place"] = place_block(package, measures, dropped, lacking, thinned=thinned)
    foot = blocks.pop("title block", None)
    items: Items = []
    for rows, findings, without in _CUTS if blocks.get("design") is None else _DESIGN_CUTS:
        told = {**blocks, "look": look_block(package, most=findings)}
        if "place" in without:
            told["place"] = left_out_block(dropped, lacking, thinned)
        kept = [b for name, b in told.items() if b is not None and name not in without - {"place"}]
        last, columns = at_the_foot(foot, layout, rows)
        items, left = flow(kept, columns, layout.lettering, rows)
        items += last
        if left <= 0:
            break
    return Group("words", "Words", tuple(items))


def at_the_foot(
    block: Block | None, layout: Layout, limit: int
) -> tuple[Items, tuple[Rectangle, ...]]:
    """Set a block into the lower right corner, and return the columns that are left for others."""
    *others, last = layout.columns
    if block is None:
        return [], layout.columns
    tried = Column(last.x, 0.0, last.width, layout.lettering)
    block(tried, limit)
    column = Column(last.x, last.bottom - tried.y, last.width, layout.lettering)
    block(column, limit)
    tried.gap()
    return column.items, (*others, replace(last, height=last.height - tried.y))


def flow(
    blocks: Sequence[Block], columns: tuple[Rectangle, ...], lettering: float, limit: int
) -> tuple[Items, float]:
    """Set blocks into columns with lists of so many rows.

    Returns
    -------
    items
    float
        By how much they are too long, mm; not above zero where they fit.
    """
    place, *columns_left = columns
    column = Column(place.x, place.y, place.width, lettering)
    items: Items = []
    longest = -math.inf
    for block in blocks:
        start = len(column.items), column.y
        block(column, limit)
        if column.y > place.bottom + 0.1 and columns_left:
            items += column.items[: start[0]]
            place, *columns_left = columns_left
            column = Column(place.x, place.y, place.width, lettering)
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
        "scale": scale_block(package, measures, layout),
        "design": design_block(package, measures),
        "design_points": points_block(package, measures),
        "surfaces": surfaces_block(package, measures, tints),
        "water": water_block(package, measures),
        "grades": grades_block(package, measures),
        "look": look_block(package),
        "lines": _lines(package, measures),
        "signs": signs_block(package),
        "accuracy": _accuracy(package, measures),
        "place": place_block(package, measures, dropped, lacking),
        "caution": caution_block(),
        "title block": title_block(package),
    }
    return {name: block for name, block in found.items() if block is not None}


def on_sheet(package: Package, layout: Layout) -> Package:
    """Return a package with those features alone that lie in the map window of a sheet."""
    window, view = layout.view.window, layout.view
    reach = np.array([window.width, window.height]) / 2 / view.mm_per_unit
    frame = shapely.box(*(view.centre - reach), *(view.centre + reach))
    layers = []
    for layer in package.layers:
        shapes = np.array(layer.geometries, dtype=object)
        kept = np.flatnonzero(shapely.intersects(shapes, frame)).tolist()
        layers.append(
            replace(
                layer,
                records=[layer.records[i] for i in kept],
                geometries=[layer.geometries[i] for i in kept],
            )
        )
    return replace(package, layers=tuple(layers))


def first_sentences(text: str, longest: int = _LONG) -> str:
    """Return the first sentences of a text, no more characters than wanted, but at least one.

    Examples
    --------
    >>> first_sentences("It is 3.5 m off. Look at mark A. Or do not.", 35)
    'It is 3.5 m off. Look at mark A.'
    """
    sentences = re.split(r"(?<=[.)]) (?=[A-Z])", text)
    told = sentences[0]
    for one in sentences[1:]:
        if len(told) + 1 + len(one) > longest:
            break
        told = f"{told} {one}"
    return told


def look_block(
    package: Package, rest: str = "the sheets that follow", most: int = 4
) -> Block | None:
    """Return what must be looked at first, at most so many, and where the rest of it is."""
    found = [f for f in package.findings if f.level == "look"]
    if not found:
        return None
    texts = on_paper(package, found[:most])

    def block(column: Column, limit: int) -> None:
        column.heading("Look at this first")
        shown = min(limit, most)
        told = [first_sentences(text) for text in texts[:shown]]
        for text in told:
            column.y += 0.5 * column.k
            top = column.y
            column.x, column.width = column.x + 3.0 * column.k, column.width - 3.0 * column.k
            column.paragraph(printable(text, len(text)))
            column.x, column.width = column.x - 3.0 * column.k, column.width + 3.0 * column.k
            bar = Rectangle(column.x, top + 0.6 * column.k, 1.0 * column.k, column.y - top)
            column.items.append(rectangle(bar, fill=ALERT))
        more(column, len(found), shown, f"the list of findings, on {rest}")
        if len(found) <= shown and told != texts:
            column.paragraph(f"In full in the list of findings, on {rest}", colour=FAINT)

    return block


def _lines(package: Package, measures: Measures, seen: Package | None = None) -> Block | None:
    sums = sums_by_code(package, "lines", "length_m", seen)
    if sums is None:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading("Lines, on the ground")
        for code, length in list(sums.items())[:limit]:
            sign = stroke_sign(code_pen(package.codes.get(code)), column.k)
            title = printable(code_title(package.codes, code))
            column.row(sign, title, measures.length(length))
        more(column, len(sums), limit, "quantities.csv")

    return block


def _accuracy(package: Package, measures: Measures) -> Block:
    words = accuracy_words(package, measures)

    def block(column: Column, limit: int) -> None:
        column.heading("How good it is")
        column.paragraph(words)

    return block


def place_block(
    package: Package,
    measures: Measures,
    dropped: int,
    lacking: bool,
    rest: str = "",
    thinned: Thinned = NOTHING,
) -> Block:
    """Return map, heights and units, and what was left out; `rest` is the file that has it."""
    frame = package.frame
    unit = "metres" if measures.unit == "m" else "international feet"
    text = (
        f"Map: {crs_words(frame.crs_wkt, frame.crs_name)}. Elevations: {height_words(frame)}, "
        f"in {plural(frame.height_unit_name)}. Lengths in {unit}, on the ground and on this "
        f"paper; lengths on the map grid are {frame.combined_factor:.6f} of them. "
        f"{convergence_words(frame.convergence, convergence_spread(package))}"
    )

    def block(column: Column, limit: int) -> None:
        column.heading("Where it lies")
        column.paragraph(text)
        if layer_of(package, "parcels") is not None:
            column.paragraph(parcel_source_words(package.parcel_source))
        for words in _left_out(dropped, lacking, thinned, rest):
            column.paragraph(words)

    return block


def _left_out(dropped: int, lacking: bool, thinned: Thinned, rest: str) -> Iterator[str]:
    """Say what of the map is not on the sheet, and which file has it."""
    if dropped:
        labels = "1 label is" if dropped == 1 else f"{dropped} labels are"
        yield f"For lack of room {labels} left out; {rest or 'site.gpkg'} has all."
    if thinned.pond_parts:
        yield (
            f"{thinned.pond_parts} parts of ponds too small to be read are left out (of many "
            "small ponds side by side the largest is drawn); site.gpkg has all."
        )
    if thinned.contours:
        lines = "1 contour" if thinned.contours == 1 else f"{thinned.contours} contours"
        yield f"{lines} too near to each other to be read left out; site.gpkg has all."
    if thinned.dots:
        places = "1 place" if thinned.dots == 1 else f"{thinned.dots} places"
        yield f"{places} without a name too near to others to be read left out; site.gpkg has all."
    if lacking:
        yield f"A □ stands for a letter this font lacks; {rest or 'viewer.html'} shows it."


def left_out_block(dropped: int, lacking: bool, thinned: Thinned) -> Block:
    """Return what was left out, where the site plan has map, heights and units."""

    def block(column: Column, limit: int) -> None:
        column.paragraph("Map, heights, north and accuracy: on the site plan.", colour=FAINT)
        for words in _left_out(dropped, lacking, thinned, ""):
            column.paragraph(words)

    return block


def caution_block() -> Block:
    """Return what the sheet is not."""

    def block(column: Column, limit: int) -> None:
        column.heading("Caution")
        column.paragraph(CAUTION, weight="regular")

    return block


def numbered(package: Package, number: str) -> Package:
    """Return a package whose title block bears the number of one sheet of a set.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.fieldbook.sitefile import Sheet
    >>> numbered(Package("Yard", "", Frame(), sheet=Sheet(number="Y-1")), "2 of 7").sheet.number
    'Y-1, 2 of 7'
    """
    if not (number and title_block(package)):
        return package
    both = ", ".join(part for part in (package.sheet.number, number) if part)
    return replace(package, sheet=replace_fields(package.sheet, number=both))


def title_block(package: Package) -> Block | None:
    """Return the title block: the fields that are given, and the last revisions."""
    given, revisions = title_fields(package), revision_words(package)
    if not given and not revisions:
        return None

    def block(column: Column, limit: int) -> None:
        column.heading("Title block")
        for name, text in given.items():
            column.pair(name, printable(text, 200))
        for name, text in revisions[-max(limit, 1) :]:
            column.pair(printable(name, 21), printable(text, 260))

    return block
