"""What the site file says of codes that is not so: buildings that are none, codes of nothing."""

from __future__ import annotations

from collections.abc import Iterator

from geosite.base.errors import Finding
from geosite.base.problems import nearest
from geosite.fieldbook.attached_files import Attached
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import Code, SiteFile
from geosite.reading.toml_lines import TomlText

__all__ = ["stray_codes"]


def stray_codes(
    site: SiteFile, book: FieldBook, attached: Attached, place: TomlText
) -> Iterator[Finding]:
    """Yield dwellings and buildings that come to nothing, and tolerances of codes nobody has.

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
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0''')
    >>> site = Notes.of(book, codes={"hut": Code(dwelling=True)}).site
    >>> (found,) = stray_codes(site, book, Attached(), TomlText("site.toml", ""))
    >>> found.text
    '[codes.hut] dwelling counts for buildings alone: add building = true, or take it out.'
    """
    for name, code in site.codes.items():
        for key, told in _no_building(code):
            line = place.line("codes", name, key)
            text = f"[codes.{name}] {key} {told}, or take it out."
            yield Finding("look", "building-idle", text, place.file, line)
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


def _no_building(code: Code) -> Iterator[tuple[str, str]]:
    """Yield keys of buildings that come to nothing, with why and what to do."""
    if code.dwelling and not code.building:
        yield "dwelling", "counts for buildings alone: add building = true"
    if code.building and code.geometry != "area":
        yield (
            "building",
            f"counts for areas alone, and this code is of {code.geometry}s, so nothing is cut out"
            ' of the surface and no fall is checked: walk the outline with geometry = "area"',
        )


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
