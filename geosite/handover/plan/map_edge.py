"""Round the map: the strip above it, and the coordinates along its edge."""

from __future__ import annotations

import math

from geosite.drawing.font import printable, typeface
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.sheet import Group, Rectangle, Text, rectangle
from geosite.handover.model import Package
from geosite.handover.plan.canvas import grid_step
from geosite.handover.plan.layout import Layout, scale_name
from geosite.handover.plan.side_column import Items
from geosite.handover.wording.measures import Measures
from geosite.handover.wording.reference import crs_words, height_words

__all__ = [
    "frame_group",
    "header_group",
]


def header_group(
    package: Package,
    layout: Layout,
    measures: Measures,
    called: str = "Site plan",
    number: str = "",
) -> Group:
    """Return the strip above the map: what this is, at which scale, of which day."""
    box, k = layout.header, layout.lettering
    title = printable(package.name, 120)
    scale = scale_name(layout.view.scale, measures.unit)
    date = f"Surveyed {printable(package.date, 30)}" if package.date else "No survey date given"
    date += f", sheet {number}" if number else ""
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
            text = f"{grouped_coordinate(n * step, digits)} E"
            items.append(
                Text(x, window.bottom + 2.6 * k, text, size, colour=FAINT, anchor="middle")
            )
    for n in range(
        math.ceil((view.centre[1] - up) / step), math.floor((view.centre[1] + up) / step) + 1
    ):
        y = float(view.on_paper((0.0, n * step))[1])
        if window.y + 10 * k < y < window.bottom - 10 * k:
            text = f"{grouped_coordinate(n * step, digits)} N"
            items.append(Text(window.x - 1.2 * k, y, text, size, "regular", FAINT, "middle", 90.0))
    return Group("frame", "Map edge", tuple(items))


def grouped_coordinate(value: float, digits: int) -> str:
    return f"{value:,.{digits}f}".replace(",", "\u202f")
