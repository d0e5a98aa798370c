"""The slip to print: what the device must show, in large letters, twenty points to a page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geosite.analysis.setting_out.model import Located, SettingOut
from geosite.analysis.setting_out.wording import check_words, ground_words, mark_words, order_words
from geosite.base.arrays import Floats
from geosite.base.rounding import seen
from geosite.drawing.font import Weight, printable, typeface
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.sheet import (
    Anchor,
    Arc,
    Group,
    Outline,
    Page,
    Rectangle,
    Shape,
    Text,
    rectangle,
)
from geosite.handover.model import CAUTION

__all__ = ["POINTS_PER_PAGE", "slip_pages"]

POINTS_PER_PAGE = 20
_PAPERS = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
_MARGIN = 10.0
_ROW = 7.6
_LETTERS = 4.3
"""Em of the figures, mm: read at arm's length."""
_FAR = "#d4500f"
_SERVICES = "Locate buried services before anything is driven into the ground."
_TAPED = 14.0
"""Mm on paper: a shorter way from point to point has no room for its length."""
_BY_HAND = f"Day {'_' * 16}   Set out by {'_' * 24}"
"""A slip of another day is of no use, for the device started somewhere else then."""

_SHORT = 6
"""Letters of a name that finds room beside its point."""

_Items = list[Shape | Text]


@dataclass(frozen=True, slots=True)
class _Column:
    head: tuple[str, str]
    width: float
    anchor: Anchor = "end"
    weight: Weight = "regular"


def slip_pages(found: SettingOut, paper: str = "A4") -> tuple[Page, ...]:
    """Return the pages of the slip.

    Parameters
    ----------
    found
    paper
        ``"A4"`` or ``"letter"``, upright.
    """
    width, height = _PAPERS[paper]
    groups = [
        found.points[first : first + POINTS_PER_PAGE]
        for first in range(0, len(found.points), POINTS_PER_PAGE)
    ]
    pages = []
    for number, points in enumerate(groups, start=1):
        first = (number - 1) * POINTS_PER_PAGE + 1
        items: _Items = []
        top = _head(items, found, width, f"{number} of {len(groups)}")
        labels = _labels(found, points, first)
        top = _table(items, found, points, labels, top, width)
        foot = _foot(items, found, width, height)
        box = Rectangle(_MARGIN, top + 3, width - 2 * _MARGIN, foot - top - 5)
        _sketch(items, found, points, labels, box)
        pages.append(
            Page(
                width=width,
                height=height,
                title=f"Setting out: {found.title}",
                description=f"Points {first} to {first + len(points) - 1}",
                groups=(Group("slip", "Slip", items),),
            )
        )
    return tuple(pages)


def _labels(found: SettingOut, points: Sequence[Located], first: int) -> Sequence[str]:
    """Return what stands beside each point of the drawing: its name where all are short.

    Else a number, which then has a column of its own in the table.
    """
    names = [printable(point.target.name, 40) for point in found.points]
    if len(set(names)) == len(names) and all(0 < len(name) <= _SHORT for name in names):
        return names[first - 1 : first - 1 + len(points)]
    return [str(number) for number in range(first, first + len(points))]


def _lines(
    items: _Items, text: str, x: float, y: float, width: float, size: float, colour: str = TEXT
) -> float:
    for line in typeface("regular").wrap(printable(text, 2000), width / size):
        items.append(Text(x, y, line, size, colour=colour))
        y += size * 1.32
    return y


def _head(items: _Items, found: SettingOut, width: float, page: str) -> float:
    room = width - 2 * _MARGIN
    bold = typeface("bold")
    title = bold.fit(printable(f"Setting out: {found.title}", 120), (room - 30) / 6)
    items.append(Text(_MARGIN, 16, title, 6, "bold"))
    items.append(Text(width - _MARGIN, 16, page, 4.5, anchor="end"))
    y = _lines(items, check_words(found), _MARGIN, 22, room, 3.4)
    words = mark_words(found)
    if words:
        y = _lines(items, words, _MARGIN, y, room, 3.4)
    items.append(Text(_MARGIN, y, _SERVICES, 3.4, "bold"))
    items.append(Text(width - _MARGIN, y + 7, _BY_HAND, 3.4, colour=FAINT, anchor="end"))
    return y + 9


