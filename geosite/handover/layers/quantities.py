"""The table ``quantities``: the take-off, per feature and per code."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from geosite.analysis.takeoff.quantities import Quantity
from geosite.base.columns import Column, Columns, Fact, estimate, integer, real, text
from geosite.base.units import IN_FEET
from geosite.handover.layers.measures import GRID, grid, ground
from geosite.handover.model import Form, Table
from geosite.linework.model import Measure

__all__ = ["ORDER_BY", "QUANTITIES", "columns", "ordered_by", "size_columns", "table"]

QUANTITIES = Form(
    "quantities", "Quantities", "What every feature, and every code in all, measures on the ground."
)

_IN_WORDS = {"ft": "feet", "ft2": "square feet", "yd3": "cubic yards"}
_AREA = "from the plan area"


ORDER_BY = {
    "material": "units of material",
    "volume": "cubic measure",
    "area": "area on the slope",
    "length": "length",
    "pieces": "pieces",
    "existing": "not ordered: it is there and stays",
    "elsewhere": "not ordered: counted in another code",
    "total": "ordered in the total of its code",
}


def ordered_by(quantity: Quantity) -> str:
    """Return by what a quantity is ordered, or why it is not: a feature is, in its code's total.

    Examples
    --------
    >>> top = Quantity("", "kerb_top", "line", 1, counted_in="kerb_foot")
    >>> ordered_by(top), ordered_by(Quantity("north", "kerb_foot", "line", 1))
    ('elsewhere', 'total')
    """
    if quantity.existing:
        return "existing"
    if quantity.counted_in:
        return "elsewhere"
    return "total" if quantity.feature else quantity.order_by


def columns() -> Columns[Quantity]:
    """Return the columns; feet and yards are the international ones (0.3048 m)."""
    return Columns(
        (
            text(
                "feature",
                "Name in the field book; empty for the total of a code.",
                lambda q: q.feature,
            ),
            text("code", "Surface or feature code.", lambda q: q.code),
            text("kind", "area, line or point.", lambda q: q.kind),
            integer("count", "Areas or lines; marks of a point feature.", lambda q: q.count),
            *size_columns(
                "gross_area_m2",
                "Plan area within the outline, on the ground.",
                lambda q: q.gross_area,
            ),
            *size_columns(
                "net_area_m2",
                "Without the areas directly inside, on the ground.",
                lambda q: q.net_area,
            ),
            *size_columns(
                "surface_area_m2",
                "Net area on the slope of the ground.",
                lambda q: q.surface_area,
                on_grid=False,
                known_from="from the plan area and the slope between the marks",
            ),
            real(
                "surface_covered_percent",
                "Part of it that the elevation model reaches.",
                lambda q: None if q.covered is None else 100.0 * q.covered,
                "percent",
                exact="how far a model reaches, not an estimate",
            ),
            *size_columns(
                "perimeter_m", "Length of the outline, on the ground.", lambda q: q.perimeter
            ),
            *size_columns(
                "edging_m",
                "Length of the outline without its gaps.",
                lambda q: q.edging,
                on_grid=False,
            ),
            *size_columns(
                "length_m", "Horizontal length of a line, on the ground.", lambda q: q.length
            ),
            *size_columns(
                "length_3d_m",
                "Length of a line along its slope.",
                lambda q: q.length_3d,
                on_grid=False,
            ),
            real(
                "depth_m",
                "Depth of material, measured plumb.",
                lambda q: q.depth_m,
                "m",
                exact="given in the site file",
            ),
            *size_columns(
                "volume_m3",
                "Net area times depth.",
                lambda q: q.volume,
                on_grid=False,
                known_from="from the area",
            ),
            estimate(
                "material",
                "Surface area divided by coverage, in units of material.",
                lambda q: ground(q.material),
                known_from="from the area",
            ),
            text("material_unit", "Unit of material.", lambda q: q.material_unit),
            real(
                "waste_percent",
                "Added to what is ordered.",
                lambda q: q.waste_percent,
                "percent",
                exact="given in the site file",
            ),
            text(
                "order_by",
                "The one measure it is ordered by: the others are the same thing in another unit.",
                ordered_by,
                ORDER_BY,
            ),
            text(
                "counted_in",
                "Code that the same thing is ordered by.",
                lambda q: q.counted_in or None,
            ),
            *size_columns(
                "replaced_area_m2",
                "Net area that parts of designs replace: not ordered.",
                lambda q: q.replaced,
                on_grid=False,
            ),
            *size_columns(
                "replaced_length_m",
                "Length of a line that parts of designs replace: not ordered.",
                lambda q: q.replaced_length,
                on_grid=False,
            ),
            text("replaced_by", "Those parts.", lambda q: ", ".join(q.replaced_by) or None),
            *size_columns(
                "order_area_m2",
                "Surface area that is not replaced, with waste.",
                lambda q: None if q.feature else q.order_area,
                on_grid=False,
                known_from=_AREA,
            ),
            *size_columns(
                "order_volume_m3",
                "Volume of what is not replaced, with waste.",
                lambda q: None if q.feature else q.order_volume,
                on_grid=False,
                known_from="from the area",
            ),
            estimate(
                "order_material",
                "Material of what is not replaced, with waste.",
                lambda q: None if q.feature else ground(q.order_material),
                known_from="from the area",
            ),
            *size_columns(
                "order_length_m",
                "Length of a line that is not replaced, with waste.",
                lambda q: None if q.feature else q.order_length,
                on_grid=False,
            ),
            real(
                "area_change_m2",
                "What snapping shared edges changed in the gross area.",
                lambda q: q.area_change_m2,
                "m2",
                exact="what was changed, not an estimate",
            ),
            real(
                "net_area_change_m2",
                "What it changed in the net area.",
                lambda q: q.net_area_change_m2,
                "m2",
                exact="what was changed, not an estimate",
            ),
        )
    )


def table(quantities: Sequence[Quantity]) -> Table:
    """Return the quantities, in the order given."""
    found = columns()
    return QUANTITIES.table(found, found.records(quantities))


def size_columns(
    name: str,
    description: str,
    of: Callable[[Fact], Measure | None],
    *,
    on_grid: bool = True,
    known_from: str = "",
) -> tuple[Column[Fact], ...]:
    """Return a measure on the ground with its interval, on the map grid, and in feet or yards."""
    stem, _, unit = name.rpartition("_")
    other, size = IN_FEET[unit]

    def in_other(fact: Fact) -> float | None:
        measure = of(fact)
        return None if measure is None else measure.value / size

    same = real(
        f"{stem}_{other}",
        f"The same in {_IN_WORDS[other]}.",
        in_other,
        other,
        exact=_same(name),
    )
    value: Column[Fact] = estimate(
        name, description, lambda q: ground(of(q)), unit, known_from=known_from
    )
    if not on_grid:
        return value, same
    plan: Column[Fact] = real(
        f"{stem}_grid_{unit}",
        "The same on the map grid.",
        lambda q: grid(of(q)),
        unit,
        exact=GRID,
    )
    return value, plan, same


def _same(name: str) -> str:
    return f"{name} in another unit has the interval"
