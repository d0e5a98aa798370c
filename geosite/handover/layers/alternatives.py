"""The table ``alternatives``: order and cost for each choice among designs that exclude others."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosite.base.columns import Columns, estimate, interval, text
from geosite.base.estimate import Estimate
from geosite.handover.layers.measures import ground
from geosite.handover.layers.quantities import size_columns
from geosite.handover.model import Form, Table

if TYPE_CHECKING:
    from geosite.analysis.takeoff.alternatives import Choice
    from geosite.analysis.takeoff.quantities import Quantity, TakeOff
    from geosite.linework.model import Measure

__all__ = ["ALTERNATIVES", "COLUMNS", "table"]

ALTERNATIVES = Form(
    "alternatives",
    "Alternatives",
    "What is ordered and what it costs for each choice among designs of which only one is built.",
)

KINDS = {
    "order": "a code of which designs replace something: what is left to order",
    "part": "the take-off, or one design: what it costs",
    "total": "what everything that is built costs",
}


@dataclass(frozen=True, eq=False)
class Line:
    """One line of one choice."""

    built: str
    kind: str
    code: str = ""
    design: str = ""
    title: str = ""
    replaced: Measure | None = None
    replaced_length: Measure | None = None
    order: Measure | None = None
    unit: str = ""
    amount: Estimate | None = None
    currency: str = ""


COLUMNS: Columns[Line] = Columns(
    (
        text("built", "The alternatives that are built.", lambda x: x.built),
        text("kind", "What the line is of.", lambda x: x.kind, KINDS),
        text("code", "Code that is ordered.", lambda x: x.code or None),
        text("design", "Name of the design.", lambda x: x.design or None),
        text("title", "What it is called.", lambda x: x.title or None),
        *size_columns(
            "replaced_area_m2", "Of it under designs.", lambda x: x.replaced, on_grid=False
        ),
        *size_columns(
            "replaced_length_m", "Of a line, the same.", lambda x: x.replaced_length, on_grid=False
        ),
        estimate("order", "To order, with waste.", lambda x: ground(x.order)),
        text("order_unit", "Unit of that.", lambda x: x.unit or None),
        interval("amount", "What it costs.", lambda x: x.amount),
        text("currency", "Of the amount.", lambda x: x.currency or None),
    )
)


def table(found: Sequence[Choice], base: TakeOff) -> Table:
    """Return the lines of every choice.

    Parameters
    ----------
    found
    base
        What is ordered whichever is chosen: codes that a choice leaves as they are have no line.
    """
    lines = [line for one in found for line in (*_orders(one, base), *_costs(one))]
    return ALTERNATIVES.table(COLUMNS, COLUMNS.records(lines))


def _name(one: Choice) -> str:
    return ", ".join(one.built)


def _orders(one: Choice, base: TakeOff) -> Iterator[Line]:
    before = {quantity.code: _under(quantity) for quantity in base.codes}
    for quantity in one.take_off.codes:
        under = _under(quantity)
        if under == (None, None) or under == before.get(quantity.code):
            continue
        order, unit = _ordered(quantity)
        if order is not None:
            yield Line(
                _name(one),
                "order",
                code=quantity.code,
                replaced=quantity.replaced,
                replaced_length=quantity.replaced_length,
                order=order,
                unit=unit,
            )


def _under(quantity: Quantity) -> tuple[float | None, float | None]:
    """Return how much lies under designs, as an area and as a length."""
    area, length = quantity.replaced, quantity.replaced_length
    return None if area is None else area.value, None if length is None else length.value


def _ordered(quantity: Quantity) -> tuple[Measure | None, str]:
    """Return what is ordered, by the way that the take-off orders it."""
    ways = {
        "material": (quantity.order_material, quantity.material_unit),
        "volume": (quantity.order_volume, "m3"),
        "area": (quantity.order_area, "m2"),
        "length": (quantity.order_length, "m"),
    }
    return ways.get(quantity.order_by or "", (None, ""))


def _costs(one: Choice) -> Iterator[Line]:
    cost = one.cost
    if cost is None:
        return
    name, money = _name(one), cost.currency
    for part in cost.parts:
        yield Line(
            name,
            "part",
            design=part.design,
            title=part.title,
            amount=part.amount,
            currency=money,
        )
    yield Line(name, "total", title="Total", amount=cost.total, currency=money)
