"""The layers ``catchments`` and ``outflows``: where the water leaves the survey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import shapely

from geosite.base.columns import Column, Columns, integer, interval, text
from geosite.base.grid import Grid
from geosite.handover.layers.shapes import whole_polygons
from geosite.handover.model import Form, Layer
from geosite.terrain.water.water_estimates import CatchmentEstimate

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["columns", "layer", "outflow_columns", "outflows"]

CATCHMENTS = Form(
    "catchments",
    "Catchments",
    "Ground by where its water leaves the survey. Areas add up to the whole.",
    "Polygon",
    "one lies in several pieces",
)
OUTFLOWS = Form(
    "outflows",
    "Outflows",
    "Where water leaves the survey: the place of each catchment that most passes.",
    "Point",
)

LEAVES_BY = {
    "edge": "over the edge of the surveyed ground",
    "inlet": "into an inlet",
    "hollow": "nowhere: a hollow without a way out",
}


def columns(inlets: Sequence[str]) -> Columns[CatchmentEstimate]:
    """Return the columns of the catchments; `inlets` names inlet 1, 2, ..."""
    return Columns(
        (
            integer("catchment", "Number, the largest area first.", lambda c: c.catchment.number),
            *_way_out(inlets),
            interval(
                "area_m2", "Area of the catchment within the survey.", lambda c: c.area_m2, "m2"
            ),
        )
    )


def outflow_columns(inlets: Sequence[str]) -> Columns[CatchmentEstimate]:
    """Return the columns of the outflows."""
    return Columns(
        (
            integer("catchment", "Number of the catchment.", lambda c: c.catchment.number),
            *_way_out(inlets),
            interval("area_m2", "Area that drains to it.", lambda c: c.area_m2, "m2"),
            interval(
                "peak_area_m2",
                "Area whose water passes through this one cell.",
                lambda c: c.peak_m2,
                "m2",
            ),
        )
    )


def _way_out(inlets: Sequence[str]) -> tuple[Column[CatchmentEstimate], ...]:
    return (
        text("leaves_by", "How its water leaves.", lambda c: c.catchment.kind, LEAVES_BY),
        text(
            "inlet",
            "Inlet that takes it.",
            lambda c: inlets[c.catchment.inlet - 1] if c.catchment.inlet else None,
        ),
    )


def layer(
    catchments: tuple[CatchmentEstimate, ...],
    outlines: Sequence[BaseGeometry],
    inlets: Sequence[str],
) -> Layer:
    """Return the catchments with their outlines in map coordinates."""
    kind, shapes = whole_polygons(outlines)
    table = columns(inlets)
    return CATCHMENTS.layer(table, table.records(catchments), shapes, kind)


def outflows(catchments: tuple[CatchmentEstimate, ...], grid: Grid, inlets: Sequence[str]) -> Layer:
    """Return the place of each catchment that most of its water passes."""
    east, north = grid.centres()
    table = outflow_columns(inlets)
    return OUTFLOWS.layer(
        table,
        table.records(catchments),
        [shapely.Point(east[c.catchment.col], north[c.catchment.row]) for c in catchments],
    )
