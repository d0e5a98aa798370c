"""The fields of the title block, those that are given."""

from __future__ import annotations

from geosite.handover.model import Package

__all__ = ["revision_words", "title_fields"]


def title_fields(package: Package, *, with_number: bool = True) -> dict[str, str]:
    """Return the data fields after ISO 7200:2004 by their names.

    Its "legal owner", who the drawing belongs to, is not known here: who ordered it is the client.

    Parameters
    ----------
    package
    with_number
        Of the sheet, where it does not stand elsewhere.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.fieldbook.sitefile import Sheet
    >>> title_fields(Package("Yard", "", Frame(), sheet=Sheet(project="New yard", number="Y-1")))
    {'Project': 'New yard', 'Sheet': 'Y-1'}
    """
    sheet = package.sheet
    who = sheet.surveyor or package.surveyor
    fields = {
        "Client": sheet.client or package.client,
        "Project": sheet.project,
        "Surveyed by": ", ".join(x for x in (who, sheet.licence) if x),
        "Approved by": sheet.approved_by,
        "Sheet": sheet.number if with_number else "",
    }
    return {name: text for name, text in fields.items() if text}


def revision_words(package: Package) -> list[tuple[str, str]]:
    """Return number and text of each revision, the last one last.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.fieldbook.sitefile import Revision, Sheet
    >>> first = Revision(number="A", date="2026-05-01", text="First issue", by="JS")
    >>> revision_words(Package("Yard", "", Frame(), sheet=Sheet(revisions=(first,))))
    [('Revision A', '2026-05-01: First issue, JS')]
    """
    return [
        (f"Revision {r.number}", f"{r.date}: {r.text}" + (f", {r.by}" if r.by else ""))
        for r in package.sheet.revisions
    ]
