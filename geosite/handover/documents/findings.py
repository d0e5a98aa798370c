"""Findings in full, and the paper that running pages are set on."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from geosite.base.errors import Finding
from geosite.drawing.document import Block, Column, Heading, Paper, Paragraph, Table
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import CAUTION, Package
from geosite.handover.names import named_on_paper
from geosite.handover.wording.title_block import revision_words, title_fields

__all__ = ["finding_blocks", "on_paper", "paper_for", "with_signs"]

#: Width and height of running pages beside each family of sheets, mm: ISO 216 A4, ANSI A.
_RUNNING = {"A": (210.0, 297.0), "ANSI": (215.9, 279.4)}


MOST_OF_A_KIND = 200
"""Findings of one code on paper: nobody reads more of a kind than that; ``report.json`` has all."""

_FOOT = "No boundary survey, no certificate, no drainage design. Locate buried services first."


def paper_for(package: Package, options: Handover, title: str) -> Paper:
    """Return the paper of a running document, with the site's name at its head.

    Parameters
    ----------
    package
        Whose title, date and sheet number stand there.
    options
        ``[handover]``: its sheet decides between A4 and ANSI A.
    title
        Of the document.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> package = Package("Ferry landing", "2026-05-01", Frame())
    >>> paper = paper_for(package, Handover(sheet="ANSI B"), "Findings")
    >>> paper.width, paper.height, paper.about
    (215.9, 279.4, 'Ferry landing, surveyed 2026-05-01')
    """
    width, height = _RUNNING["ANSI" if options.sheet.startswith("ANSI") else "A"]
    name = package.name
    parts = (name, package.date and f"surveyed {package.date}", package.sheet.number)
    fields = (*title_fields(package, with_number=False).items(), *revision_words(package)[-1:])
    about = ", ".join(p for p in parts if p)
    return Paper(width, height, title, about, _FOOT, fields=fields)


def finding_blocks(package: Package) -> list[Block]:
    """Return findings in full, those to look at first; nothing where there is none.

    Of more than `MOST_OF_A_KIND` with one code that many, and how many more there are.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> seen = (Finding("note", "known", "It is so."), Finding("look", "odd", "Look at it."))
    >>> blocks = finding_blocks(Package("Yard", "", Frame(), findings=seen))
    >>> [row[1] for block in blocks if isinstance(block, Table) for row in block.rows]
    ['Look at it.', 'It is so.']
    """
    if not package.findings:
        return []
    look = [f for f in package.findings if f.level == "look"]
    notes = [f for f in package.findings if f.level != "look"]
    # first, so that it never stands alone on a last page
    blocks: list[Block] = [Heading("Findings"), Heading("Caution", 2), Paragraph(CAUTION)]
    if look:
        blocks += [
            Heading("Look at this before the numbers are used", 2),
            _table(package, look, 1),
        ]
    if notes:
        blocks += [Heading("Good to know", 2), _table(package, notes, len(look) + 1)]
    return blocks


def on_paper(package: Package, findings: Sequence[Finding]) -> list[str]:
    """Return the texts of findings as paper has them: readable names, raised figures.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.fieldbook.sitefile import Code
    >>> yard = Package("Yard", "", Frame(), codes={"kerb_top": Code()})
    >>> on_paper(yard, [Finding("look", "odd", "kerb_top has 3 m2.")])
    ['kerb top has 3 m².']
    """
    return named_on_paper(package, [with_signs(finding.text) for finding in findings])


def _table(package: Package, findings: list[Finding], first: int) -> Table:
    placed = any(finding.file for finding in findings)
    columns = (
        Column("no.", 0.07, "end"),
        Column("finding", 1.0),
        *((Column("where", 0.3),) if placed else ()),
    )
    rows = []
    met: Counter[str] = Counter()
    shown = []
    for number, finding in enumerate(findings, start=first):
        met[finding.code] += 1
        if met[finding.code] <= MOST_OF_A_KIND:
            shown.append((number, finding))
    texts = on_paper(package, [finding for _, finding in shown])
    for (number, finding), text in zip(shown, texts, strict=True):
        where = (_where(finding),) if placed else ()
        rows.append((f"{number} ", text, *where))
    for code, count in met.items():
        if count > MOST_OF_A_KIND:
            more = f"and {count - MOST_OF_A_KIND} more of the kind {code}, in report.json"
            rows.append(("", more, *(("",) if placed else ())))
    return Table(columns, tuple(rows))


def with_signs(text: str) -> str:
    """Return words with the signs that paper has: areas and volumes with raised figures.

    Examples
    --------
    >>> with_signs("0.35 m3 on 24.1 m2, 12 ft2 of code m2x")
    '0.35 m³ on 24.1 m², 12 ft² of code m2x'
    """
    raised = {"2": "²", "3": "³"}
    return re.sub(r"\b(m|ft|yd)([23])\b", lambda found: found[1] + raised[found[2]], text)


def _where(finding: Finding) -> str:
    if not finding.file:
        return ""
    name = finding.file.replace("\\", "/").rsplit("/", 1)[-1]
    return f"{name}:{finding.line}" if finding.line else name
