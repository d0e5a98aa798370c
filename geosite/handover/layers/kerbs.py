"""The table ``kerbs``: how high kerbs stand above their foot."""

from __future__ import annotations

from collections.abc import Sequence

from geosite.analysis.kerbs import KerbUpstand
from geosite.base.columns import Columns, estimate, integer, text
from geosite.handover.model import Form, Table

__all__ = ["COLUMNS", "KERBS", "table"]

KERBS = Form(
    "kerbs",
    "Kerbs",
    "How high kerbs stand above their foot, where both edges were walked or the height is stated.",
)

COLUMNS: Columns[KerbUpstand] = Columns(
    (
        text("line", "The upper edge.", lambda k: k.line),
        text("foot", "The lower edge; empty where the height is stated.", lambda k: k.foot or None),
        estimate(
            "upstand_m",
            "Height above the foot, mean over the marks of the edge; stated ones are exact.",
            lambda k: k.upstand,
            "m",
        ),
        estimate("least_m", "At the mark where it is least.", lambda k: k.least, "m"),
        text("least_at", "That mark.", lambda k: k.least_at or None),
        estimate("most_m", "At the mark where it is most.", lambda k: k.most, "m"),
        text("most_at", "That mark.", lambda k: k.most_at or None),
        integer("places", "Marks it was taken at; 0 for a stated height.", lambda k: k.places),
    )
)


def table(found: Sequence[KerbUpstand]) -> Table:
    """Return the kerbs."""
    return KERBS.table(COLUMNS, COLUMNS.records(found))
