"""What the analysis found, in a contractor's words. Facts come in, findings go out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from geosite.analysis.limits import CAUTION
from geosite.analysis.takeoff.quantities import TakeOff
from geosite.analysis.takeoff.walked_twice import BesideLine
from geosite.base.errors import Finding
from geosite.base.estimate import Estimate
from geosite.base.exact_numbers import Words, fixed, kept
from geosite.base.map_frame import Frame
from geosite.base.rounding import decimals, grouped, place_words, written
from geosite.terrain.water.falls_from_buildings import LEAST_DROP_M
from geosite.terrain.wording import end_words

if TYPE_CHECKING:
    from geosite.analysis.access.grade_checks import Grade
    from geosite.analysis.falls import FallVerdict
    from geosite.analysis.parcels import Clearance
    from geosite.analysis.takeoff.design_prices import DesignEstimate
    from geosite.analysis.takeoff.prices import Valuation
    from geosite.analysis.takeoff.progress_prices import PeriodValuation

__all__ = [
    "BOUNDARY_CAUTION",
    "PRICE_CAUTION",
    "beside_findings",
    "clearance_findings",
    "clearance_words",
    "estimate_findings",
    "fall_findings",
    "grade_findings",
    "period_findings",
    "price_findings",
    "replaced_findings",
    "take_off_findings",
    "with_interval",
]


BOUNDARY_CAUTION = (
    "Not a boundary survey: distances to parcel lines compare this survey with the parcel map as "
    "it is; only a licensed surveyor determines a boundary."
)
PRICE_CAUTION = (
    "Amounts are measured quantities times the rates of the site file: no tax, no contract advice."
)
COVERED_ENOUGH = 0.99
"""A surface that reaches less than this share of an area gives quantities of part of it only."""


def with_interval(measured: Estimate, unit: str) -> Words:
    """Return a number with its 95 % interval, ends in brackets where it lies unevenly.

    Examples
    --------
    >>> with_interval(Estimate.normal(8.512, 0.1, 2.0), "%")
    '8.51 +/- 0.20 %'
    >>> with_interval(Estimate(0.36, 0.05, 2.1), "m3")
    '0.4 m3 (0.1 to 2.1)'
    """
    if measured.sigma is not None or not math.isfinite(measured.half_width):
        text = written(measured.value, measured.half_width, unit)
        exact: tuple[float, ...] = (measured.value, measured.half_width)
    else:
        places = max(decimals(measured.half_width), 0)
        ends = (measured.value, measured.low, measured.high)
        value, low, high = (grouped(v, places) for v in ends)
        text, exact = f"{value} {unit} ({low} to {high}{end_words(measured)})", ends
    return kept(text, *exact)


def at_95(measured: Estimate, unit: str) -> Words:
    """Return a number with its interval and what that is.

    Examples
    --------
    >>> at_95(Estimate.normal(8.512, 0.1, 2.0), "%")
    '8.51 +/- 0.20 % (95 %)'
    >>> at_95(Estimate.normal(8.512, 0.1, math.inf), "%")
    '8.51 % (its accuracy is not known)'
    """
    known = math.isfinite(measured.half_width)
    words = "95 %" if known else "its accuracy is not known"
    return Words(f"{with_interval(measured, unit)} ({words})")


def grade_findings(grades: Sequence[Grade]) -> tuple[Finding, ...]:
    """Say per line, limit set and check what was found, the worst place first.

    Parameters
    ----------
    grades
        Of any lines, in any order.

    Examples
    --------
    >>> from geosite.analysis.access.grade_checks import Grade
    >>> import numpy as np
    >>> from geosite.analysis.access.grade_checks import Requirement, Span
    >>> from geosite.analysis.limits import judge
    >>> span = Span("ramp", "A", "B", 0.0, 10.0, np.zeros((2, 3)))
    >>> tenth, wanted = Estimate.normal(0.1, 0.002, 2.0), Requirement("own", 1 / 12, "4.2")
    >>> steep = Grade("running", span, tenth, wanted, judge(tenth, wanted.limit))
    >>> [finding.code for finding in grade_findings([steep])]
    ['grade-beyond']
    """
    found: list[Finding] = []
    groups: dict[tuple[str, str, str], list[Grade]] = {}
    for grade in grades:
        groups.setdefault((grade.span.line, grade.requirement.limits, grade.check), []).append(
            grade
        )
    for (line, _, _), of_line in groups.items():
        beyond = [g for g in of_line if g.verdict == "beyond"]
        undecided = [g for g in of_line if g.verdict == "undecided"]
        if beyond:
            worst = max(beyond, key=_missed_by)
            parts = f" in {len(beyond)} places, the worst" if len(beyond) > 1 else ""
            default = "default " if worst.requirement.is_default else ""
            text = f"{line}: beyond the {default}limit{parts}: {_grade_words(worst)}. {CAUTION}"
            found.append(Finding("look", "grade-beyond", text))
        elif undecided:
            found.append(_undecided(line, undecided))
        missing = [g for g in of_line if g.verdict == "not measured"]
        if missing:
            found.append(_not_measured(line, missing))
    return (*found, *_steeper(grades))


def _missed_by(grade: Grade) -> float:
    """How far a number lies beyond its limit, as a share of the limit."""
    if grade.measured is None or not grade.requirement.limit:
        return 0.0
    over = abs(grade.measured.value) / grade.requirement.limit - 1.0
    return over if grade.is_at_most else -over


def _grade_words(grade: Grade) -> str:
    assert grade.measured is not None
    assert grade.requirement.limit is not None
    unit, factor = ("%", 100.0) if grade.is_slope else ("m", 1.0)
    size = grade.measured if grade.measured.value >= 0 else grade.measured.scaled(-1.0)
    measured = at_95(size.scaled(factor), unit)
    least = "" if grade.is_at_most else "at least "
    section = f" (section {grade.requirement.section})" if grade.requirement.section else ""
    return (
        f"{grade.check} {measured} from {grade.span.start} to {grade.span.end} against "
        f"{least}{fixed(factor * grade.requirement.limit, 2)} {unit}{section}"
    )


def _undecided(line: str, grades: Sequence[Grade]) -> Finding:
    worst = max(grades, key=_missed_by)
    needed = [g.judged.extra_observations for g in grades]
    most = max((n for n in needed if n), default=0)
    each = "it" if len(grades) == 1 else "each"
    if worst.measured is not None and not math.isfinite(worst.measured.half_width):
        more = "what its accuracy is would have to be known first"
    elif worst.probability is not None and worst.probability < 0.95:
        more = (
            f"in {100 * worst.probability:.0f} of 100 possible profiles there is one there; more "
            "marks where the slope changes would decide"
        )
    elif all(needed):
        more = f"{most} more measurement{'s' * (most > 1)} of {each} would decide"
    else:
        more = "no reasonable number of measurements would decide" + (
            " all of them" if most else ""
        )
    parts = f" in {len(grades)} places, the worst" if len(grades) > 1 else ""
    text = f"{line}: undecided at this accuracy{parts}: {_grade_words(worst)}; {more}. {CAUTION}"
    return Finding("look", "grade-undecided", text)


def _not_measured(line: str, grades: Sequence[Grade]) -> Finding:
    first = grades[0]
    remedy = {
        "cross": "walk marks on both sides of the line, or its two edges and name them as edges",
        "width": "walk both edges along the whole line",
        "landing length": "walk on to the end of the landing",
    }.get(first.check, "walk more marks there")
    count = f" in {len(grades)} places, the first" if len(grades) > 1 else ""
    where = f"{count} from {first.span.start} to {first.span.end}"
    text = f"{line}: {first.check} not measured{where}: no mark is near enough to say; {remedy}."
    return Finding("note", "grade-not-measured", text)


def _steeper(grades: Sequence[Grade]) -> list[Finding]:
    """Say which lines were judged by the set for what is steeper as well."""
    sets: dict[str, list[str]] = {}
    for grade in grades:
        if grade.check != "running":
            continue
        names = sets.setdefault(grade.span.line, [])
        if grade.requirement.limits not in names:
            names.append(grade.requirement.limits)
    return [
        Finding(
            "note",
            "grade-steeper",
            f"{line}: it is steeper than {names[0]!r} allows and was judged as {names[1]!r} as "
            f"well. {CAUTION}",
        )
        for line, names in sets.items()
        if len(names) > 1
    ]


def fall_findings(falls: Sequence[FallVerdict], frame: Frame) -> tuple[Finding, ...]:
    """Say where the ground does not fall away from a building as the rule asks.

    Something to look at where some of the wall is beyond the rule at 95 %, or it is undecided; a
    note where nothing near enough was measured.
    """
    found = []
    for judged in falls:
        fall, one = judged.estimate.fall, judged.estimate
        if judged.verdict == "within":
            continue
        code = "fall-from-building"
        if judged.worst is None or judged.verdict == "not measured":
            text = (
                f"{fall.name}: before {fixed(judged.lengths_m['not measured'], 1)} m of its "
                "walls the "
                f"fall is not measured. Walk marks at the wall and {fixed(fall.distance_m, 2)} m "
                "from it."
            )
            found.append(Finding("note", code, text))
            continue
        worst = judged.worst.scaled(100.0)
        does = "falls"
        if worst.value < -LEAST_DROP_M / judged.over_m * 100.0:
            does, worst = "rises", worst.scaled(-1.0)
        what = "paved ground" if judged.is_paved else "ground"
        easting, northing = frame.to_map(judged.place)
        beyond = judged.verdict == "beyond"
        asks = "the default asks" if judged.rule.is_default else "the rule asks"
        verdict = f"less fall than {asks}" if beyond else "undecided at this accuracy"
        text = (
            f"{fall.name}: {verdict}: the {what} within {fixed(judged.over_m, 2)} m of the wall "
            f"{does} {at_95(worst, '%')} away from it at "
            f"{place_words(easting, northing)}; it {judged.rule.sense} fall "
            f"{100 * judged.limit:g} % or more ({judged.rule.named}). "
            f"Of {fixed(fall.wall_m, 1)} m of wall {fixed(judged.lengths_m['beyond'], 1)} m have "
            "less, "
            f"{fixed(judged.lengths_m['undecided'], 1)} m are undecided{_towards(one.toward_m)}."
        )
        if not beyond:
            away = fixed(fall.distance_m, 2)
            text += f" More marks at the wall and {away} m from it would decide it."
        if judged.rule.exceptions:
            text += f" Exceptions: {'; '.join(judged.rule.exceptions)}."
        at = (float(easting), float(northing))
        code = code if beyond else f"{code}-undecided"
        found.append(Finding("look", code, text, place=at))
    return tuple(found)


def _towards(wall: Estimate) -> str:
    """Say before how much wall water runs towards the building; nothing where before none."""
    if max(wall.value, wall.high if math.isfinite(wall.high) else 0.0) < 0.005:
        return ""
    return f"; before {with_interval(wall, 'm')} water runs towards the building"


def clearance_words(clearance: Clearance) -> Words:
    """Say in one sentence how far a feature is from a parcel line.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.analysis.parcels import Clearance
    >>> apart = Estimate.normal(2.5, 0.25, 2.0)
    >>> nearest = np.array([[0.0, 0.0], [2.5, 0.0]])
    >>> clearance_words(Clearance("shed", "", "12", apart, "clear", nearest))
    'shed is clear of the line of parcel 12 by 2.5 +/- 0.5 m (95 %)'
    """
    feature, parcel = clearance.feature, clearance.parcel
    apart = clearance.distance
    size = apart if apart.value >= 0 else apart.scaled(-1.0)
    reach = at_95(size, "m")
    if clearance.verdict == "clear":
        return Words(f"{feature} is clear of the line of parcel {parcel} by {reach}")
    if clearance.verdict == "crosses":
        return Words(f"{feature} reaches over the line of parcel {parcel} by {reach}")
    side = "short of" if apart.value >= 0 else "over"
    return Words(
        f"{feature} and the line of parcel {parcel}: cannot tell, measured {side} the line by "
        f"{reach}"
    )


def clearance_findings(clearances: Sequence[Clearance], frame: Frame) -> tuple[Finding, ...]:
    """Say which features are not clear of a parcel line, and where on the feature.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.analysis.parcels import Clearance
    >>> apart, nearest = Estimate.normal(-2.5, 0.2, 2.0), np.array([[0.0, 0.0], [2.5, 0.0]])
    >>> over = Clearance("shed", "", "12", apart, "crosses", nearest)
    >>> (finding,) = clearance_findings([over], Frame())
    >>> finding.code, finding.place
    ('parcel-line', (0.0, 0.0))
    """
    found = []
    for c in clearances:
        if c.verdict != "clear":
            code = "parcel-line" if c.verdict == "crosses" else "parcel-line-undecided"
            easting, northing = frame.to_map(c.line[0, :2]).tolist()
            place = (easting, northing)
            found.append(Finding("look", code, clearance_words(c) + ".", place=place))
    return tuple(found)


def price_findings(found: Valuation) -> tuple[Finding, ...]:
    """Say what the take-off costs, and which codes have no price.

    Examples
    --------
    >>> from geosite.analysis.takeoff.prices import Valuation
    >>> found = Valuation("EUR", (), Estimate.normal(1200.0, 30.0, 2.0), ("kerb",))
    >>> [finding.code for finding in price_findings(found)]
    ['prices', 'prices-missing']
    """
    total = with_interval(found.total, found.currency)
    findings = [Finding("note", "prices", f"The take-off comes to {total}. {PRICE_CAUTION}")]
    if found.without_price:
        named = ", ".join(found.without_price)
        text = f"Ordered, but without a price and not in the total: {named}."
        findings.append(Finding("note", "prices-missing", text))
    return tuple(findings)


def take_off_findings(taken: TakeOff) -> tuple[Finding, ...]:
    """Sum up edges that were walked twice, and areas that the surface does not reach."""
    return (*_edge_findings(taken), *_cover_findings(taken))


def _edge_findings(taken: TakeOff) -> Iterator[Finding]:
    tolerance = taken.tolerance_m
    twice = [p for p in taken.edges if p.outcome in ("reported", "failed")]
    if twice:
        worst = max(twice, key=lambda p: p.width.value)
        remedy = (
            "they could not be made one within the tolerance"
            if tolerance
            else "[quantities] shared_edge_tolerance makes one edge of two"
        )
        count = f"{len(twice)} edges differ" if len(twice) > 1 else "One edge differs"
        text = (
            f"{count} between areas: overlaps {fixed(sum(p.overlap.value for p in twice), 2)} "
            "m2, gaps "
            f"{fixed(sum(p.gap.value for p in twice), 2)} m2, most between {worst.first!r} and "
            f"{worst.second!r} ({with_interval(worst.width, 'm')} on the average); {remedy}."
        )
        # walks that differ by no more than their noise say nothing of the ground
        is_sure = any(p.width.low > 0.0 for p in twice)
        yield Finding("look" if is_sure else "note", "edges-walked-twice", text)
    closed = [p for p in taken.edges if p.outcome == "snapped"]
    if closed:
        edges = f"{len(closed)} shared edge{'s' if len(closed) > 1 else ''}"
        text = (
            f"{edges} within {tolerance:g} m made one; the change of each area is in the "
            "quantities."
        )
        yield Finding("note", "edges-snapped", text)


def _cover_findings(taken: TakeOff) -> Iterator[Finding]:
    short = [q for q in taken.features if q.covered is not None and q.covered < COVERED_ENOUGH]
    if not taken.has_ground or not short:
        return
    named = ", ".join(f"{q.feature!r} ({100.0 * (q.covered or 0.0):.0f} %)" for q in short[:5])
    more = f" and {len(short) - 5} more" if len(short) > 5 else ""
    text = (
        f"The elevation model reaches only part of {named}{more}; the surface area of the rest "
        "takes the slope of that part."
    )
    yield Finding("note", "surface-partly-covered", text)


def replaced_findings(taken: TakeOff) -> Iterator[Finding]:
    """Say what designs lay something else on, and that it is not ordered.

    Examples
    --------
    >>> import numpy as np
    >>> from geosite.analysis.takeoff.quantities import Quantity
    >>> from geosite.linework.model import Measure
    >>> from geosite.network.model import LinearForm
    >>> none = np.zeros(0)
    >>> under = Measure(12.0, 12.0, LinearForm(none, none, none, none), 0.0, 0.0)
    >>> yard = Quantity("yard", "", "area", 1, replaced=under, replaced_by=("pad of design ramp",))
    >>> [one.text for one in replaced_findings(TakeOff((yard,), (), (), {}))]
    ['yard: 12.00 m2 of it are replaced by pad of design ramp, and are not ordered.']
    """
    for one in taken.features:
        for under, unit in ((one.replaced, "m2"), (one.replaced_length, "m")):
            if under is None:
                continue
            size = with_interval(under.estimate, unit)
            then = ", and are not ordered" if one.order_by else ""
            named = ", ".join(one.replaced_by)
            text = f"{one.feature}: {size} of it are replaced by {named}{then}."
            yield Finding("note", "design-replaces", text)


def period_findings(found: PeriodValuation) -> tuple[Finding, ...]:
    """Say what this period comes to, and what was not walked again."""
    findings = [
        Finding(
            "note",
            "progress-valued",
            f"This period comes to {with_interval(found.added, found.currency)}, all to date to "
            f"{with_interval(found.total, found.currency)}. {PRICE_CAUTION}",
        )
    ]
    if found.not_walked:
        text = (
            f"Not walked again and not valued: {', '.join(found.not_walked)}. Walk what has "
            "changed of it, or value it from the survey before."
        )
        findings.append(Finding("look", "progress-not-walked", text))
    return tuple(findings)


def estimate_findings(
    found: Sequence[DesignEstimate], bare: Sequence[str] = ()
) -> tuple[Finding, ...]:
    """Say what each design comes to, and what of it has no price.

    Parameters
    ----------
    found
    bare
        Designs that nothing prices although there are prices: none of their parts has a code.
    """
    findings = []
    for one in found:
        comes_to = with_interval(one.priced.total, one.priced.currency)
        text = f"Design {one.design}: the estimate comes to {comes_to}. {PRICE_CAUTION}"
        if one.priced.without_price:
            text += f" Without a price: {', '.join(one.priced.without_price)}."
        findings.append(Finding("note", "design-estimate", text))
    for name in bare:
        text = (
            f"Design {name}: not priced, for no part of it has a code with a price. Give its pads, "
            "strips and edges a code, and [prices.codes] or [prices.cut] and [prices.fill] rates."
        )
        findings.append(Finding("note", "design-not-priced", text))
    return tuple(findings)


def beside_findings(found: Sequence[BesideLine]) -> tuple[Finding, ...]:
    """Say which lines would be ordered twice if they are two edges of one thing.

    Examples
    --------
    >>> (said,) = beside_findings([BesideLine("foot", "top", "kerb_foot", "kerb_top", 0.15)])
    >>> said.text[:56]
    'top runs 0.15 m beside foot all along, and both are orde'
    """
    return tuple(
        Finding(
            "look",
            "walked-twice",
            f"{one.second} runs {fixed(one.apart_m, 2)} m beside {one.first} all along, and both "
            f"are ordered: if they are two edges of one thing, "
            + (
                f'say counted_in = "{one.first_code}" in [codes.{one.second_code}].'
                if one.first_code and one.second_code and one.first_code != one.second_code
                else "give the second a code of its own that says counted_in."
            ),
        )
        for one in found
    )
