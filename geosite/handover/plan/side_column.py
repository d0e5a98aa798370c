"""A column of words beside the map."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from geosite.drawing.font import Weight, typeface
from geosite.drawing.ink import FAINT, TEXT, Stroke
from geosite.drawing.sheet import Outline, Rectangle, Shape, Text, rectangle

__all__ = [
    "BODY",
    "Block",
    "Column",
    "Items",
    "more",
    "stroke_sign",
]

BODY = 2.35
HEADING = 2.7
LEADING = 1.32

Items = list[Shape | Text]
#: Draws itself in a box of the given width from a corner, with at most so many rows per list.
Block = Callable[["Column", int], None]


class Column:
    """Words from top to bottom."""

    def __init__(self, x: float, y: float, width: float, lettering: float) -> None:
        self.x, self.y, self.width, self.k = x, y, width, lettering
        self.items: Items = []

    def heading(self, text: str) -> None:
        """Write a heading with a rule above it."""
        self.items.append(
            rectangle(Rectangle(self.x, self.y, self.width, 0.35 * self.k), fill=TEXT)
        )
        size = HEADING * self.k
        self.y += size * 1.45
        self.items.append(Text(self.x, self.y, text, size, "bold"))
        self.y += size * 0.45

    def paragraph(
        self, text: str, *, size: float = BODY, colour: str = TEXT, weight: Weight = "regular"
    ) -> None:
        """Write running text."""
        em = size * self.k
        for line in typeface(weight).wrap(text, self.width / em):
            self.y += em * LEADING
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
        em = BODY * self.k
        height = em * (LEADING + 0.28)
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
        em, left = BODY * self.k, 19.0 * self.k
        face = typeface("regular")
        label = face.fit(name, (left - 1.0 * self.k) / em)
        for i, line in enumerate(face.wrap(text, (self.width - left) / em)):
            self.y += em * LEADING
            if i == 0:
                self.items.append(Text(self.x, self.y - em * 0.3, label, em, colour=FAINT))
            self.items.append(Text(self.x + left, self.y - em * 0.3, line, em))

    def table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Write rows under their heads: the first column as words, the others as numbers."""
        em = BODY * self.k
        # every number has the room of the widest; the words have the rest
        face = typeface("regular")
        wide = [max(face.width(row[i]) for row in (heads, *rows)) * em for i in range(len(heads))]
        spare = self.width - sum(wide)
        gap = min(max(spare / max(len(heads) - 1, 1), 0.8 * self.k), 4.0 * self.k)
        rights = [
            self.x + self.width - sum(wide[i + 1 :]) - gap * (len(wide) - 1 - i)
            for i in range(len(wide))
        ]
        for number, row in enumerate((heads, *rows)):
            self.y += em * (LEADING + 0.28)
            base = self.y - em * 0.5
            colour = FAINT if number == 0 else TEXT
            room = rights[1] - wide[1] - gap - self.x if len(wide) > 1 else self.width
            first = face.fit(row[0], room / em)
            self.items.append(Text(self.x, base, first, em, "regular", colour))
            for cell, right in zip(row[1:], rights[1:], strict=True):
                self.items.append(Text(right, base, cell, em, "regular", colour, "end"))

    def gap(self, share: float = 1.0) -> None:
        """Leave room before the next block."""
        self.y += 3.2 * self.k * share


def more(column: Column, count: int, limit: int, where: str) -> None:
    """Say how many more there are, and where; nothing where all are shown.

    Parameters
    ----------
    column
        Receives the words.
    count, limit
        How many there are, and how many are shown.
    where
        The others are.

    Examples
    --------
    >>> column = Column(0.0, 0.0, 70.0, 1.0)
    >>> more(column, 12, 10, "quantities.csv")
    >>> column.items[0].text
    'and 2 more in quantities.csv'
    """
    if count > limit:
        column.paragraph(f"and {count - limit} more in {where}", colour=FAINT)


def stroke_sign(stroke: Stroke, k: float) -> Callable[[float, float], Items]:
    """Return a sign that shows a pen: 8 mm of its line.

    Parameters
    ----------
    stroke
        The pen.
    k
        Factor on every size.

    Examples
    --------
    >>> (shape,) = stroke_sign(Stroke(TEXT, 0.25), 1.0)(10.0, 5.0)
    >>> shape.outlines[0].pieces[0].tolist()
    [[6.0, 5.0], [14.0, 5.0]]
    """

    def sign(x: float, y: float) -> Items:
        line = np.array([(x - 4.0 * k, y), (x + 4.0 * k, y)])
        return [Shape([Outline((line,))], stroke)]

    return sign