def _columns(found: SettingOut, numbered: bool) -> list[_Column]:
    unit = found.unit
    own = [_Column(("point", ""), 30, "start", "bold")]
    if numbered:
        own.insert(0, _Column(("no.", ""), 10, "start"))
    if found.baseline_visits is not None:
        own += [_Column((axis, unit), 22, weight="bold") for axis in "xyz"]
    own += [
        _Column(("along", unit), 20),
        _Column(("offset", unit), 21),
        _Column(("cut, fill", unit), 19),
        _Column(("within", unit), 15),
        _Column(("set", ""), 12, "middle"),
    ]
    return own


def _table(
    items: _Items,
    found: SettingOut,
    points: Sequence[Located],
    labels: Sequence[str],
    top: float,
    width: float,
) -> float:
    numbered = any(p.target.name != label for p, label in zip(points, labels, strict=True))
    columns = _columns(found, numbered)
    stretch = (width - 2 * _MARGIN) / sum(column.width for column in columns)
    y = top + 3.5
    edges = np.cumsum([0.0, *(column.width * stretch for column in columns)]) + _MARGIN
    for column, left, right in zip(columns, edges[:-1], edges[1:], strict=True):
        x = {"start": left + 1, "middle": (left + right) / 2, "end": right - 1.2}[column.anchor]
        head = f"{column.head[0]}, {column.head[1]}" if column.head[1] else column.head[0]
        items.append(Text(float(x), y, head, 3.1, colour=FAINT, anchor=column.anchor))
    y += 1.8
    pen = Stroke(TEXT, 0.35)
    items.append(_rule(_MARGIN, y, width - _MARGIN, pen))
    for row, (point, label) in enumerate(zip(points, labels, strict=True)):
        if row % 2:
            band = Rectangle(_MARGIN, y, width - 2 * _MARGIN, _ROW)
            items.append(rectangle(band, fill="#eef1f3"))
        cells = [*([label] if numbered else []), *_cells(found, point)]
        for column, cell, left, right in zip(columns, cells, edges[:-1], edges[1:], strict=True):
            if column.head[0] == "set":
                side = _ROW - 3
                box = Rectangle(float(left + right) / 2 - side / 2, y + 1.5, side, side)
                items.append(rectangle(box, stroke=Stroke(TEXT, 0.4), fill=PAPER))
                continue
            face = typeface(column.weight)
            text, size = printable(cell, 40), _LETTERS
            room = float(right - left) - 1.8
            if face.width(text) * size > room:  # a long name, or a frame far from its origin
                size = max(room / face.width(text), 2.6)
                text = face.fit(text, room / size)
            x = float(left) + 1 if column.anchor == "start" else float(right) - 1.2
            colour = _FAR if column.head[0] == "within" and point.verdict == "cannot" else TEXT
            base = y + _ROW / 2 + size * 0.36
            items.append(Text(x, base, text, size, column.weight, colour, column.anchor))
        y += _ROW
    items.append(_rule(_MARGIN, y, width - _MARGIN, pen))
    return y


def _cells(found: SettingOut, point: Located) -> list[str]:
    places = found.places
    cells = [point.target.name]
    if found.baseline_visits is not None:
        cells += ["-" if v is None else f"{v:.{places}f}" for v in point.reading or (None,) * 3]
    side = "L" if point.offset < 0 else "R"
    cells += [f"{point.along:.{places}f}", f"{abs(point.offset):.{places}f} {side}"]
    if point.cut is None:
        cells.append("-")
    else:
        cut = point.cut.value / found.unit_m
        cells.append(f"{abs(cut):.2f} {'C' if cut >= 0 else 'F'}")
    within = None if point.error_95_m is None else point.error_95_m / found.unit_m
    cells.append("?" if within is None else seen(within, 2))
    return [*cells, ""]


