"""One page for who pays: what it costs, how good that is, what to look at, what is not known."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from geosite.base.errors import Finding
from geosite.base.rounding import grouped, written
from geosite.drawing.document import Block, Column, Heading, Paper, Paragraph, Table, lay_out
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.findings import on_paper
from geosite.handover.model import CAUTION, Package
from geosite.handover.report_model.answers import Cost
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.measures import Measures
from geosite.handover.wording.money import amount_words, range_words
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
        ),
        *_told("What is not known", package, unknown, (findings, longest), "", _NEVER_KNOWN),
        Heading("What this is not", 2),
        Paragraph(CAUTION),
    ]


def _is_open(finding: Finding) -> bool:
    if finding.code.endswith("-undecided") or finding.code in _OPEN:
        return True
    return finding.level == "note" and finding.code in _UNSURE


def _title(package: Package) -> str:
    return package.sheet.project or package.title or "Untitled site"


def _about(package: Package) -> str:
    """Return the site, for whom, by whom and when, as far as the site file says."""
    sheet = package.sheet
    client, who = sheet.client or package.client, sheet.surveyor or package.surveyor
    parts = (
        package.title or "Untitled site",
        client and f"for {client}",
        package.date and f"surveyed {package.date}" + (f" by {who}" if who else ""),
    )
    return (
        f"{', '.join(part for part in parts if part)}. This page in plain words; the pages after "
        "it have every number with how well it is known."
    )


def _cost(package: Package, most: int) -> list[Block]:
    """Return the total with its range, what it is made of and what is not in it."""
    cost = None if package.report is None else package.report.cost
    heading = Heading("What it costs", 2)
    if cost is None:
        return [heading, Paragraph("No price was given, so that no cost is stated.")]
    money = cost.currency
    amount = f"{_whole(cost.total)} {money}".strip()
    low, high = cost.total_low, cost.total_high
    if low is None or high is None:
        first = f"{amount}. How far that may be off is not known."
    else:
        first = f"{amount}, in 95 of 100 cases between {_whole(low)} and {_whole(high)} {money}."
    words = (
        "The range is what the survey leaves open. Rates are those given, without taxes; nothing "
        "is added for what nobody could see or measure."
    )
    blocks: list[Block] = [heading, Paragraph(first, "bold", size=4.0), Paragraph(words)]
    if len(cost.parts) > 1:
        blocks.append(_cost_table(cost, most))
    codes = dict.fromkeys(code for part in cost.parts for code in part.without_price)
    missing = [code_title(package.codes, code) for code in codes]
    if missing:
        more = f" and {len(missing) - 6} more" if len(missing) > 6 else ""
        told = f"Without a price, and not in it: {', '.join(missing[:6])}{more}."
        blocks.append(Paragraph(told, "bold"))
    return blocks


def _whole(amount: float) -> str:
    """Return an amount in whole units of the currency."""
    return grouped(amount, 0)


def _cost_table(cost: Cost, most: int) -> Table:
    rows = [
        (
            "What was measured and is ordered" if not part.design else part.title,
            amount_words(part.amount, cost.currency),
            ""
            if part.amount_low is None or part.amount_high is None
            else range_words(part.amount_low, part.amount_high),
        )
        for part in cost.parts[:most]
    ]
    if len(cost.parts) > most:
        rest = sum(part.amount for part in cost.parts[most:])
        many = len(cost.parts) - most
        rows.append((f"{many} more, on the pages after this", amount_words(rest), ""))
    total = amount_words(cost.total, cost.currency)
    ends = ""
    if cost.total_low is not None and cost.total_high is not None:
        ends = range_words(cost.total_low, cost.total_high)
    rows.append(("Total", total, ends))
    columns = (
        Column("what", 1.6),
        Column("amount", 0.8, "end"),
        Column("range at 95 %", 0.8, "end"),
    )
    return Table(columns, tuple(rows), frozenset({len(rows) - 1}))


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
) -> list[Block]:
    """Return findings by their first sentence, and how many more there are."""
    most, longest = cut
    shown = [_first_sentence(text) for text in on_paper(package, findings[:most])]
    told = [_shortened(text, longest) for text in shown]
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
