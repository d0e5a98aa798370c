"""What the drawing's checks found, in words."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from geosite.base.errors import Finding
from geosite.base.exact_numbers import fixed
from geosite.fieldbook.model import FieldBook
from geosite.linework.checks import (
    BelowNoise,
    FlatArc,
    LargeResidual,
    NearlyClosed,
    OutOfOrder,
    Remark,
    SharedGround,
    UncertainRadius,
)

__all__ = ["findings", "row_name"]


def row_name(book: FieldBook, row: int | np.integer) -> str:
    """Name a row for people: its mark and its line in the field book.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,A1,0,0,0
    ... R1,,1,0,0''')
    >>> row_name(book, 0), row_name(book, 1)
    ("mark 'A1' (line 2)", 'the unnamed mark (line 3)')
    """
    mark = book.mark[row]
    name = f"mark {book.marks[mark]!r}" if mark >= 0 else "the unnamed mark"
    return f"{name} (line {book.line[row]})"


def findings(book: FieldBook, remarks: Iterable[Remark]) -> tuple[Finding, ...]:
    """Put what was found into a sentence each.

    Parameters
    ----------
    book
        The field book that the rows of the remarks are counted in.
    remarks
        Facts from `geosite.linework.checks`.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> book = book_from_text('''run,point,x,y,z,feature
    ... R1,A1,0,0,0,kerb''')
    >>> (found,) = findings(book, [BelowNoise("kerb", "line", 0, 0.05, 0.04)])
    >>> found.line, found.text[:61]
    (2, "Line 'kerb' measures 0.050 m with a standard deviation of 0.0")
    """
    return tuple(
        Finding("look", *_code_and_text(book, one), book.file, int(book.line[one.row]))
        for one in remarks
    )


def _code_and_text(book: FieldBook, one: Remark) -> tuple[str, str]:
    """Return code and sentence."""
    match one:
        case OutOfOrder(name):
            return (
                "arc-out-of-order",
                f"The marks of the arc of {name!r} do not follow each other along it; two of them "
                "may have changed places.",
            )
        case LargeResidual(name, kind, row, off, sigma):
            mark = row_name(book, row)
            return (
                "fit-residual-large",
                f"{mark[0].upper()}{mark[1:]} is {fixed(off, 3)} m off the {kind} of {name!r}, "
                f"where about {fixed(sigma, 3)} m was expected; it may not belong to it.",
            )
        case UncertainRadius(name, _, radius, sigma):
            return (
                "circle-loose",
                f"The marks of circle {name!r} cover too short a stretch of it: the radius is "
                f"{fixed(radius, 2)} m with a standard deviation of {fixed(sigma, 2)} m. Walk "
                f"marks all around it.",
            )
        case FlatArc(name, _, sagitta, sigma):
            return (
                "arc-flat",
                f"The arc of {name!r} bends by {fixed(sagitta, 3)} m with a standard deviation of "
                f"{fixed(sigma, 3)} m: it cannot be told from a straight line.",
            )
        case NearlyClosed(name, row, gap):
            return (
                "outline-nearly-closed",
                f"The outline of {name!r} ends {fixed(gap, 2)} m from where it began, at "
                f"{row_name(book, row)}. If that is the first mark again, both rows should carry "
                "one name.",
            )
        case BelowNoise(name, kind, _, size, sigma):
            unit = "m2" if kind == "area" else "m"
            return (
                "feature-small",
                f"{kind.capitalize()} {name!r} measures {fixed(size, 3)} {unit} with a standard "
                f"deviation of {fixed(sigma, 3)} {unit}: too small for this survey.",
            )
        case SharedGround(first, second, _, area):
            return (
                "areas-overlap",
                f"Areas {first!r} and {second!r} share {fixed(area, 2)} m2 and neither lies "
                f"inside the other: this ground is counted twice.",
            )
