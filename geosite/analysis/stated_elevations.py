"""Elevations of the site file that lie far from all that was walked."""

from __future__ import annotations

from collections.abc import Iterator

from geosite.base.errors import Finding
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import SiteFile
from geosite.network.model import Network
from geosite.reading.toml_lines import line_of

__all__ = ["far_elevations", "stated_elevations"]

_FAR_M = 10.0
"""Nobody banks up or digs so much on a yard: common practice, no source."""


def stated_elevations(site: SiteFile) -> Iterator[tuple[tuple[str, ...], float]]:
    """Yield key and value, elevation units, of every elevation of a design plane or line.

    Examples
    --------
    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.sitefile import Section
    >>> book = book_from_text("run,point,x,y,z" + chr(10) + "R1,A,0,0,0")
    >>> section = Section(marks=("A", "B"), design_elevation=4.0)
    >>> list(stated_elevations(Notes.of(book, sections={"s": section}).site))
    [(('sections', 's', 'design_elevation'), 4.0)]
    """
    for kind, asked in (("sections", site.sections), ("earthworks", site.earthworks)):
        for name, one in asked.items():
            if one.design_elevation is not None:
                yield (kind, name, "design_elevation"), one.design_elevation
    for name, design in site.designs.items():
        for pad, plane in design.pads.items():
            yield ("designs", name, "pads", pad, "elevation"), plane.elevation
        for edge, line in design.edges.items():
            place = ("designs", name, "edges", edge)
            if line.start is not None:
                yield (*place, "start"), line.start
            for elevation in line.elevations or ():
                yield (*place, "elevations"), elevation


def far_elevations(notes: Notes, network: Network) -> Iterator[Finding]:
    """Yield a question for each key whose elevation lies far above or below all marks.

    Such a one is in another unit, of another system of heights, or a slip; the volumes that follow
    from it are huge and otherwise right.
    """
    unit_m, unit = network.frame.height_unit_m, network.frame.height_symbol
    low, high = float(network.elevation.min()), float(network.elevation.max())
    room = max(_FAR_M, high - low)
    told = set()
    for path, elevation in stated_elevations(notes.site):
        if path in told or low - room <= elevation * unit_m <= high + room:
            continue
        told.add(path)
        # in quotes: what is written stays as it is in every reader's unit
        yield Finding(
            "look",
            "elevation-far",
            f'{".".join(path)} is "{elevation:g} {unit}", and the marks lie from'
            f' "{low / unit_m:.2f} {unit}" to "{high / unit_m:.2f} {unit}". Is it meant so, or in'
            " another unit or system of heights?",
            notes.site_file,
            line_of(notes.site_lines, path),
        )
