"""Running pages: headings, paragraphs, tables and figures, broken into pages with head and foot.

Blocks say what is written; `lay_out` decides where. A heading never stands alone at the foot of a
page, a table repeats its header on every page it runs over, a row is never cut.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from geosite.drawing.font import Weight, printable, typeface
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.sheet import (
    Group,
    Outline,
    Page,
    Rectangle,
    Shape,
    Text,
    rectangle,
)
from geosite.drawing.strip import STRIP_HEIGHT, field_strip

__all__ = [
    "Block",
    "Column",
    "Figure",
    "Heading",
    "PageBreak",
    "Paper",
    "Paragraph",
    "Signature",
    "Space",
    "Table",
    "lay_out",
]

Items = list[Shape | Text]

_BODY = 2.9
_CELL = 2.6
_LEADING = 1.36
_SIZES = {1: 4.6, 2: 3.5}
_ABOVE, _BELOW = 0.9, 0.25
"""Space above and below a heading, times its size."""
_SHORT = 5
"""Lines of a paragraph that goes with what it leads to."""
_FEW = 3
"""Rows of a table that is not parted."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading of level 1 or 2."""

    text: str
    level: Literal[1, 2] = 1


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text."""

    text: str
    weight: Weight = "regular"
    colour: str = TEXT
    size: float = _BODY


@dataclass(frozen=True, slots=True)
class Space:
    """Empty room, mm."""

    height: float


@dataclass(frozen=True, slots=True)
class PageBreak:
    """What follows begins a page."""


@dataclass(frozen=True, slots=True)
class Column:
    r"""A column of a table.

    Parameters
    ----------
    title
        Of its header; ``\n`` starts a second line, usual for the unit.
    share
        Of the width, relative to the other columns.
    align
        ``"start"`` for words, ``"end"`` for numbers.
    """

    title: str
    share: float = 1.0
    align: Literal["start", "end"] = "start"


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under a header.

    Parameters
    ----------
    columns
        Where none has a title the table has no header.
    rows
        One text per column; wrapped where it is too wide.
    strong
        Numbers of the rows set in bold, for totals and for what needs a look.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    strong: frozenset[int] = frozenset()


@dataclass(frozen=True, eq=False, slots=True)
class Figure:
    """A drawing with its caption.

    Parameters
    ----------
    height
        Of the drawing, mm; it is as wide as the text.
    draw
        Returns the shapes and texts in the box it is given.
    caption
    least
        Height that does as well where the rest of a page has no room for more, mm; without it the
        whole height.
    """

    height: float
    draw: Callable[[Rectangle], Sequence[Shape | Text]]
    caption: str
    least: float | None = None


@dataclass(frozen=True, slots=True)
class Signature:
    """Lines to be filled in by hand, side by side, each with what belongs on it below."""

    labels: tuple[str, ...]


_LED_TO = Figure | Table | Heading

Block = Heading | PageBreak | Paragraph | Space | Table | Figure | Signature


@dataclass(frozen=True, slots=True)
class Paper:
    """Paper, margins, and what stands at the head and foot of each page.

    Parameters
    ----------
    width, height
        mm.
    title
        Of the document, at the head of each page.
    about
        What it is about, after the title.
    foot
        At the foot, before the number of the page.
    before
        Sheets of the same set that come before; the pages go on counting them as sheets.
    fields
        Of the title block, name and text of each, in a strip above the foot.
    """

    width: float
    height: float
    title: str
    about: str
    foot: str
    margin: float = 20.0
    before: int = 0
    fields: tuple[tuple[str, str], ...] = ()

    @property
    def text(self) -> Rectangle:
        """The box that blocks are set in."""
        strip = STRIP_HEIGHT if self.fields else 0.0
        top, bottom = self.margin + 6.0, self.margin + 2.0 + strip
        return Rectangle(self.margin, top, self.width - 2 * self.margin, self.height - top - bottom)


def lay_out(blocks: Sequence[Block], paper: Paper) -> tuple[Page, ...]:
    """Set blocks into pages.

    Parameters
    ----------
    blocks
        In reading order.
    paper
        Size, head and foot.

    Returns
    -------
    tuple of Page
        At least one.

    Examples
    --------
    >>> paper = Paper(210, 297, "Report", "invented", "no boundary survey")
    >>> len(lay_out([Heading("One"), Paragraph("word " * 3000)], paper))
    3
    """
    setter = _Setter(paper.text)
    for i, block in enumerate(blocks):
        setter.put(block, blocks[i + 1 : i + 6])
    pages = setter.finished()
    return tuple(
        Page(
            width=paper.width,
            height=paper.height,
            title=paper.title,
            description=paper.about,
            groups=(
                Group("text", "Text", items),
                Group("frame", "Head and foot", _frame(paper, number, len(pages))),
            ),
        )
        for number, items in enumerate(pages, start=1)
    )


def _frame(paper: Paper, number: int, count: int) -> Items:
    left, right = paper.margin, paper.width - paper.margin
    room = right - left
    page = f"page {number} of {count}"
    if paper.before:
        page = f"sheet {paper.before + number} of {paper.before + count}"
    head = typeface("bold").fit(printable(paper.title, 200), room * 0.6 / _BODY)
    used = typeface("bold").width(head) * _BODY + 4
    about = typeface("regular").fit(printable(paper.about, 200), (room - used) / _CELL)
    foot = typeface("regular").fit(printable(paper.foot, 300), (room - 22) / 2.2)
    y = paper.margin - 2.0
    under = paper.height - paper.margin + 4.0
    return [
        Text(left, y, head, _BODY, "bold"),
        Text(right, y, about, _CELL, colour=FAINT, anchor="end"),
        rectangle(Rectangle(left, y + 1.6, room, 0.35), fill=TEXT),
        *field_strip(paper.fields, Rectangle(left, under - 4.2 - STRIP_HEIGHT, room, STRIP_HEIGHT)),
        rectangle(Rectangle(left, under - 4.2, room, 0.15), fill=FAINT),
        Text(left, under, foot, 2.2, colour=FAINT),
        Text(right, under, page, 2.2, colour=FAINT, anchor="end"),
    ]


class _Setter:
    """Blocks set one below the other; full pages are put aside."""

    def __init__(self, box: Rectangle) -> None:
        self.box = box
        self.pages: list[Items] = [[]]
        self.y = box.y

    def finished(self) -> list[Items]:
        return self.pages if self.pages[-1] or len(self.pages) == 1 else self.pages[:-1]

    def put(self, block: Block, follows: Sequence[Block]) -> None:
        match block:
            case Heading():
                self._heading(block, follows)
            case Paragraph():
                self._paragraph(block)
            case Space():
                self.y += block.height
            case PageBreak():
                self._need(math.inf)
            case Table():
                self._table(block)
            case Figure():
                self._figure(block)
            case Signature():
                self._signature(block)

    def _need(self, height: float) -> None:
        """Start a page where the rest of this one is too low."""
        if self.y + height > self.box.bottom and self.y > self.box.y:
            self.pages.append([])
            self.y = self.box.y

    def _heading(self, block: Heading, follows: Sequence[Block]) -> None:
        size = _SIZES[block.level]
        lines = typeface("bold").wrap(printable(block.text, 400), self.box.width / size)
        own = _heading_height(size, len(lines))
        # a heading takes the first lines of what it heads along
        self._need(own + self._least_of(follows))
        if self.y > self.box.y:
            self.y += size * _ABOVE
        for line in lines:
            self.y += size * _LEADING
            self.pages[-1].append(Text(self.box.x, self.y - size * 0.3, line, size, "bold"))
        self.y += size * _BELOW

    def _least_of(self, follows: Sequence[Block]) -> float:
        """Return the room that what stands under a heading needs with it, mm.

        A short paragraph goes with what it leads to: a figure, a table, or the next heading with
        the first lines of what that one heads.
        """
        if not follows:
            return 0.0
        first, *others = follows
        if isinstance(first, Heading):
            return _heading_height(_SIZES[first.level], 1) + self._least_of(others)
        if isinstance(first, Paragraph) and others and isinstance(others[0], _LED_TO):
            lines = typeface(first.weight).wrap(_clean(first.text), self.box.width / first.size)
            if len(lines) <= _SHORT:
                reserved = first.size * (_LEADING * len(lines) + 0.5)
                return reserved + min(self._least_of(others), self.box.height / 2)
        return min(self._least(first), self.box.height / 2)

    def _least(self, block: Block) -> float:
        """Return the least height that the first part of a block needs, mm."""
        match block:
            case Figure():
                return (block.least or block.height) + 2 * _CELL * _LEADING
            case Table():
                return self._table_start(block)
            case Signature():
                return 18.0
            case _:
                return 2 * _BODY * _LEADING

    def _table_start(self, table: Table) -> float:
        """Return the height of what of a table does not stand alone on a page, mm.

        That is its header, the first two rows, and a short table whole.
        """
        widths = _widths(table, self.box.width)
        titles = tuple(column.title for column in table.columns)
        header = [titles] if any(titles) else []
        heights = [
            _height([_wrapped(c, w, "bold") for c, w in zip(cells, widths, strict=True)])
            for cells in (*header, *table.rows[:_FEW])
        ]
        whole = sum(heights)
        if len(table.rows) <= _FEW and whole <= self.box.height / 2:
            return whole
        return sum(heights[: len(header) + 2])

    def _paragraph(self, block: Paragraph) -> None:
        em = block.size
        for line in typeface(block.weight).wrap(_clean(block.text), self.box.width / em):
            self._need(em * _LEADING)
            self.y += em * _LEADING
            self.pages[-1].append(
                Text(self.box.x, self.y - em * 0.3, line, em, block.weight, block.colour)
            )
        self.y += em * 0.5

    def _table(self, table: Table) -> None:
        widths = _widths(table, self.box.width)
        header = [_wrapped(c.title, w, "bold") for c, w in zip(table.columns, widths, strict=True)]
        headed = any(column.title for column in table.columns)
        head_height = _height(header) if headed else 0.0
        self._need(min(self._table_start(table), self.box.height))
        if headed:
            self._row(table, header, widths, head_height, "bold", rule=TEXT)
        rows = [self._cells(table, number, widths) for number in range(len(table.rows))]
        heights = [_height(cells) for _, cells in rows]
        for number, (weight, cells) in enumerate(rows):
            # the last row does not stand alone on a page
            with_last = heights[-1] if _FEW <= len(rows) == number + 2 else 0.0
            if self.y + heights[number] + with_last > self.box.bottom:
                self._need(heights[number] + with_last)
                if headed:
                    self._row(table, header, widths, head_height, "bold", rule=TEXT)
            self._row(table, cells, widths, heights[number], weight, rule=FAINT)
        self.y += _CELL * 0.8

    def _cells(
        self, table: Table, number: int, widths: Sequence[float]
    ) -> tuple[Weight, list[list[str]]]:
        """Return the weight of a row and the lines of its cells."""
        weight: Weight = "bold" if number in table.strong else "regular"
        row = table.rows[number]
        return weight, [_wrapped(c, w, weight) for c, w in zip(row, widths, strict=True)]

    def _row(
        self,
        table: Table,
        cells: Sequence[Sequence[str]],
        widths: Sequence[float],
        height: float,
        weight: Weight,
        *,
        rule: str,
    ) -> None:
        x = self.box.x
        items = self.pages[-1]
        for column, lines, width in zip(table.columns, cells, widths, strict=True):
            y = self.y
            at = x if column.align == "start" else x + width - _GAP
            for line in lines:
                y += _CELL * _LEADING
                items.append(Text(at, y - _CELL * 0.2, line, _CELL, weight, anchor=column.align))
            x += width
        self.y += height
        thick = 0.25 if rule == TEXT else 0.08
        items.append(rectangle(Rectangle(self.box.x, self.y, self.box.width, thick), fill=rule))

    def _figure(self, block: Figure) -> None:
        caption = typeface("regular").wrap(_clean(block.caption), self.box.width / _CELL)
        below = len(caption) * _CELL * _LEADING
        self._need((block.least or block.height) + below)
        # what begins a page has all of its height, whatever the page is
        rest = self.box.bottom - self.y - below if self.y > self.box.y else math.inf
        height = min(block.height, rest)
        self.pages[-1] += block.draw(Rectangle(self.box.x, self.y, self.box.width, height))
        self.y += height
        for line in caption:
            self.y += _CELL * _LEADING
            self.pages[-1].append(Text(self.box.x, self.y, line, _CELL, colour=FAINT))
        self.y += _CELL * 1.2

    def _signature(self, block: Signature) -> None:
        self._need(18.0)
        self.y += 14.0
        each = self.box.width / len(block.labels)
        pen = Stroke(TEXT, 0.2)
        import numpy as np

        for i, label in enumerate(block.labels):
            x = self.box.x + i * each
            line = np.array([(x, self.y), (x + each - 6.0, self.y)])
            self.pages[-1].append(Shape((Outline((line,)),), pen))
            self.pages[-1].append(Text(x, self.y + 3.2, label, 2.2, colour=FAINT))
        self.y += 6.0


_GAP = 2.0


def _clean(text: str) -> str:
    return printable(text, len(text))


def _widths(table: Table, width: float) -> list[float]:
    whole = sum(c.share for c in table.columns)
    return [width * c.share / whole for c in table.columns]


def _wrapped(text: str, width: float, weight: Weight) -> list[str]:
    face, room = typeface(weight), (width - _GAP) / _CELL
    return [line for part in text.split("\n") for line in face.wrap(_clean(part), room) or [""]]


def _heading_height(size: float, lines: int) -> float:
    """Return the height of a heading with the space above and below it, mm."""
    return size * (_ABOVE + _LEADING * lines + _BELOW)


def _height(cells: Sequence[Sequence[str]]) -> float:
    return _CELL * (_LEADING * max(map(len, cells), default=1) + 0.5)
