"""The table ``residuals``: what the adjustment leaves over of every leg and every visit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from typing import Any

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.base.columns import Column, Columns, integer, real, text
from geosite.fieldbook.model import FieldBook
from geosite.handover.model import Form, Table
from geosite.network.accuracy.residuals import Residuals
from geosite.network.accuracy.residuals import residuals as residuals_of
from geosite.network.model import Network

__all__ = ["RESIDUALS", "columns", "sharing_a_misclosure", "table"]

RESIDUALS = Form(
    "residuals",
    "Residuals of legs and visits",
    "Adjusted less measured, on the map's axes: of every leg how far its end moved against its "
    "start, of every further visit of a mark how far it was pointed at beside it.",
)

KINDS = {
    "leg": "step from one observation of a run to the next",
    "visit": "pointing at a mark that is visited more than once",
}
_AXES = ("east", "north", "up")


@dataclass(frozen=True, eq=False)
class Left:
    """Legs and then visits, in walking order; ``row`` and ``before`` are observations."""

    book: FieldBook
    found: Residuals

    @cached_property
    def legs(self) -> Ints:
        """Observation at which each leg ends."""
        order: Ints = np.argsort(self.book.run, kind="stable")
        return np.asarray(order[np.isfinite(self.found.leg[order, 0])])

    @cached_property
    def visits(self) -> Ints:
        """Observation of each visit."""
        order: Ints = np.argsort(self.book.run, kind="stable")
        return np.asarray(order[np.isfinite(self.found.visit[order]).any(axis=1)])

    @cached_property
    def row(self) -> Ints:
        """Observation of each."""
        return np.concatenate([self.legs, self.visits])

    @cached_property
    def before(self) -> Ints:
        """Observation at which each leg starts; the visit itself."""
        order = np.argsort(self.book.run, kind="stable")
        previous = np.empty(len(order), dtype=np.int64)
        previous[order] = np.append(order[:1], order[:-1])
        return np.concatenate([previous[self.legs], self.visits])

    @cached_property
    def length(self) -> Floats:
        """Level length of each leg as walked, metres; NaN of visits."""
        step = self.book.local[self.row] - self.book.local[self.before]
        length: Floats = np.hypot(step[:, 0], step[:, 1])
        length[len(self.legs) :] = np.nan
        return length

    def kinds(self) -> list[str]:
        """Return what each is."""
        return ["leg"] * len(self.legs) + ["visit"] * len(self.visits)

    def marks(self, rows: Ints) -> list[str | None]:
        """Return the mark of observations."""
        named = (*self.book.marks, None)
        return [named[i] for i in self.book.mark[rows].tolist()]

    def both(self, of_leg: Floats, of_visit: Floats) -> Floats:
        """Return numbers of the legs and then those of the visits, shape (m, 3)."""
        return np.concatenate([of_leg[self.legs], of_visit[self.visits]])


def columns() -> Columns[Left]:
    """Return the columns."""
    return Columns(
        (
            text("kind", "What it is of.", lambda left: left.kinds(), KINDS),
            text(
                "run", "Walk it belongs to.", lambda left: [left.book.runs[r] for r in _runs(left)]
            ),
            text(
                "from_point",
                "Mark a leg starts at; empty for an unnamed one.",
                lambda left: [
                    mark if kind == "leg" else None
                    for mark, kind in zip(left.marks(left.before), left.kinds(), strict=True)
                ],
            ),
            text("to_point", "Mark it ends at, or visits.", lambda left: left.marks(left.row)),
            integer(
                "from_row",
                "Line in the field book of its start.",
                lambda left: left.book.line[left.before],
            ),
            integer(
                "row", "Line in the field book of its end.", lambda left: left.book.line[left.row]
            ),
            real(
                "length_m",
                "Level length of a leg, as walked.",
                lambda left: left.length,
                "m",
                exact="read from the field book",
            ),
            *(
                _column(
                    f"{axis}_m",
                    f"Residual {axis}, adjusted less measured.",
                    lambda left, i=i: left.both(left.found.leg, left.found.visit)[:, i],
                    "m",
                )
                for i, axis in enumerate(_AXES)
            ),
            *(
                _column(
                    f"{axis}_sigma_m",
                    f"Standard deviation of the residual {axis}; 0 where nothing checks it.",
                    lambda left, i=i: left.both(left.found.leg_sigma, left.found.visit_sigma)[:, i],
                    "m",
                )
                for i, axis in enumerate(_AXES)
            ),
            *(
                _column(
                    f"{axis}_standardised",
                    f"Residual {axis} over its standard deviation; empty where nothing checks it.",
                    lambda left, i=i: left.both(
                        left.found.leg_standardised, left.found.visit_standardised
                    )[:, i],
                )
                for i, axis in enumerate(_AXES)
            ),
        )
    )


def _column(
    name: str, description: str, get: Callable[..., Floats], unit: str = ""
) -> Column[Left]:
    return real(name, description, get, unit, exact="tested by its standardised value")


def _runs(left: Left) -> list[int]:
    found: list[int] = left.book.run[left.row].tolist()
    return found


def table(book: FieldBook, network: Network) -> Table:
    """Return the residuals of all legs, in walking order, and then of all visits."""
    left = Left(book, residuals_of(network))
    listed = columns()
    return RESIDUALS.table(listed, listed.records_of(left))


def sharing_a_misclosure(legs: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Put legs one after the other that share their standardised residuals into one, summed up.

    Parameters
    ----------
    legs
        Records of the table, in walking order.

    Returns
    -------
    list
        From the start of the first to the end of the last, ``legs`` how many they are. What shares
        one misclosure errs together, so the standard deviations are summed up as well.

    Examples
    --------
    Two legs of one stretch, of a misclosure that is 1.5 times what is to be expected:

    >>> leg = {"run": "R1", "from_row": 2, "row": 3, "to_point": None, "length_m": 4.0}
    >>> for axis in ("east", "north", "up"):
    ...     leg |= {f"{axis}_m": 0.03, f"{axis}_sigma_m": 0.02, f"{axis}_standardised": 1.5}
    >>> (both,) = sharing_a_misclosure([leg, {**leg, "from_row": 3, "row": 4, "to_point": "B"}])
    >>> both["from_row"], both["row"], both["to_point"], both["legs"], both["length_m"]
    (2, 4, 'B', 2, 8.0)
    >>> both["east_m"], both["east_sigma_m"], both["east_standardised"]
    (0.06, 0.04, 1.5)
    """

    def shared(leg: Mapping[str, Any]) -> tuple[Any, ...]:
        found = (leg[f"{axis}_standardised"] for axis in _AXES)
        return (leg["run"], *(None if v is None else round(v, 2) + 0.0 for v in found))

    added = ("length_m", *(f"{axis}_{end}" for axis in _AXES for end in ("m", "sigma_m")))
    stretches: list[dict[str, Any]] = []
    for _, members in groupby(legs, key=shared):
        part = list(members)
        summed: dict[str, Any] = {
            key: sum(leg[key] for leg in part)
            if all(leg[key] is not None for leg in part)
            else None
            for key in added
        }
        last = {key: part[-1][key] for key in ("to_point", "row")}
        stretches.append({**part[0], **last, **summed, "legs": len(part)})
    return stretches
