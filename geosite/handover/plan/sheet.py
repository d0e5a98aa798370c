"""The plan sheet: one drawing at true scale as PDF, SVG and PNG."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from msgspec.structs import replace as replace_fields

from geosite.drawing.document import lay_out
from geosite.drawing.pdf import pdf, png
from geosite.drawing.sheet import Page, Sheet
from geosite.drawing.svg import svg
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.control import accuracy_blocks
from geosite.handover.documents.findings import finding_blocks, paper_for
from geosite.handover.documents.takeoff import takeoff_blocks
from geosite.handover.documents.verdicts import verdict_blocks
from geosite.handover.model import Package
from geosite.handover.names import design_name
from geosite.handover.plan.design import designed_only
from geosite.handover.plan.layout import Layout, choose_layout
from geosite.handover.plan.map import draw_map
from geosite.handover.plan.map_edge import frame_group, header_group
from geosite.handover.plan.map_sheet import lacks_letters, map_sheet
from geosite.handover.plan.side_words import numbered, words_fit, words_group
from geosite.handover.plan.thinned import Thinned, readable_contours
from geosite.handover.plan.tiled_sheets import Tile, key_map, match_lines, refuse_dot, tiles
from geosite.handover.small_pond_parts import without_specks
from geosite.handover.styles.signs import code_tints
from geosite.handover.wording.measures import Measures, layer_of

__all__ = ["PNG_DPI", "draw_plan", "layout_of", "sheet_set", "tiles_of", "write_plan"]

#: Layers whose extent the sheet must hold; parcels may run off it.
_MUST = ("points", "baseline", "areas", "lines", "contours", "flow_paths", "ponding", "sections")
#: Between drainage arrows at lettering 1, mm: on the plan, and on the sheet of the water.
_ARROWS_APART = (11.0, 7.0)
#: What makes a sheet of its own worth while, and what is drawn on it.
_WATER = ("contours", "drainage_arrows", "flow_paths", "ponding")
_GROUND = frozenset({*_WATER, "areas", "lines", "outflows", "catchments"})
_WATER_FINDINGS = frozenset(
    {
        "pond",
        "ponds-not-significant",
        "fall-from-building",
        "fall-from-building-undecided",
        "flat-paving",
    }
)
PNG_DPI = 150
#: The smallest part of a pond that is read on paper, square mm.
_READABLE_MM2 = 1.0
#: Of smaller ponds the largest in each square of this side is drawn, mm.
_PONDS_APART = 4.0


def write_plan(folder: Path, package: Package, options: Handover) -> tuple[Path, ...]:
    """Write ``plan.pdf``, ``plan.svg`` and ``plan.png``.

    Parameters
    ----------
    folder
        Existing folder.
    package
        What to draw; any layer may be missing.
    options
        ``[handover]``: sheet, scale, unit.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputRefused
        The scale asked for needs more sheets than anybody lays out.
    """
    sheet, following = sheet_set(package, options)
    document = pdf(sheet, *following)
    contents = {
        "plan.pdf": document,
        "plan.svg": svg(sheet).encode("utf-8"),
        "plan.png": png(document, PNG_DPI),
    }
    for name, data in contents.items():
        (folder / name).write_bytes(data)
    return tuple(folder / name for name in contents)


def sheet_set(package: Package, options: Handover) -> tuple[Sheet, tuple[Page, ...]]:
    """Return the plan and the sheets after it, each with its number and how many there are.

    Tiles, ground and water, designs, sections, and pages of verdicts, quantities and findings.

    Raises
    ------
    OutputRefused
        The scale asked for needs more sheets than anybody lays out.
    """
    layout = layout_of(package, options)
    drawings: list[Callable[[str], Page]] = []
    for tile in tiles_of(package, options, layout):
        called = "Part of the site plan"
        drawings.append(partial(_drawn, package, options, layout, called, None, tile))
    ground = _ground_only(package)
    if any(layer_of(package, name) is not None for name in _WATER):
        called = "Ground and water"
        drawings.append(partial(_drawn, package, options, layout, called, ground, None))
    for name in package.designed:
        called = f"Design {design_name(package, name)}, its ground and water"
        design = designed_only(package, ground, name)
        drawings.append(partial(_drawn, package, options, layout, called, design, None))
    if package.profiles:
        from geosite.handover.plan.profile import section_drawings

        drawings += section_drawings(package, options)
    blocks = [*verdict_blocks(package, options.unit), *takeoff_blocks(package, options)]
    blocks += [*accuracy_blocks(package, options.unit), *finding_blocks(package)]
    paper = paper_for(package, options, "Verdicts, quantities, findings")
    running = lay_out(blocks, replace(paper, before=len(drawings) + 1)) if blocks else ()
    count = 1 + len(drawings) + len(running)
    first = _drawn(package, options, layout, "Site plan", None, None, f"1 of {count}")
    drawn = (draw(f"{i} of {count}") for i, draw in enumerate(drawings, start=2))
    return first, (*drawn, *running)


def _drawn(
    package: Package,
    options: Handover,
    layout: Layout,
    called: str,
    drawn: Package | None,
    tile: Tile | None,
    number: str,
) -> Sheet:
    return draw_plan(
        package, options, called=called, drawn=drawn, tile=tile, layout=layout, number=number
    )


def _ground_only(package: Package) -> Package:
    """Return the ground and its water, with the inlets and no other mark, dimension or verdict."""
    layers = [layer for layer in package.layers if layer.name in _GROUND]
    points = layer_of(package, "points")
    if points is not None:
        inlets = {name for name, code in package.codes.items() if code.inlet}
        kept = [i for i, r in enumerate(points.records) if r.get("code") in inlets]
        layers.append(
            replace(
                points,
                records=[points.records[i] for i in kept],
                geometries=[points.geometries[i] for i in kept],
            )
        )
    water = tuple(f for f in package.findings if f.code in _WATER_FINDINGS)
    return replace(package, layers=tuple(layers), features=(), findings=water)


def draw_plan(
    package: Package,
    options: Handover,
    *,
    called: str = "Site plan",
    drawn: Package | None = None,
    tile: Tile | None = None,
    layout: Layout | None = None,
    number: str = "",
) -> Sheet:
    """Return the plan as a drawing.

    Parameters
    ----------
    package, options
        What to draw, and on which sheet.
    called
        Name of the sheet, under the title of the site.
    drawn
        What of the package is on the sheet; all without it. Paper, scale and window are the same.
    tile
        The sheet is this one of several, at the scale asked for.
    layout
        `layout_of` the package, where it is known.
    number
        Of the sheet in its set, ``"2 of 7"``.

    Raises
    ------
    OutputRefused
        The scale asked for needs more sheets than anybody lays out.
    """
    measures = Measures(options.unit)
    tints = code_tints(package.codes)
    whole = layout or layout_of(package, options)
    layout = whole if tile is None else tile.layout
    beside = match_lines(tile) if tile else key_map(layout, tiles_of(package, options, whole))
    everything, package = package, numbered(drawn or package, number)
    # a sheet of its own tells of the water: the plan has room for what is built
    apart = _ARROWS_APART[drawn is not None]
    if drawn is not None:
        package = replace(package, background=None)
    picture = None
    if package.background is not None:  # what only backgrounds need is not loaded without one
        from geosite.handover.plan.background import background_of, is_picture

        picture = background_of(package, layout.view)
        if picture is None and is_picture(package):
            package = replace(package, background=None)
    package, contours = readable_contours(package, layout.view)
    per = layout.view.mm_per_unit
    drawn, specks = without_specks(package, _READABLE_MM2 / per**2, _PONDS_APART / per)
    groups, dropped, dots = draw_map(drawn, layout, measures, tints, apart)
    thinned = Thinned(specks, contours, dots)
    header = header_group(package, layout, measures, called, number)
    lacking = lacks_letters((*groups, header))
    words = words_group(package, layout, measures, tints, dropped, thinned, lacking, everything)
    drawn_on = (*groups, beside, frame_group(layout), header, words)
    return map_sheet(package, options, layout, called, drawn_on, picture)


def layout_of(package: Package, options: Handover) -> Layout:
    """Return paper, scale and map window of the plan.

    Where the scale asked for needs a larger sheet, those of an overview on which everything fits;
    the tiles that follow it have that scale.

    Raises
    ------
    OutputRefused
        At the scale asked for the site is a dot.
    """
    fit = words_fit(package, Measures(options.unit))
    extent = _extent(package)
    overview = choose_layout(package.frame, extent, replace_fields(options, scale=None), fit)
    if options.scale is None or options.scale < overview.view.scale:
        return overview
    refuse_dot(overview, options.scale)
    return replace(overview, view=replace(overview.view, scale=float(options.scale)))


def tiles_of(
    package: Package, options: Handover, overview: Layout | None = None
) -> tuple[Tile, ...]:
    """Return the sheets that the scale asked for needs; none where one is enough.

    Raises
    ------
    OutputRefused
        More than anybody lays out.
    """
    if options.scale is None:
        return ()
    overview = overview or layout_of(package, options)
    if options.scale >= overview.view.scale:
        return ()
    return tiles(overview, float(options.scale), np.array(_surveyed(package), dtype=object))


def _surveyed(package: Package) -> list[Any]:
    """Return the geometries that the sheets must hold."""
    return [
        geometry
        for name in _MUST
        if (layer := layer_of(package, name)) is not None
        for geometry in layer.geometries
        if geometry is not None and not geometry.is_empty
    ]


def _extent(package: Package) -> tuple[float, float, float, float]:
    """Return west, south, east, north of what was surveyed, map units."""
    shapes = _surveyed(package)
    if not shapes:
        east, north = package.frame.origin
        return east, north, east, north
    west, south, east, north = map(float, shapely.total_bounds(np.array(shapes, dtype=object)))
    return west, south, east, north
