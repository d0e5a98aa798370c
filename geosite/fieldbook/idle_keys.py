"""Keys of the site file that come to nothing as they stand: what they count for is not there."""

from __future__ import annotations

from collections.abc import Iterator

from geosite.base.errors import Finding
from geosite.base.problems import nearest
from geosite.fieldbook.attached_files import Attached
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import Code, SiteFile
from geosite.reading.toml_lines import TomlText

__all__ = ["idle_keys"]


def idle_keys(
    site: SiteFile, book: FieldBook, attached: Attached, place: TomlText
) -> Iterator[Finding]:
    """Yield what the site file says of codes and nothing can be made of.

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
    >>> (found,) = idle_keys(site, book, Attached(), TomlText("site.toml", ""))
    >>> found.text
    '[codes.hut] dwelling counts for buildings alone: add building = true, or take it out.'
    """
    for name, code in site.codes.items():
        for key, told in _idle_of(code):
            line = place.line("codes", name, key)
            text = f"[codes.{name}] {key} {told}, or take it out."
            yield Finding("look", "key-idle", text, place.file, line)
    known = {*site.codes, *book.codes, *_designed(site, attached)}
    for name in site.tolerances:
        if name not in known:
            close = nearest(name, known)
            text = f"[tolerances.{name}] names a code that neither the field book, [codes] nor" + (
                f" a design has: did you mean {close}?"
                if close
                else " a design has: correct it, or take it out."
            )
            line = place.line("tolerances", name)
            yield Finding("look", "key-idle", text, place.file, line)


def _idle_of(code: Code) -> Iterator[tuple[str, str]]:
    """Yield keys of a code that come to nothing, with why and what to do."""
    others = f"and this code is of {code.geometry}s"
    is_area = code.geometry == "area"
    if code.dwelling and not code.building:
        yield "dwelling", "counts for buildings alone: add building = true"
    if code.building and not is_area:
        yield (
            "building",
            f"counts for areas alone, {others}, so nothing is cut out of the surface and no fall"
            ' is checked: walk the outline with geometry = "area"',
        )
    if code.depth is not None and not is_area:
        yield "depth", f'counts for areas alone, {others}: give it geometry = "area"'
    if code.coverage is not None and not is_area:
        yield "coverage", f'counts for areas alone, {others}: give it geometry = "area"'
    if code.coverage_unit and code.coverage is None:
        yield "coverage_unit", "names a material of which no coverage is given: add coverage"
    if code.height_m is not None and not (code.barrier or code.gutter):
        yield (
            "height_m",
            "counts for barriers and gutters alone: add barrier = true or gutter = true",
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
