"""Designs of which only one is built: what is ordered and what it costs, for each choice apart."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product

from geosite.analysis.takeoff.design_prices import DesignEstimate
from geosite.analysis.takeoff.designed import DesignPart
from geosite.analysis.takeoff.prices import Valuation
from geosite.analysis.takeoff.quantities import TakeOff
from geosite.analysis.takeoff.whole_cost import WholeCost, whole_cost
from geosite.base.errors import Finding, InputError, Problem
from geosite.base.exact_numbers import fixed
from geosite.fieldbook.sitefile import Design

__all__ = [
    "Choice",
    "alternative_findings",
    "alternatives_of",
    "choices",
    "each_choice",
    "overlap_findings",
]

MOST = 24
"""Choices: more totals side by side nobody compares."""
_OVERLAP_M2 = 1.0
"""Designs that share less meet along an edge."""


@dataclass(frozen=True, eq=False)
class Choice:
    """One design of every group of alternatives, and what is built in any case.

    Parameters
    ----------
    built
        The alternatives that are built, in the order of the site file.
    take_off
        Without what these and the designs built in any case replace.
    prices
        Of that, where anything has a price.
    cost
        Of that and of the designs that are built.
    """

    built: tuple[str, ...]
    take_off: TakeOff
    prices: Valuation | None
    cost: WholeCost | None


def alternatives_of(designs: Mapping[str, Design]) -> dict[str, tuple[str, ...]]:
    """Return the designs of every group of which only one is built.

    Parameters
    ----------
    designs
        ``[designs]``.

    Examples
    --------
    >>> west, east = Design(alternative_for="pad"), Design(alternative_for="pad")
    >>> alternatives_of({"west": west, "ramp": Design(), "east": east})
    {'pad': ('west', 'east')}
    """
    groups: dict[str, list[str]] = {}
    for name, one in designs.items():
        if one.alternative_for:
            groups.setdefault(one.alternative_for, []).append(name)
    return {group: tuple(names) for group, names in groups.items()}


def choices(designs: Mapping[str, Design], site_file: str) -> list[tuple[str, ...]]:
    """Return every way to choose one design of each group of alternatives.

    Parameters
    ----------
    designs
        ``[designs]``.
    site_file
        For messages.

    Raises
    ------
    InputError
        A design has no other that it is an alternative to, or there are too many choices.

    Examples
    --------
    >>> pad, way = Design(alternative_for="pad"), Design(alternative_for="way")
    >>> choices({"west": pad, "east": pad, "ramp": way, "steps": way}, "")
    [('west', 'ramp'), ('west', 'steps'), ('east', 'ramp'), ('east', 'steps')]
    """
    groups = alternatives_of(designs)
    problems = [
        Problem(
            "alternative-alone",
            f'[designs.{names[0]}]: no other design has alternative_for = "{group}"',
            "two or more designs of which only one is built",
            "give the other designs the same word, or take it out",
            site_file,
        )
        for group, names in groups.items()
        if len(names) < 2
    ]
    found = list(product(*groups.values())) if groups else []
    if len(found) > MOST:
        problems.append(
            Problem(
                "alternatives-many",
                f"the alternatives can be chosen in {len(found)} ways",
                f"at most {MOST}",
                "take designs out that are not wanted any more",
                site_file,
            )
        )
    if problems:
        raise InputError(problems)
    return found


def each_choice(
    designs: Mapping[str, Design],
    parts: Sequence[DesignPart],
    estimates: Sequence[DesignEstimate],
    without: Callable[[Sequence[DesignPart]], TakeOff],
    priced: Callable[[TakeOff], Valuation | None],
    site_file: str,
) -> Iterator[Choice]:
    """Yield what is ordered and what it costs with each choice.

    Parameters
    ----------
    designs
        ``[designs]``.
    parts, estimates
        Of all designs.
    without
        Returns the take-off without what some parts replace.
    priced
        Prices a take-off.
    site_file
        For messages.
    """
    chosen_from = {name for names in alternatives_of(designs).values() for name in names}
    for built in choices(designs, site_file):
        left_out = chosen_from - set(built)
        taken = without([part for part in parts if part.design not in left_out])
        prices = priced(taken)
        own = [one for one in estimates if one.design not in left_out]
        yield Choice(built, taken, prices, whole_cost(prices, own))


def overlap_findings(
    designs: Mapping[str, Design], parts: Sequence[DesignPart]
) -> Iterator[Finding]:
    """Say which designs lie on the same ground and are both counted.

    Parameters
    ----------
    designs
        ``[designs]``.
    parts
        Of all designs, with their outlines, metres.

    Examples
    --------
    >>> from shapely import box
    >>> from geosite.analysis.takeoff.quantities import Quantity
    >>> one = DesignPart("west", "pad", "pad", Quantity("", "", "area", 1), box(0, 0, 4, 4))
    >>> two = DesignPart("east", "pad", "pad", Quantity("", "", "area", 1), box(2, 0, 6, 4))
    >>> (said,) = overlap_findings({"west": Design(), "east": Design()}, [one, two])
    >>> said.text[:52]
    'Designs west and east lie on 8.0 m2 of the same grou'
    >>> both = Design(alternative_for="pad")
    >>> list(overlap_findings({"west": both, "east": both}, [one, two]))
    []
    """
    import shapely

    shapes: dict[str, list[shapely.Geometry]] = {}
    for part in parts:
        if part.shape is not None and part.shape.area > 0:
            shapes.setdefault(part.design, []).append(part.shape)
    whole = {name: shapely.union_all(some) for name, some in shapes.items()}
    for one, two in combinations(whole, 2):
        group = designs[one].alternative_for
        if group and group == designs[two].alternative_for:
            continue
        common = float(shapely.intersection(whole[one], whole[two]).area)
        if common > _OVERLAP_M2:
            yield Finding(
                "look",
                "designs-overlap",
                f"Designs {one} and {two} lie on {fixed(common, 1)} m2 of the same ground and "
                "are both "
                "counted: if only one of them is built, give both the same alternative_for.",
            )


def alternative_findings(designs: Mapping[str, Design]) -> Iterator[Finding]:
    """Say of which designs only one is built.

    Examples
    --------
    >>> both = Design(alternative_for="pad")
    >>> [one.text[:43] for one in alternative_findings({"west": both, "east": both})]
    ['Alternatives for pad: only one of west, eas']
    """
    for group, names in alternatives_of(designs).items():
        yield Finding(
            "note",
            "alternatives",
            f"Alternatives for {group}: only one of {', '.join(names)} is built. What is ordered "
            "and what it costs stands for each apart; no sum holds more than one of them.",
        )
