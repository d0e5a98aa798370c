"""Tolerances of codes that nothing in the survey has."""

from __future__ import annotations

from collections.abc import Iterator

from geosite.base.errors import Finding
from geosite.base.problems import nearest
from geosite.fieldbook.attached_files import Attached
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import SiteFile
from geosite.reading.toml_lines import TomlText

__all__ = ["stray_tolerances"]


def stray_tolerances(
    site: SiteFile, book: FieldBook, attached: Attached, place: TomlText
) -> Iterator[Finding]:
    """Yield tolerances of codes that neither the walk nor a design has.

    Parameters
    ----------
    site, book, attached
        The survey.
    place
        Where the site file's keys are written.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.fieldbook.sitefile import Tolerance
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0''')
    >>> site = Notes.of(book, tolerances={"kerb": Tolerance(plan=0.02)}).site
    >>> (found,) = stray_tolerances(site, book, Attached(), TomlText("site.toml", ""))
    >>> found.text.split(" has: ")[1]
    'correct it, or take it out.'
    """
    if not site.tolerances:
        return  # what a design is need not be loaded to know the codes
    known = {*site.codes, *book.codes, *_designed(site, attached)}
    for name in site.tolerances:
        if name not in known:
            close = nearest(name, known)
            text = (
                f"[tolerances.{name}] names a code that neither the field book, [codes] nor a"
                " design has: "
                + (f"did you mean {close}?" if close else "correct it, or take it out.")
            )
            line = place.line("tolerances", name)
            yield Finding("look", "tolerance-stray", text, place.file, line)


def _designed(site: SiteFile, attached: Attached) -> Iterator[str]:
    """Yield the codes of what is to be built."""
    from geosite.reading.designs import Design

    for name, design in site.designs.items():
        codes = [
            *(pad.code for pad in design.pads.values()),
            *(edge.code for edge in design.edges.values()),
            *(strip.code for strip in design.strips.values()),
            design.code,
        ]
        yield from (code for code in codes if code is not None)
        drawn = attached.designs.get(name)
        if isinstance(drawn, Design):
            yield from (shape.code for shape in drawn.shapes if shape.code)
