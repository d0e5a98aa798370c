"""The plan sheet: one drawing at true scale as PDF, SVG and PNG."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import shapely

from geosite.drawing.font import printable, typeface
from geosite.drawing.pdf import pdf, png
from geosite.drawing.sheet import Sheet, Text
from geosite.drawing.svg import svg
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import CAUTION, Package
from geosite.handover.palette import surface_colours
from geosite.handover.papers.findings import following_pages
from geosite.handover.plan.layout import Layout, choose_layout, scale_name
from geosite.handover.plan.map import Measures, draw_map, layer_of
from geosite.handover.plan.words import frame_group, header_group, words_fit, words_group

__all__ = ["draw_plan", "layout_of", "write_plan"]

#: Layers whose extent the sheet must hold; parcels may run off it.
_MUST = ("points", "baseline", "areas", "lines", "contours", "flow_paths", "ponding", "sections")
_PNG_DPI = 150


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
        The scale asked for needs a larger sheet.
    """
    sheet = draw_plan(package, options)
    document = pdf(sheet, *following_pages(package, options))
    contents = {
        "plan.pdf": document,
        "plan.svg": svg(sheet).encode("utf-8"),
        "plan.png": png(document, _PNG_DPI),
    }
    for name, data in contents.items():
        (folder / name).write_bytes(data)
    return tuple(folder / name for name in contents)


def draw_plan(package: Package, options: Handover) -> Sheet:
    """Return the plan as a drawing.

    Raises
    ------
    OutputRefused
        The scale asked for needs a larger sheet.
    """
    measures = Measures(options.unit)
    tints = surface_colours(
        name
        for name, code in package.codes.items()
        if code.geometry == "area" and not code.building
    )
    layout = layout_of(package, options)
    groups, dropped = draw_map(package, layout, measures, tints)
    header = header_group(package, layout, measures)
    lacking = any(
        typeface(item.weight).lacks(item.text)
        for group in (*groups, header)
        for item in group.items
        if isinstance(item, Text)
    )
    scale = layout.view.scale
    return Sheet(
        width=layout.width,
        height=layout.height,
        window=layout.view.window,
        scale=scale,
        unit=measures.unit,
        unit_m=measures.unit_m,
        title=printable(package.title or "Untitled site", 200),
        description=f"Site plan {scale_name(scale, options.unit)} on {options.sheet}. {CAUTION}",
        groups=(
            *groups,
            frame_group(layout),
            header,
            words_group(package, layout, measures, tints, dropped, lacking),
        ),
    )


def layout_of(package: Package, options: Handover) -> Layout:
    """Return paper, scale and map window of the plan.

    Raises
    ------
    OutputRefused
        The scale asked for needs a larger sheet.
    """
    fit = words_fit(package, Measures(options.unit))
    return choose_layout(package.frame, _extent(package), options, fit)


def _extent(package: Package) -> tuple[float, float, float, float]:
    """Return west, south, east, north of what was surveyed, map units."""
    shapes = [
        geometry
        for name in _MUST
        if (layer := layer_of(package, name)) is not None
        for geometry in layer.geometries
        if geometry is not None and not geometry.is_empty
    ]
    if not shapes:
        east, north = package.frame.origin
        return east, north, east, north
    west, south, east, north = map(float, shapely.total_bounds(np.array(shapes, dtype=object)))
    return west, south, east, north
