"""A strip of fields side by side, each a name over its text: a title block where room is low."""

from __future__ import annotations

from collections.abc import Sequence

from geosite.drawing.font import printable, typeface
from geosite.drawing.ink import FAINT, TEXT
from geosite.drawing.sheet import Rectangle, Shape, Text, rectangle

__all__ = ["STRIP_HEIGHT", "field_strip"]

#: Of the whole strip, mm.
STRIP_HEIGHT = 8.0
_NAME, _TEXT, _GAP = 1.9, 2.3, 3.0


def field_strip(fields: Sequence[tuple[str, str]], box: Rectangle) -> list[Shape | Text]:
    """Return fields across a box, as wide as their texts need where there is room.

    Parameters
    ----------
    fields
        Name and text of each.
    box
        Of which the width and the top are used, mm.

    Examples
    --------
    >>> strip = field_strip([("Client", "Lakeside"), ("Sheet", "Y-1")], Rectangle(20, 5, 100, 8))
    >>> [item.text for item in strip if isinstance(item, Text)]
    ['Client', 'Lakeside', 'Sheet', 'Y-1']
    """
    if not fields:
        return []
    told = [(printable(name, 40), printable(text, 200)) for name, text in fields]
    face = typeface("regular")
    wanted = [max(face.width(n) * _NAME, face.width(t) * _TEXT) + _GAP for n, t in told]
    # what is wider than its part gives way to the others
    share, room = box.width / sum(wanted), box.width
    widths = [w * min(share, 1.0) for w in wanted]
    if share < 1.0:
        fair = room / len(wanted)
        narrow = [w for w in wanted if w <= fair]
        left = (room - sum(narrow)) / (len(wanted) - len(narrow))
        widths = [w if w <= fair else left for w in wanted]
    items: list[Shape | Text] = [
        rectangle(Rectangle(box.x, box.y, box.width, 0.15), fill=FAINT),
    ]
    x = box.x
    for (name, text), width in zip(told, widths, strict=True):
        cut = face.fit(text, (width - 1.0) / _TEXT)
        items.append(Text(x, box.y + 3.0, name, _NAME, colour=FAINT))
        items.append(Text(x, box.y + 6.2, cut, _TEXT, colour=TEXT))
        x += width
    return items
