"""The map on the plan sheet: what is drawn, and in which order."""

from __future__ import annotations

from collections.abc import Mapping

from geosite.drawing.sheet import Group
from geosite.handover.model import Package
from geosite.handover.plan.canvas import Canvas
from geosite.handover.plan.design import draw_design
from geosite.handover.plan.design_points import name_design_points
from geosite.handover.plan.layout import Layout
from geosite.handover.plan.map_labels import (
    name_areas,
    name_arrows,
    name_clearances,
    name_contours,
    name_edges,
    name_grades,
    name_lines,
    name_marks,
    name_parcels,
    name_ponds,
    name_sections,
)
from geosite.handover.plan.map_linework import (
    draw_areas,
    draw_arrows,
    draw_background,
    draw_contours,
    draw_grid,
    draw_lines,
    draw_marks,
    draw_parcels,
    draw_sections,
    draw_water,
)
from geosite.handover.wording.measures import Measures

__all__ = ["draw_map"]


def draw_map(
    package: Package,
    layout: Layout,
    measures: Measures,
    tints: Mapping[str, str],
    arrows_apart: float = 7.0,
) -> tuple[list[Group], int, int]:
    """Draw the map, drainage arrows no nearer than so many mm at lettering 1.

    Returns
    -------
    groups : list of Group
        Bottom first; the writing of a layer is a group of its own above all linework.
    dropped : int
        Labels for which there was no room.
    dots : int
        Places without a name that are too near to others to be read.
    """
    page = Canvas(package, layout, measures, tints, arrows_apart)
    _draw(page)
    return page.groups(), page.dropped, page.dots_left_out


def _draw(page: Canvas) -> None:
    draw_background(page)
    draw_grid(page)
    draw_parcels(page)
    draw_areas(page)
    draw_design(page)
    draw_lines(page)
    draw_contours(page)
    marks = draw_marks(page)
    draw_water(page)
    draw_sections(page)
    # writing, the most important first
    name_design_points(page)
    name_areas(page)
    name_marks(page, marks, important=True)
    name_ponds(page)
    name_sections(page)
    page.board.fill(page.hatched)  # only the name of an area may stand on its own hatch
    name_lines(page)
    name_grades(page)
    name_clearances(page, clear=False)
    name_edges(page)
    name_marks(page, marks, important=False)
    name_contours(page)
    name_clearances(page, clear=True)
    name_parcels(page)
    draw_arrows(page)
    name_arrows(page)