def _rule(left: float, y: float, right: float, pen: Stroke) -> Shape:
    return Shape((Outline((np.array([(left, y), (right, y)]),)),), pen)


def _foot(items: _Items, found: SettingOut, width: float, height: float) -> float:
    room = width - 2 * _MARGIN
    words = (
        "L and R: left and right of the baseline. C: cut, the ground lies above the design; F: "
        f"fill. Within: radius that holds the device in 95 of 100 walks. {order_words(found)} "
        f"{ground_words(found)} In the drawing: level lengths from point to point, {found.unit}, "
        f"to check by tape. {CAUTION}"
    )
    lines = typeface("regular").wrap(words, room / 2.5)
    top = height - 7 - len(lines) * 2.5 * 1.32
    _lines(items, words, _MARGIN, top + 2.5, room, 2.5, FAINT)
    return top


def _sketch(
    items: _Items,
    found: SettingOut,
    points: Sequence[Located],
    labels: Sequence[str],
    box: Rectangle,
) -> None:
    """Draw baseline and points as seen with the baseline running to the right."""
    if box.height < 15:
        return
    items.append(rectangle(box, stroke=Stroke(FAINT, 0.2)))
    places = np.array([(0.0, 0.0), (found.baseline, 0.0), *((p.along, p.offset) for p in points)])
    low, high = places.min(axis=0), places.max(axis=0)
    span = np.maximum(high - low, 1e-6)
    room = np.array([box.width - 24, box.height - 13])
    scale = float((room / span).min())
    middle = np.array([box.x + box.width / 2, box.y + box.height / 2])
    on_paper: Floats = middle + (places - (low + high) / 2) * scale
    one, two = on_paper[:2]
    items.append(Shape((Outline((np.array([one, two]),)),), Stroke(TEXT, 0.7)))
    heading = two - one
    length = float(np.hypot(*heading))
    if length > 6:
        ahead = heading / length
        side = np.array([-ahead[1], ahead[0]])
        back = two - ahead * 3
        tip = np.array([two, back + side * 1.1, back - side * 1.1])
        items.append(Shape((Outline((tip,), closed=True),), fill=TEXT))
    for mark, at, name in zip(("from", "to"), (one, two), found.marks, strict=True):
        items.append(_dot(at, 1.1, TEXT, PAPER))
        lift = -2.2 if mark == "from" else 5.0
        text = printable(name, 24)
        items.append(
            Text(float(at[0]), float(at[1]) + lift, text, 3.4, "bold", anchor="middle", halo=True)
        )
    _to_tape(items, found, places[2:], on_paper[2:])
    for label, at in zip(labels, on_paper[2:], strict=True):
        items.append(_dot(at, 0.8, _FAR, _FAR))
        x, y = (float(v) for v in at)
        items.append(Text(x + 1.4, y - 0.8, label, 3.2, halo=True))


def _to_tape(items: _Items, found: SettingOut, places: Floats, on_paper: Floats) -> None:
    """Draw the way from each point to the next with its level length, to check it by tape."""
    for k in range(len(places) - 1):
        if float(np.hypot(*(on_paper[k + 1] - on_paper[k]))) < _TAPED:
            continue
        items.append(Shape((Outline((on_paper[k : k + 2],)),), Stroke(FAINT, 0.15)))
        x, y = (float(v) for v in (on_paper[k] + on_paper[k + 1]) / 2)
        length = f"{float(np.hypot(*(places[k + 1] - places[k]))):.{found.places}f}"
        items.append(Text(x, y + 1.0, length, 2.8, colour=FAINT, anchor="middle", halo=True))


def _dot(at: Floats, radius: float, colour: str, fill: str) -> Shape:
    circle = Arc((float(at[0]), float(at[1])), radius, 0.0, 2 * math.pi)
    return Shape((Outline((circle,), closed=True),), Stroke(colour, 0.4), fill)
