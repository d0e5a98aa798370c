"""A sketch of a field book: walks, outlines, misclosures and suspects, as text or as a sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.units import FOOT_M
from geosite.drawing.ink import FAINT, PAPER, Stroke
from geosite.drawing.sheet import Arc, Group, Outline, Rectangle, Shape, Sheet, Text, rectangle
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.rough_layout import LaidOut

__all__ = ["sketch_sheet", "sketch_text"]

WIDTH, HEIGHT, MARGIN = 297.0, 210.0, 12.0
"""Of the sheet, mm: A4 across."""
_INKS = ("#1b6ca8", "#b3541e", "#3b7d3a", "#7a4fa3", "#8c6d1f", "#2f7f86")
_SUSPECT = "#c62828"
_SCALES = (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5)
_LABELS = 400
"""Most names on a sheet."""


def sketch_sheet(
    book: FieldBook,
    laid: LaidOut,
    title: str,
    *,
    lines: Sequence[str] = (),
    suspects: Sequence[int] = (),
    unit: str = "m",
) -> Sheet:
    """Return the sketch as a sheet to print.

    Parameters
    ----------
    book, laid
    title
    lines
        Codes whose shapes are lines, which do not close.
    suspects
        Rows to ring.
    unit
        ``"m"`` or ``"ft"``, of what is written on it; ``"units"`` where nobody knows which.
    """
    window = Rectangle(MARGIN, MARGIN + 10, WIDTH - 2 * MARGIN, HEIGHT - 2 * MARGIN - 22)
    scale, paper = _on_paper(laid.plan, window)
    unit_m = FOOT_M if unit == "ft" else 1.0
    worst = laid.misclosures[0] if laid.misclosures else None
    below = (
        f"{_counted(len(book), 'observation')}, {_counted(len(book.runs), 'walk')}, 1:{scale:g}."
        " Laid on the baseline, not adjusted. Dashed: the way walked; full: outlines."
    )
    if worst is not None:
        below += (
            f" Largest misclosure: {worst.mark}, {worst.length_m / unit_m:.3f} {unit} after"
            f" {worst.way_m / unit_m:.0f} {unit} (drawn red, {_STRETCH} times as long)."
        )
    head = [
        Text(MARGIN, MARGIN + 4, title, 5.0, "bold"),
        Text(MARGIN, HEIGHT - MARGIN, below, 2.6, colour=FAINT),
    ]
    groups = (
        Group("paper", "Paper", [rectangle(Rectangle(0, 0, WIDTH, HEIGHT), fill=PAPER)]),
        Group("walks", "Walks", _walks(book, paper), in_map=True),
        Group("outlines", "Outlines", _outlines(book, paper, lines), in_map=True),
        Group("misclosures", "Misclosures", _misclosures(laid, paper, scale), in_map=True),
        Group("marks", "Marks", _marks(book, paper, suspects), in_map=True),
        Group("words", "Words", head),
    )
    return Sheet(
        width=WIDTH,
        height=HEIGHT,
        title=title,
        description="Sketch of a field book, not to scale of the ground",
        groups=groups,
        window=window,
        scale=scale,
        unit=unit,
        unit_m=unit_m,
    )


_STRETCH = 20


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'s' if number != 1 else ''}"


def _on_paper(plan: Floats, window: Rectangle) -> tuple[float, Floats]:
    """Return a round scale and the places on paper, mm."""
    low, high = plan.min(axis=0), plan.max(axis=0)
    spans = np.maximum(high - low, 0.5)
    least = 1000 * max(spans[0] / (window.width - 12), spans[1] / (window.height - 12))
    power = 10 ** math.floor(math.log10(least))
    scale = next(s * power for s in (*_SCALES, 10) if s * power >= least)
    middle = (low + high) / 2
    paper = (plan - middle) * 1000 / scale
    paper[:, 1] *= -1
    centre = np.array([window.x + window.width / 2, window.y + window.height / 2])
    return scale, paper + centre


def _walks(book: FieldBook, paper: Floats) -> list[Shape | Text]:
    return [
        Shape(
            (Outline((paper[book.run == run],)),),
            Stroke(_INKS[run % len(_INKS)], 0.15, (1.0, 1.0)),
        )
        for run in range(len(book.runs))
    ]


def _is_closed(book: FieldBook, rows: Ints, lines: Sequence[str]) -> bool:
    codes = {book.codes[code] for code in set(book.code[rows].tolist()) if code >= 0}
    return len(rows) > 2 and not codes & set(lines)


def _outlines(book: FieldBook, paper: Floats, lines: Sequence[str]) -> list[Shape | Text]:
    found: list[Shape | Text] = []
    for number, name in enumerate(book.features):
        rows = np.flatnonzero(book.feature == number)
        ink = _INKS[int(book.run[rows[0]]) % len(_INKS)]
        found.append(
            Shape(
                (Outline((paper[rows],), closed=_is_closed(book, rows, lines)),), Stroke(ink, 0.45)
            )
        )
        middle = paper[rows].mean(axis=0)
        x, y = middle.tolist()
        found.append(Text(x, y, name[:30], 2.6, colour=ink, anchor="middle", halo=True))
    return found


def _misclosures(laid: LaidOut, paper: Floats, scale: float) -> list[Shape | Text]:
    found: list[Shape | Text] = []
    for miss in laid.misclosures[:50]:
        start, end = paper[miss.before], paper[miss.after]
        way = np.array([start, start + (end - start) * _STRETCH])
        found.append(Shape((Outline((way,)),), Stroke(_SUSPECT, 0.4)))
    return found


def _marks(book: FieldBook, paper: Floats, suspects: Sequence[int]) -> list[Shape | Text]:
    found: list[Shape | Text] = []
    _, rows = np.unique(
        np.where(book.mark >= 0, book.mark, -1 - np.arange(len(book))), return_index=True
    )
    taken: set[tuple[int, int]] = set()
    for row in sorted(rows.tolist()):
        x, y = paper[row].tolist()
        found.append(Shape((Outline((Arc((x, y), 0.5, 0.0, 2 * math.pi),)),), None, "#1f2d37"))
        cell = round(x / 7), round(y / 3)
        if book.mark[row] >= 0 and cell not in taken and len(taken) < _LABELS:
            taken |= {cell, (cell[0] + 1, cell[1])}
            found.append(Text(x + 0.9, y - 0.7, book.marks[book.mark[row]][:16], 2.3, halo=True))
    for row in suspects:
        x, y = paper[row].tolist()
        ring = Outline((Arc((x, y), 2.6, 0.0, 2 * math.pi),))
        found.append(Shape((ring,), Stroke(_SUSPECT, 0.6)))
        says = f"look: line {book.line[row]}"
        found.append(Text(x + 3, y + 3, says, 2.6, "bold", _SUSPECT, halo=True))
    return found


def sketch_text(
    book: FieldBook,
    laid: LaidOut,
    *,
    width: int = 72,
    lines: Sequence[str] = (),
    suspects: Sequence[int] = (),
) -> list[str]:
    """Return the sketch as lines of text for a terminal.

    Parameters
    ----------
    book, laid
    width
        Characters in a line; a character is about twice as high as wide.
    lines
        Codes whose shapes are lines, which do not close.
    suspects
        Rows drawn as ``!``.

    Examples
    --------
    A yard of 40 by 20 m, two marks of the baseline on its south side:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.rough_layout import lay_out
    >>> book = book_from_text('''run,point,x,y,z,feature
    ... R1,B1,0,0,0,yard
    ... R1,B2,40,0,0,yard
    ... R1,A1,40,20,0,yard
    ... R1,A2,0,20,0,yard''')
    >>> print(*sketch_text(book, lay_out(book, ("B1", "B2")), width=30), sep=chr(10))
    +A2........ ..........+A1
    .                     .
    .                     .
    .                     .
    .                     .
    .                     .
    +B1........ ..........+B2
    """
    low, high = laid.plan.min(axis=0), laid.plan.max(axis=0)
    spans = np.maximum(high - low, 0.5)
    step = max(spans[0] / (width - 8), spans[1] / 46)
    height = max(3, math.ceil(spans[1] / (2 * step)) + 1)
    board = [[" "] * width for _ in range(height)]

    def at(places: Floats) -> Ints:
        cells: Ints = (
            np.column_stack([(places[:, 0] - low[0]) / step, (high[1] - places[:, 1]) / (2 * step)])
            .round()
            .astype(np.int64)
        )
        return cells

    for number in range(len(book.features)):
        rows = np.flatnonzero(book.feature == number)
        corners = laid.plan[rows]
        if _is_closed(book, rows, lines):
            corners = np.vstack([corners, corners[:1]])
        for a, b in pairwise(corners):
            count = max(2, math.ceil(float(np.abs(b - a).max()) / step))
            for x, y in at(a + (b - a) * np.linspace(0, 1, count)[:, None]).tolist():
                board[y][x] = "."
    _, first = np.unique(book.mark, return_index=True)
    for row in first.tolist():
        if book.mark[row] < 0:
            continue
        x, y = at(laid.plan[[row]])[0].tolist()
        if board[y][x] not in " .":
            continue  # a letter less would make another mark's name of it
        name = book.marks[book.mark[row]][:6]
        free = all(board[y][i] in " ." for i in range(x, min(x + len(name) + 1, width)))
        for i, character in enumerate(("+" + name) if free else "+"):
            if x + i < width:
                board[y][x + i] = character
    for row in suspects:
        x, y = at(laid.plan[[row]])[0].tolist()
        board[y][x] = "!"
    return ["".join(line).rstrip() for line in board]
