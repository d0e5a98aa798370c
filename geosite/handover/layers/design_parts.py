"""The tables ``design_parts`` and ``design_estimate``: what designs take and will cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from geosite.analysis.wording import PRICE_CAUTION
from geosite.base.columns import Columns, estimate, interval, real, text
from geosite.handover.layers.measures import ground
from geosite.handover.layers.prices import total_line
from geosite.handover.layers.quantities import ORDER_BY, ordered_by
from geosite.handover.model import Form, Table

if TYPE_CHECKING:
    from geosite.analysis.takeoff.design_prices import DesignEstimate
    from geosite.analysis.takeoff.designed import DesignPart
    from geosite.analysis.takeoff.prices import PriceLine
    from geosite.analysis.takeoff.quantities import OrderBy
    from geosite.linework.model import Measure

__all__ = [
    "COLUMNS",
    "DESIGN_ESTIMATE",
    "DESIGN_PARTS",
    "ESTIMATE_COLUMNS",
    "estimates",
    "table",
]

DESIGN_PARTS = Form(
    "design_parts",
    "Parts of designs",
    "What the parts of designs take that have a code. Numbers of the site file are exact.",
)
DESIGN_ESTIMATE = Form(
    "design_estimate", "Estimate", f"What designs will cost before they are built. {PRICE_CAUTION}"
)

_GIVEN = "given in the site file"
_WHAT = {
    "pad": "area built to a plane",
    "strip": "path or road along an edge",
    "edge": "line, or what lies within it",
    "file": "surface of the design's file",
}


def _to_order(part: DesignPart) -> Measure | None:
    quantity = part.quantity
    by: dict[OrderBy, Measure | None] = {
        "material": quantity.order_material,
        "volume": quantity.order_volume,
        "area": quantity.order_area,
        "length": quantity.order_length,
    }
    return by.get(quantity.order_by)


def _ordered_by(part: DesignPart) -> str:
    """Return by what a part is ordered: there is no total of parts."""
    return ordered_by(replace(part.quantity, feature=""))


def _unit(part: DesignPart) -> str | None:
    units: dict[OrderBy, str] = {"volume": "m3", "area": "m2", "length": "m"}
    by = part.quantity.order_by
    return part.quantity.material_unit if by == "material" else units.get(by)


COLUMNS: Columns[DesignPart] = Columns(
    (
        text("design", "Name of the design.", lambda p: p.design),
        text("part", "Part of it.", lambda p: p.part),
        text("what", "What it is.", lambda p: p.what, _WHAT),
        text("code", "Code of what is built there.", lambda p: p.quantity.code),
        estimate(
            "net_area_m2",
            "Plan area on the ground, without what later parts cover.",
            lambda p: ground(p.quantity.net_area),
            "m2",
        ),
        estimate(
            "surface_area_m2",
            "The same on its slope.",
            lambda p: ground(p.quantity.surface_area),
            "m2",
        ),
        estimate(
            "edging_m", "Length round it, on the ground.", lambda p: ground(p.quantity.edging), "m"
        ),
        estimate("length_m", "Level length of a line.", lambda p: ground(p.quantity.length), "m"),
        real("depth_m", "Depth of material.", lambda p: p.quantity.depth_m, "m", exact=_GIVEN),
        estimate("volume_m3", "Net area times depth.", lambda p: ground(p.quantity.volume), "m3"),
        real(
            "waste_percent",
            "Added to what is ordered.",
            lambda p: p.quantity.waste_percent,
            "percent",
            exact=_GIVEN,
        ),
        text("order_by", "What it is ordered by.", _ordered_by, ORDER_BY),
        estimate("order", "To order, with waste.", lambda p: ground(_to_order(p))),
        text("order_unit", "Unit of that.", _unit),
    )
)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the estimate of one design."""

    design: str
    currency: str
    price: PriceLine


ESTIMATE_COLUMNS: Columns[Line] = Columns(
    (
        text("design", "Name of the design.", lambda x: x.design),
        text("code", "Code; empty for cut, fill and the total.", lambda x: x.price.code),
        text("title", "Its name.", lambda x: x.price.title),
        text("per", "Unit of the rate.", lambda x: x.price.per),
        interval(
            "measured",
            "Quantity in that unit.",
            lambda x: x.price.measured if x.price.per else None,
        ),
        real(
            "waste_percent",
            "Added to it; of earth the allowance for swell or compaction.",
            lambda x: x.price.waste_percent,
            "percent",
            exact=_GIVEN,
        ),
        interval(
            "charged", "Quantity with that.", lambda x: x.price.charged if x.price.per else None
        ),
        real("rate", "Of one unit.", lambda x: x.price.rate if x.price.per else None, exact=_GIVEN),
        real("minimum", "Least charge.", lambda x: x.price.minimum, exact=_GIVEN),
        interval(
            "amount",
            "Charged times rate, not less than the minimum where there is any.",
            lambda x: x.price.amount,
        ),
        text("currency", "Of the amount.", lambda x: x.currency),
    )
)


def table(parts: Sequence[DesignPart]) -> Table:
    """Return the parts of all designs."""
    return DESIGN_PARTS.table(COLUMNS, COLUMNS.records(parts))


def estimates(found: Sequence[DesignEstimate]) -> Table:
    """Return the priced lines of every design, its total last."""
    lines = [
        Line(one.design, one.priced.currency, line)
        for one in found
        for line in (*one.priced.lines, total_line(one.priced))
    ]
    return DESIGN_ESTIMATE.table(ESTIMATE_COLUMNS, ESTIMATE_COLUMNS.records(lines))
