"""The reference of the field book: its columns, and the ways an outline reaches a mark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geosite.fieldbook.cells import TIME_FORMS
from geosite.fieldbook.model import PieceKind

__all__ = ["BOOK_COLUMNS", "SEGMENTS", "BookColumn", "Segment", "latitude_and_longitude"]

_LATITUDES = ("latitude", "lat", "breitengrad", "geobreite", "latitud", "latitudine")
_LONGITUDES = (
    "longitude",
    "lon",
    "long",
    "lng",
    "langengrad",
    "geolange",
    "longitud",
    "longitudine",
)
"""Names of columns of a receiver's list, which is no walk."""


def latitude_and_longitude(names: Sequence[str]) -> list[int]:
    """Return which columns have the names of latitude and of longitude, those first.

    Examples
    --------
    >>> latitude_and_longitude(["name", "lon", "lat"]), latitude_and_longitude(["x", "y"])
    ([2, 1], [])
    """
    words = (_LATITUDES, _LONGITUDES)
    return [at for some in words for at, name in enumerate(names) if name in some]


@dataclass(frozen=True, slots=True)
class BookColumn:
    """One column of the field book."""

    name: str
    required: bool
    meaning: str
    example: str


@dataclass(frozen=True, slots=True)
class Segment:
    """One way to reach a mark from the one before.

    Parameters
    ----------
    word
        As it stands in the column.
    meaning
    drawing
        Lines of characters; the digits are marks in walking order.
    rows
        (point, segment) of the drawing.
    """

    word: PieceKind
    meaning: str
    drawing: tuple[str, ...]
    rows: tuple[tuple[str, str], ...]


BOOK_COLUMNS = (
    BookColumn(
        "run",
        True,
        "One uninterrupted walk: its coordinates share one origin and one orientation, unknown to"
        " the others.",
        "morning",
    ),
    BookColumn(
        "point",
        True,
        "Name of the mark; blank for an unnamed position. The same name is the same mark on the"
        " ground: twice in a run it closes a loop, in two runs it ties them.",
        "A1",
    ),
    BookColumn(
        "x", True, "Local coordinate in [survey] unit; with y and z right-handed, z up.", "2.681"
    ),
    BookColumn("y", True, "Local coordinate; seen from above, y lies to the left of x.", "5.830"),
    BookColumn("z", True, "Local height, up positive.", "-0.221"),
    BookColumn(
        "feature",
        False,
        "The shape that this mark belongs to; blank for a mark that is only carried along.",
        "apron",
    ),
    BookColumn(
        "code",
        False,
        "What the shape is: asphalt, kerb, inlet; a table [codes.NAME] of the site file says what"
        " that means.",
        "asphalt",
    ),
    BookColumn(
        "segment",
        False,
        "How the outline reaches this mark from the one before of its feature; blank is line. A"
        " digit starts another piece of the same kind: arc, then arc2.",
        "arc",
    ),
    BookColumn("note", False, "Free text.", "corner begins to curve"),
    BookColumn(
        "time",
        False,
        f"When the mark was recorded: {TIME_FORMS}; the device model uses it.",
        "2026-04-12T09:30:05",
    ),
)

SEGMENTS = (
    Segment(
        "line",
        "Straight from the mark before.",
        (
            "1-----------2",
            "|           |",
            "4-----------3",
        ),
        (("1", ""), ("2", "line"), ("3", "line"), ("4", "line")),
    ),
    Segment(
        "arc",
        "A circular arc. It starts at the mark before its first row: that mark, one on the way and"
        " the end make three, enough for an arc; more are fitted.",
        (
            "1----------2.",
            "|            `3",
            "|              |",
            "5--------------4",
        ),
        (("1", ""), ("2", "line"), ("3", "arc"), ("4", "arc"), ("5", "line")),
    ),
    Segment(
        "circle",
        "A whole circle through three marks or more; more are fitted. The feature is nothing else.",
        (
            "   .-1-.",
            " /       \\",
            "3         2",
            " \\       /",
            "   `---'",
        ),
        (("1", "circle"), ("2", "circle"), ("3", "circle")),
    ),
    Segment(
        "stream",
        "Recorded while walking along an edge that is neither straight nor round: positions follow"
        " each other closely and need no name.",
        (
            "1~.~~.~.~~~.~2",
            "|            |",
            "4------------3",
        ),
        (("1", ""), ("", "stream"), ("", "stream"), ("2", "stream"), ("3", "line"), ("4", "line")),
    ),
    Segment(
        "gap",
        "No edge here: the line stops at the mark before and goes on at this one, as a kerb does at"
        " a drive.",
        ("1-----2     3-----4",),
        (("1", ""), ("2", "line"), ("3", "gap"), ("4", "line")),
    ),
)
