"""One sheet at true scale for a comparison: map, vectors drawn larger, words beside them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from msgspec.structs import replace as replace_fields

from geosite.base.arrays import Floats
from geosite.base.errors import Finding
from geosite.base.estimate import Estimate
from geosite.base.rounding import decimals
from geosite.drawing.ink import FAINT, TEXT
from geosite.drawing.pdf import pdf, png
from geosite.drawing.sheet import Group, Rectangle, Sheet
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Handover
from geosite.handover.layers.everything import survey_layers
from geosite.handover.model import Layer, Package
from geosite.handover.plan.canvas import Canvas, interior
from geosite.handover.plan.layout import Layout, choose_layout
from geosite.handover.plan.map_edge import frame_group, header_group
from geosite.handover.plan.map_sheet import lacks_letters, map_sheet
from geosite.handover.plan.sheet import PNG_DPI
from geosite.handover.plan.side_column import Block, Column
from geosite.handover.plan.side_words import flow
from geosite.handover.wording.measures import Measures
from geosite.linework.model import Drawing
from geosite.network.model import Network

__all__ = [
    "Draw",
    "Words",
    "comparison_sheet",
    "enlarged",
    "extent_of",
    "key_length",
    "name_surfaces",
    "signed",
    "sure_block",
    "survey_package",
    "vector_ends",
    "write_sheet",
]

#: Rows per list, tried in order until the words fit.
_ROWS = (40, 16, 10, 7, 5, 4, 3, 2, 1)
#: Longest vector on paper at lettering 1, mm.
_LONGEST = 20.0
#: Share of the map that is kept free around what is compared.
_AROUND = 0.06

#: Draws the map.
Draw = Callable[[Canvas], None]
#: Returns the words, given the layout (None while it is chosen), how many labels found no room, and
#: whether a letter is lacking.
Words = Callable[[Layout | None, int, bool], Sequence[Block]]


def comparison_sheet(
    package: Package,
    options: Handover,
    called: str,
    extent: tuple[float, float, float, float],
    drawn: tuple[Draw, Words],
) -> Sheet:
    """Return a comparison as a drawing on one sheet.

    Parameters
    ----------
    package
        Title, date, frame and the layers that `draw` asks for.
    options
        Paper and unit; the scale is the largest round one at which the extent fits.
    called
        What the sheet is, under the title of the site.
    extent : (west, south, east, north), map units
    drawn
        What draws the map, and what returns the blocks of words.
    """
    draw, words = drawn
    measures = Measures(options.unit)

    def fits(columns: tuple[Rectangle, ...], lettering: float) -> bool:
        return flow(words(None, 1, False), columns, lettering, _ROWS[2])[1] <= 0

    free = replace_fields(options, scale=None)
    layout = choose_layout(package.frame, extent, free, fits)
    page = Canvas(package, layout, measures, {})
    draw(page)
    groups = page.groups()
    header = header_group(package, layout, measures, called)
    blocks = words(layout, page.dropped, lacks_letters((*groups, header)))
    for rows in _ROWS:
        items, left = flow(blocks, layout.columns, layout.lettering, rows)
        if left <= 0:
            break
    said = Group("words", "Words", tuple(items))
    return map_sheet(package, options, layout, called, (*groups, frame_group(layout), header, said))


def survey_package(
    notes: Notes, network: Network, drawing: Drawing, findings: tuple[Finding, ...]
) -> Package:
    """Return of a survey what its comparison is drawn on: marks, baseline, areas, lines."""
    site = notes.site
    return Package(
        site.site.title,
        site.site.date or "",
        network.frame,
        survey_layers(notes, network, drawing),
        (),
        (),
        findings=findings,
        codes=site.codes,
        surveyor=site.site.surveyor,
        client=site.site.client,
        sheet=site.sheet,
    )


def name_surfaces(page: Canvas, layer: Layer, *, later: bool = False) -> None:
    """Write the name of each area where there is room."""
    for record, geometry in zip(layer.records, layer.geometries, strict=True):
        inside = interior(page.view_polygon(geometry), page.view, page.k)
        text = str(record["title"] or record["feature"] or "")
        label = page.line(text, colour=TEXT if later else FAINT)
        page.write("areas", [label], inside, rank_cost=0.25, count=False)


def write_sheet(sheet: Sheet, document: Path, picture: Path) -> None:
    """Write a sheet as a document to print and as a picture."""
    content = pdf(sheet)
    document.write_bytes(content)
    picture.write_bytes(png(content, PNG_DPI))


def extent_of(shapes: Sequence[Any]) -> tuple[float, float, float, float]:
    """Return west, south, east, north of geometries in map units, with some room around."""
    west, south, east, north = map(float, shapely.total_bounds(np.array(shapes, dtype=object)))
    room = _AROUND * max(east - west, north - south)
    return west - room, south - room, east + room, north + room


def enlarged(lengths: Sequence[float], scale: float, lettering: float) -> float:
    """Return how many times larger than the map vectors are drawn, a round number.

    Parameters
    ----------
    lengths
        Of the vectors, metres on the ground.
    scale, lettering
        Of the sheet.

    Examples
    --------
    At 1:100 5 cm are half a millimetre; 20 times as long they are 10 mm.

    >>> enlarged([0.02, 0.05], 100.0, 1.0), enlarged([], 100.0, 1.0)
    (20.0, 1.0)
    """
    longest = max(lengths, default=0.0)
    if not longest > 0:
        return 1.0
    most = _LONGEST * lettering / (longest * 1000.0 / scale)
    return max(_round_down(most), 1.0)


def key_length(times: float, scale: float, lettering: float, unit_m: float) -> tuple[float, float]:
    """Return a round length for the legend, metres, and how long it is drawn, mm.

    Parameters
    ----------
    times
        How many times as long as the map has it a vector is drawn.
    scale
        Scale number of the map.
    lettering
        Factor on every size.
    unit_m
        Metres per unit that the sheet speaks.

    Examples
    --------
    At 1:200 and 100 times as long 1 cm is drawn 5 mm long:

    >>> key_length(100.0, 200.0, 1.0, 1.0)
    (0.01, 5.0)
    """
    per_metre = 1000.0 / scale * times
    length = _round_down(8.0 * lettering / per_metre / unit_m) * unit_m
    return length, length * per_metre


def _round_down(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(value) + 1e-9)
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= value * (1 + 1e-9))


def signed(value: Estimate, measures: Measures) -> str:
    """Return a small difference with its sign, no digit more than is known.

    Examples
    --------
    >>> from geosite.handover.wording.measures import Measures
    >>> signed(Estimate.normal(0.0432, 0.005, 2.0), Measures("m"))
    '+0.043'
    """
    places = max(1, min(3, decimals(value.half_width / measures.unit_m)))
    text = f"{value.value / measures.unit_m:+.{places}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", "\N{MINUS SIGN}")


def vector_ends(page: Canvas, place: Floats, shift: Floats, times: float) -> Floats:
    """Return both ends of a vector on paper, shape (2, 2), drawn `times` as long as the map has it.

    Parameters
    ----------
    place, shift : array, shape (2,), local grid metres
    """
    start = page.view.local_on_paper(place)
    end = page.view.local_on_paper(np.asarray(place) + shift)
    ends: Floats = np.array([start, start + (end - start) * times])
    return ends


def sure_block(words: str) -> Block:
    """Return what a sheet of a comparison says of how sure it is."""

    def block(column: Column, limit: int) -> None:
        column.heading("How sure it is")
        column.paragraph(words)

    return block
