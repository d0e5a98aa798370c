"""What was added between two surveys, per code."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from geosite.analysis.takeoff.quantities import Quantity, TakeOff
from geosite.base.estimate import Estimate
from geosite.fieldbook.sitefile import Code
from geosite.linework.model import Drawing, Measure

__all__ = ["Progress", "features_not_walked_again", "progress"]


@dataclass(frozen=True, slots=True)
class Progress:
    """One quantity of one code, before, after and what was added.

    Parameters
    ----------
    code, title
    quantity
        ``"area"``, ``"length"``, ``"volume"`` or ``"count"``.
    unit
        ``"m2"``, ``"m"``, ``"m3"`` or empty.
    before, after, added
    """

    code: str
    title: str
    quantity: str
    unit: str
    before: Estimate
    after: Estimate
    added: Estimate


def progress(before: TakeOff, after: TakeOff, codes: Mapping[str, Code]) -> tuple[Progress, ...]:
    """Return the quantities of both surveys side by side.

    A code that the first survey lacks counts zero there; one that the second lacks was not walked
    again and is left out. The two are taken as independent: each was walked on its own.
    """
    found: list[Progress] = []
    order = [q.code for q in after.codes]
    one, other = ({q.code: q for q in taken.codes} for taken in (before, after))
    for code in order:
        title = codes[code].title if code in codes else ""
        then, now = dict(_measured(one.get(code))), dict(_measured(other.get(code)))
        for quantity, unit in (("area", "m2"), ("length", "m"), ("volume", "m3"), ("count", "")):
            if quantity in then or quantity in now:
                start, end = then.get(quantity, _NOTHING), now.get(quantity, _NOTHING)
                found.append(Progress(code, title, quantity, unit, start, end, _less(end, start)))
    return tuple(found)


def features_not_walked_again(before: Drawing, after: Drawing) -> tuple[tuple[str, str], ...]:
    """Return name and code of what the first survey has of a code that the second has as well.

    The quantities of such a code fall by them, whether they are gone or only were not walked.
    """
    codes, names = ({getattr(f, key) for f in after.features} for key in ("code", "name"))
    return tuple(
        (f.name, f.code) for f in before.features if f.code in codes and f.name not in names
    )


_NOTHING = Estimate(0.0, 0.0, 0.0, 0.0)


def _measured(quantity: Quantity | None) -> Iterator[tuple[str, Estimate]]:
    if quantity is None:
        return
    named: tuple[tuple[str, Measure | None], ...] = (
        ("area", quantity.net_area),
        ("length", quantity.length),
        ("volume", quantity.volume),
    )
    for name, measure in named:
        if measure is not None:
            yield name, measure.estimate
    if quantity.kind == "point":
        count = float(quantity.count)
        yield "count", Estimate(count, count, count, 0.0)


def _less(end: Estimate, start: Estimate) -> Estimate:
    """Return the difference of two independent numbers; half widths add like sigmas."""
    value = end.value - start.value
    half = math.hypot(end.half_width, start.half_width)
    sigma = math.hypot(end.sigma or 0.0, start.sigma or 0.0)
    return Estimate(value, value - half, value + half, sigma)
