"""The drainage of a designed ground beside that of the walked one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from geosite.base.estimate import Estimate
from geosite.terrain.site_water import Water

__all__ = ["WaterChange", "water_changes"]

What = Literal["pond", "inlet", "fall"]
Outcome = Literal["gone", "new", "stays", "within", "beyond", "undecided"]


@dataclass(frozen=True, slots=True)
class WaterChange:
    """One pond, inlet or building, before and after.

    Parameters
    ----------
    what
        ``"pond"`` (volume, m3), ``"inlet"`` (catchment, m2) or ``"fall"`` from a building (worst
        fall, percent).
    name
        Of the inlet or building; of a pond its number.
    before, after
        None where there is none.
    limit
        Of a fall, percent.
    outcome
        Of a pond: ``"gone"``, ``"new"`` or ``"stays"``; of a fall the verdict after building.
    cell : (row, col)
        Where it is.
    """

    what: What
    name: str
    before: Estimate | None
    after: Estimate | None
    limit: float | None
    outcome: Outcome
    cell: tuple[int, int]


def water_changes(before: Water, after: Water) -> tuple[WaterChange, ...]:
    """Return what becomes of ponds, inlets and falls, in this order."""
    return (*_ponds(before, after), *_inlets(before, after), *_falls(before, after))


def _ponds(before: Water, after: Water) -> Iterator[WaterChange]:
    seen: set[int] = set()
    there = {p.pond.number: p for p in after.ponds}
    for one in before.ponds:
        over = np.unique(after.pond[before.pond == one.pond.number])
        # of several that overlap it the largest is what it becomes
        met = [there[n] for n in over.tolist() if n in there and n not in seen]
        cell = (one.pond.row, one.pond.col)
        if not met:
            name = str(one.pond.number)
            yield WaterChange("pond", name, one.volume_m3, None, None, "gone", cell)
            continue
        other = max(met, key=lambda p: p.volume_m3.value)
        seen.add(other.pond.number)
        yield WaterChange(
            "pond", str(one.pond.number), one.volume_m3, other.volume_m3, None, "stays", cell
        )
    for one in after.ponds:
        if one.pond.number not in seen:
            cell = (one.pond.row, one.pond.col)
            yield WaterChange("pond", "new", None, one.volume_m3, None, "new", cell)


def _inlets(before: Water, after: Water) -> Iterator[WaterChange]:
    one, other = (
        {c.catchment.inlet: c for c in water.catchments if c.catchment.kind == "inlet"}
        for water in (before, after)
    )
    for number, name in enumerate(before.inlets, start=1):
        then, now = one.get(number), other.get(number)
        known = then or now
        if known is None:
            continue
        yield WaterChange(
            "inlet",
            name,
            None if then is None else then.area_m2,
            None if now is None else now.area_m2,
            None,
            "stays" if now is not None else "gone",
            (known.catchment.row, known.catchment.col),
        )


def _falls(before: Water, after: Water) -> Iterator[WaterChange]:
    then = {f.fall.name: f for f in before.falls}
    for one in after.falls:
        known = then.get(one.fall.name)
        limit = one.fall.limit_percent
        worst = one.worst_percent
        outcome: Outcome = "undecided"
        if worst.low >= limit:
            outcome = "within"
        elif worst.high < limit:
            outcome = "beyond"
        yield WaterChange(
            "fall",
            one.fall.name,
            None if known is None else known.worst_percent,
            worst,
            limit,
            outcome,
            (-1, -1),
        )
