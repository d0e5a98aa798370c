"""Kerb ramps: flared sides, landing at the top, counter slope at the foot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from geosite.analysis.access.grade_checks import Check, Checked, Grade
from geosite.analysis.limits import SlopeLimit
from geosite.analysis.walked_line import Polyline, length_between

__all__ = ["KerbRampParts", "kerb_ramp_checks"]


@dataclass(frozen=True, eq=False)
class KerbRampParts:
    """What was walked of a kerb ramp beside the ramp itself.

    Parameters
    ----------
    flares
        Down each flared side, from its top to the kerb's foot.
    landing
        On from the top of the ramp, across the landing.
    gutter
        From the foot of the ramp out across the gutter or road.
    """

    flares: tuple[Polyline, ...] = ()
    landing: Polyline | None = None
    gutter: Polyline | None = None

    @classmethod
    def of(
        cls,
        line: Callable[[Sequence[str], str], Polyline],
        flares: Sequence[Sequence[str]],
        landing: Sequence[str],
        gutter: Sequence[str],
    ) -> KerbRampParts:
        """Make lines of named marks; `line` takes the names and what the line is called."""
        return cls(
            tuple(line(marks, f"flare {k}") for k, marks in enumerate(flares, start=1)),
            line(landing, "landing") if landing else None,
            line(gutter, "gutter") if gutter else None,
        )


def kerb_ramp_checks(checked: Checked, parts: KerbRampParts) -> tuple[Grade, ...]:
    """Measure and judge the parts of a kerb ramp.

    Parameters
    ----------
    checked
        The ramp, with the limits for its parts.
    parts
        What was walked of them. Where no landing was walked the flares are held against the limit
        for a ramp without one, if the set has it: the stricter one.

    Examples
    --------
    A flare that falls 10 cm over 1 m against a limit of 1 in 10; marks good to 1 mm in height
    cannot say on which side of it the flare is:

    >>> import numpy as np
    >>> from geosite.network.independent_marks import independent_marks
    >>> from geosite.analysis.limits import LimitSet
    >>> network = independent_marks([(0, 0, 0.1), (1, 0, 0), (0, 2, 0.1)], sigma_up_m=0.001)
    >>> ramp = Polyline("ramp", np.array([0, 2]), ("A", "C"), np.array([0.0, 2.0]))
    >>> side = Polyline("flare", np.array([0, 1]), ("A", "B"), np.array([0.0, 1.0]))
    >>> own = LimitSet(title="Own", flare=SlopeLimit(ratio="1:10", section="1"))
    >>> (found,) = kerb_ramp_checks(Checked(ramp, network, own, "own"), KerbRampParts((side,)))
    >>> found.check, round(found.measured.value, 3), found.verdict
    ('flare', -0.1, 'undecided')
    """
    limits = checked.limits
    flare = limits.flare
    if parts.landing is None and limits.flare_without_landing is not None:
        flare = limits.flare_without_landing
    found: list[Grade] = []
    for side in parts.flares:
        found += _slopes(checked, side, "flare", flare)
    if parts.landing is not None:
        landing = replace(checked, line=parts.landing)
        ends = (0.0, float(parts.landing.chainage[-1]))
        length = length_between(parts.landing, checked.network, *ends)
        found.append(landing.grade("landing length", ends, length, limits.landing_length))
        found += _slopes(checked, parts.landing, "landing slope", limits.landing)
    if parts.gutter is not None:
        found += _slopes(checked, parts.gutter, "counter slope", limits.counter_slope)
    name = checked.line.name
    return tuple(replace(grade, span=replace(grade.span, line=name)) for grade in found)


def _slopes(
    checked: Checked, line: Polyline, check: Check, limit: SlopeLimit | None
) -> list[Grade]:
    part = replace(checked, line=line)
    legs = list(pairwise(line.chainage.tolist()))
    slopes, forms = zip(*(part.slope(a, b) for a, b in legs), strict=True)
    return [
        part.grade(check, leg, measured, limit)
        for leg, measured in zip(legs, part.estimates(slopes, forms), strict=True)
    ]
