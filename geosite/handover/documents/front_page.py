"""One page for who pays: what it costs, how good that is, what to look at, what is not known."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Literal

from geosite.base.errors import Finding
from geosite.base.rounding import decimals, grouped, places_seen, written
from geosite.drawing.document import Block, Column, Heading, Paper, Paragraph, Table, lay_out
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.alternatives import titles_of
from geosite.handover.documents.findings import on_paper
from geosite.handover.model import CAUTION, Package
from geosite.handover.names import readable_name
from geosite.handover.report_model.answers import Alternative, Cost
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.measures import Measures, layer_of
from geosite.handover.wording.reference import mark_accuracy

__all__ = ["front_page"]

#: Parts of the cost, findings of each kind, and characters of one, tried in order until one page
#: holds them.
_CUTS = ((12, 6, 330), (10, 5, 240), (8, 4, 160), (6, 3, 120), (5, 2, 90), (4, 1, 60))
#: What is open for lack of a measurement, an accuracy or a price.
_OPEN = frozenset(
    {
        "accuracy-unknown",
        "design-not-priced",
        "design-partly-off-ground",
        "elevation-relative",
        "fall-from-building-unknown",
        "grade-not-measured",
        "ground-between-not-known",
        "inlet-no-ground",
        "nothing-checks",
        "parcels-away",
        "ponds-not-significant",
        "runoff-unknown",
        "surface-partly-covered",
    }
)
_PLACE = re.compile(r"E (\d+(?:\.\d+)?), N (\d+(?:\.\d+)?)")
_NEVER_KNOWN = (
    "Not looked at here: where cables and pipes lie, what is below the surface, where the legal "
    "boundary runs, and what local rules ask for beyond the limits that were given."
)
#: Told as something to know where it is not sure.
_UNSURE = frozenset({"design-pond", "fall-from-building", "flat-paving"})


def front_page(package: Package, options: Handover, paper: Paper) -> list[Block]:
    """Return what a client reads first, no more than one page of it.

    Parameters
    ----------
    package
        With its report and findings.
    options
        ``[handover]``: the unit of lengths.
    paper
        That it must fit on.
    """
    blocks: list[Block] = []
    for parts, findings, longest in _CUTS:
        blocks = _page(package, options, parts, findings, longest)
        if len(lay_out(blocks, paper)) == 1:
            break
    return blocks


def _page(
    package: Package, options: Handover, parts: int, findings: int, longest: int
) -> list[Block]:
    look = [f for f in package.findings if f.level == "look" and not _is_open(f)]
    unknown = [f for f in package.findings if _is_open(f)]
    return [
        Heading(_title(package)),
        Paragraph(_about(package)),
        *_cost(package, parts),
        *_accuracy(package, options),
        *_told(
            "What to look at first",
            package,
            look,
            (findings, longest),
            "Nothing stands out that would have to be looked at before the numbers are used.",
            unit=options.unit,
        ),
        *_told(
            "What is not known",
            package,
            unknown,
            (findings, longest),
            "",
            _NEVER_KNOWN,
            unit=options.unit,
        ),
        Heading("What this is not", 2),
        Paragraph(CAUTION),
    ]


def _is_open(finding: Finding) -> bool:
    if finding.code.endswith("-undecided") or finding.code in _OPEN:
        return True
    return finding.level == "note" and finding.code in _UNSURE


def _title(package: Package) -> str:
    return package.sheet.project or package.name


def _about(package: Package) -> str:
    """Return the site, for whom, by whom and when, as far as the site file says."""
    sheet = package.sheet
    client, who = sheet.client or package.client, sheet.surveyor or package.surveyor
    title = package.name
    parts = (
        "" if title == _title(package) else title,
        client and f"for {client}",
        package.date and f"surveyed {package.date}" + (f" by {who}" if who else ""),
    )
    told = ", ".join(part for part in parts if part)
    return (
        f"{told[:1].upper()}{told[1:]}{'. ' if told else ''}This page in plain words; the pages "
        "after it have every number with how well it is known."
    )


def _cost(package: Package, most: int) -> list[Block]:
    """Return the total with its range, what it is made of and what is not in it."""
    report, heading = package.report, Heading("What it costs", 2)
    cost = None if report is None else report.cost
    choices = [] if report is None else [one for one in report.alternatives if one.cost is not None]
    costs = [one.cost for one in choices if one.cost is not None] or ([cost] if cost else [])
    if not costs:
        return [heading, Paragraph("No price was given, so that no cost is stated.")]
    places = max(map(_places, costs))
    if choices:
        ends = sorted(one.total for one in costs)
        first = (
            f"{grouped(ends[0], places)} to {grouped(ends[-1], places)} {costs[0].currency}, "
            "depending on which alternative is built."
        )
    else:
        first = _total(costs[0], places)
    ranged = any(one.total_low != one.total_high for one in costs)
    words = (
        "Rates are those given, without taxes; nothing is added for what nobody could see or "
        "measure. Rounded to what is known; exact amounts are on the pages after this."
    )
    if ranged:
        words = f"The range is what the survey leaves open. {words}"
    missing = _not_in_it(package, costs)
    blocks: list[Block] = [heading, Paragraph(first, "bold", size=4.0)]
    if missing:
        more = f" and {len(missing) - 6} more" if len(missing) > 6 else ""
        told = f"Not in it, for want of a price: {', '.join(missing[:6])}{more}."
        blocks.append(Paragraph(told, "bold"))
    blocks.append(Paragraph(words))
    if choices:
        blocks.append(_choice_table(package, choices[:most], places))
        if len(choices) > most:
            blocks.append(Paragraph(f"{len(choices) - most} more on the pages after this."))
    elif len(costs[0].parts) > 1:
        blocks.append(_cost_table(costs[0], most, places))
    return blocks


def _places(cost: Cost) -> int:
    """Return to which digit a total is known: whole units of the currency, tens, hundreds."""
    if cost.total_low is None or cost.total_high is None or cost.total_low == cost.total_high:
        return places_seen(cost.total, 0)
    return min(places_seen(cost.total, 0), decimals((cost.total_high - cost.total_low) / 2))


def _total(cost: Cost, places: int) -> str:
    """Say what it all comes to."""
    money, amount = cost.currency, grouped(cost.total, places)
    low, high = cost.total_low, cost.total_high
    if low is None or high is None:
        return f"{amount} {money}".strip() + ". How far that may be off is not known."
    if low == high:
        return f"{amount} {money}.".strip()
    ends = f"{grouped(low, places)} and {grouped(high, places)}"
    return f"{amount} {money}, in 95 of 100 cases between {ends} {money}."


def _not_in_it(package: Package, costs: Sequence[Cost]) -> list[str]:
    """Return what is to be done and has no price: codes, and earthworks of their own."""
    codes = dict.fromkeys(
        code for cost in costs for part in cost.parts for code in part.without_price
    )
    works = dict.fromkeys(
        str(r.get("earthwork"))
        for table in package.tables
        if table.name == "earthworks"
        for r in table.records
    )
    return [
        *(code_title(package.codes, code) for code in codes),
        *(f"the earthwork {readable_name(name)}" for name in works),
    ]


def _ends(low: float | None, high: float | None, places: int) -> str:
    if low is None or high is None:
        return ""
    return "fixed" if low == high else f"{grouped(low, places)} to {grouped(high, places)}"


def _cost_table(cost: Cost, most: int, places: int) -> Table:
    rows = [
        (
            "What was measured and is ordered" if not part.design else part.title,
            f"{grouped(part.amount, places)} {cost.currency}".strip(),
            _ends(part.amount_low, part.amount_high, places),
        )
        for part in cost.parts[:most]
    ]
    if len(cost.parts) > most:
        rest = sum(part.amount for part in cost.parts[most:])
        many = len(cost.parts) - most
        rows.append((f"{many} more, on the pages after this", grouped(rest, places), ""))
    total = f"{grouped(cost.total, places)} {cost.currency}".strip()
    rows.append(("Total", total, _ends(cost.total_low, cost.total_high, places)))
    columns = (
        Column("what", 1.6),
        Column("amount", 0.8, "end"),
        Column("range at 95 %", 0.8, "end"),
    )
    return Table(columns, tuple(rows), frozenset({len(rows) - 1}))


def _choice_table(package: Package, choices: Sequence[Alternative], places: int) -> Table:
    """Return the total of each choice among alternatives, side by side and never added."""
    rows = tuple(
        (
            titles_of(package, one.built),
            f"{grouped(cost.total, places)} {cost.currency}".strip(),
            _ends(cost.total_low, cost.total_high, places),
        )
        for one in choices
        if (cost := one.cost) is not None
    )
    columns = (
        Column("where this is built", 1.6),
        Column("total", 0.8, "end"),
        Column("range at 95 %", 0.8, "end"),
    )
    return Table(columns, rows)


def _accuracy(package: Package, options: Handover) -> list[Block]:
    """Return how good places, heights and areas are, and what checked the walk."""
    measures = Measures(options.unit)
    known, length = mark_accuracy(package), measures.length
    if known is None:
        words = "How good the measured places are is not known: see what is not known, below."
    else:
        words = (
            f"A measured place lies right within {length(known.plan_m)} on the map, the worst "
            f"within {length(known.worst_plan_m)}; its height within {length(known.height_m)}, "
            f"the worst within {length(known.worst_height_m)}. That holds in 95 of 100 cases."
        )
    words += _largest(package, measures)
    network = None if package.report is None else package.report.network
    closures = () if network is None else network.closures
    if not closures:
        words += " No walk came back to a mark: nothing in it checks itself."
    else:
        worst = max(closures, key=lambda one: one.misclosure_m)
        count = len(closures)
        times = "once" if count == 1 else f"{count} times"
        words += (
            f" The walk came back to its own marks {times} and was at most "
            f"{length(worst.misclosure_m)} off, after {measures.fine(worst.length_m, 0)} "
            f"{measures.unit}."
        )
    return [Heading("How good it is", 2), Paragraph(words)]


def _largest(package: Package, measures: Measures) -> str:
    """Say how well the largest surface is known."""
    records = next((t.records for t in package.tables if t.name == "quantities"), ())
    areas = [r for r in records if not r.get("feature") and r.get("net_area_m2")]
    if not areas:
        return ""
    largest = max(areas, key=lambda r: float(r["net_area_m2"]))
    half = largest.get("net_area_95_m2")
    if half is None or not math.isfinite(half):
        return ""
    name = code_title(package.codes, largest.get("code"))
    square = measures.unit_m**2
    size = written(float(largest["net_area_m2"]) / square, half / square, f"{measures.unit}²")
    return f" The largest surface, {name}, has {size}."


def _told(
    heading: str,
    package: Package,
    findings: Sequence[Finding],
    cut: tuple[int, int],
    nothing: str,
    always: str = "",
    *,
    unit: Literal["m", "ft"] = "m",
) -> list[Block]:
    """Return findings by their first sentence, and how many more there are."""
    most, longest = cut
    shown = [_first_sentence(text) for text in on_paper(package, findings[:most])]
    told = [_shortened(_by_marks(package, text, unit), longest) for text in shown]
    if not told and nothing:
        told = [nothing]
    blocks: list[Block] = [Heading(heading, 2)]
    if told:
        rows = tuple(("\N{EN DASH}", text) for text in told)
        blocks.append(Table((Column("", 0.025), Column("", 1.0)), rows))
    if len(findings) > most:
        more = f"and {len(findings) - most} more in the list of findings, at the end of plan.pdf."
        blocks.append(Paragraph(more))
    if always:
        blocks.append(Paragraph(always))
    return blocks


def _by_marks(package: Package, text: str, unit: Literal["m", "ft"]) -> str:
    """Return words in which places on the map are told by the nearest named mark.

    A client has the plan, on which the marks stand, and no way to find coordinates.
    """
    layer = layer_of(package, "marks") or layer_of(package, "points")
    named = [] if layer is None else [i for i, r in enumerate(layer.records) if r.get("point")]
    if layer is None or not named:
        return text
    per = package.frame.unit_m / Measures(unit).unit_m

    def told(found: re.Match[str]) -> str:
        east, north = float(found[1]), float(found[2])
        places = [layer.geometries[i] for i in named]
        off = [math.hypot(place.x - east, place.y - north) for place in places]
        nearest = min(range(len(off)), key=off.__getitem__)
        name, far = layer.records[named[nearest]]["point"], off[nearest] * per
        return f"mark {name}" if far < 0.5 else f"{far:.0f} {unit} from mark {name}"

    return _PLACE.sub(told, text)


def _first_sentence(text: str) -> str:
    """Return a finding without its advice.

    Examples
    --------
    >>> _first_sentence("Water stands 4.5 cm deep. Look at it.")
    'Water stands 4.5 cm deep.'
    """
    return re.split(r"(?<=[.)]) (?=[A-Z])", text)[0]


def _shortened(text: str, longest: int) -> str:
    if len(text) <= longest:
        return text
    return text[: longest - 2].rsplit(" ", 1)[0].rstrip(",;:") + " …"
