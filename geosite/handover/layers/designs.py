"""What leaves of designed grounds: rasters, lines, cut and fill, what becomes of the water."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import shapely
from shapely.geometry.base import BaseGeometry

from geosite.analysis.design_ground.wording import OUTCOMES, clearance_words
from geosite.base.columns import Columns, estimate, interval, real, text
from geosite.handover.layers.parcels import CLEARANCES
from geosite.handover.model import Form, Layer, Raster, Table
from geosite.handover.names import design_called
from geosite.linework.on_map import to_map_geometry

if TYPE_CHECKING:
    from geosite.analysis.design_ground.drainage import WaterChange
    from geosite.analysis.design_ground.model import DesignedGround
    from geosite.analysis.design_ground.parcel_lines import DesignClearance
    from geosite.base.map_frame import Frame

__all__ = [
    "DESIGNS",
    "DESIGN_EDGES",
    "DESIGN_LINES",
    "DESIGN_PARCELS",
    "DESIGN_WATER",
    "EDGE_COLUMNS",
    "LINE_COLUMNS",
    "PARCEL_COLUMNS",
    "VOLUME_COLUMNS",
    "WATER_COLUMNS",
    "file_name",
    "layers",
    "parcels_table",
    "rasters",
    "tables",
    "water_records",
]

DESIGN_EDGES = Form(
    "design_edges", "Edges of designs", "Lines that are to be built.", "LineStringZ"
)
DESIGN_LINES = Form(
    "design_lines",
    "Where designs meet the ground",
    "Foot of the banks, and where cut meets fill.",
    "LineStringZ",
)
DESIGNS = Form("designs", "Designs", "Cut and fill of every design.")
DESIGN_WATER = Form(
    "design_water",
    "Water on designs",
    "Ponds, catchments of inlets and falls from buildings, on the walked and the designed ground. "
    "No drainage design.",
)

DESIGN_PARCELS = Form(
    "design_parcels",
    "Designs and parcel lines",
    "How near designs come to a line of the parcel map. No boundary survey; setting out adds its "
    "own error.",
)
REACHES = {
    "parts": "pads, strips, closed edges and files",
    "banks": "with them out to the foot of their banks",
}

MEANINGS = {
    "daylight": "a bank meets the walked ground",
    "cut meets fill": "the design lies on the walked ground",
}


@dataclass(frozen=True, eq=False)
class Line:
    """One line of one design."""

    design: str
    name: str
    shape: BaseGeometry


EDGE_COLUMNS: Columns[Line] = Columns(
    (
        text("design", "Name of the design.", lambda line: line.design),
        text("edge", "Part or edge of it.", lambda line: line.name),
    )
)
LINE_COLUMNS: Columns[Line] = Columns(
    (
        text("design", "Name of the design.", lambda line: line.design),
        text("meaning", "What the line is.", lambda line: line.name, MEANINGS),
    )
)
VOLUME_COLUMNS: Columns[DesignedGround] = Columns(
    (
        text("design", "Name of the design.", lambda d: d.name),
        text("title", "What it is.", lambda d: d.title),
        interval("cut_m3", "Finished surface below the ground.", lambda d: d.quantities.cut, "m3"),
        interval(
            "fill_m3", "Finished surface above the ground.", lambda d: d.quantities.fill, "m3"
        ),
        interval("net_m3", "Cut less fill.", lambda d: d.quantities.net, "m3"),
        interval("cut_area_m2", "Ground that is lowered.", lambda d: d.quantities.cut_area, "m2"),
        interval("fill_area_m2", "Ground that is raised.", lambda d: d.quantities.fill_area, "m2"),
        interval(
            "formation_cut_m3",
            "Ground to be taken away to the underside of what is laid, by the depths of its codes.",
            lambda d: d.formation.cut,
            "m3",
        ),
        interval(
            "formation_fill_m3",
            "Ground to be brought to the underside of what is laid.",
            lambda d: d.formation.fill,
            "m3",
        ),
        real(
            "covered_share",
            "Share of the design that lies on walked ground.",
            lambda d: d.covered,
            exact="how far the walked ground reaches, not an estimate",
        ),
    )
)


@dataclass(frozen=True, slots=True)
class Of:
    """What becomes of one water of one design."""

    design: str
    change: WaterChange


WATER_COLUMNS: Columns[Of] = Columns(
    (
        text("design", "Name of the design.", lambda w: w.design),
        text("what", "pond, inlet or fall (from a building).", lambda w: w.change.what),
        text("name", "Of the inlet or building, number of the pond.", lambda w: w.change.name),
        text(
            "unit",
            "Of before and after.",
            lambda w: {"pond": "m3", "inlet": "m2", "fall": "percent"}[w.change.what],
        ),
        interval("before", "On the walked ground.", lambda w: w.change.before),
        interval("after", "On the designed ground.", lambda w: w.change.after),
        real("limit_value", "The limit.", lambda w: w.change.limit, exact="given by the rule"),
        text("outcome", "What becomes of it.", lambda w: w.change.outcome, OUTCOMES),
    )
)


PARCEL_COLUMNS: Columns[DesignClearance] = Columns(
    (
        text("design", "Name of the design.", lambda c: c.design),
        text("title", "What it is.", lambda c: c.title),
        text("what", "How much of it.", lambda c: c.what, REACHES),
        text("parcel", "Parcel that holds most of it.", lambda c: c.parcel),
        estimate(
            "distance_m",
            "To the parcel's line; negative: over it.",
            lambda c: c.distance,
            "m",
            known_from="from parcel map, transformation, and marks or ground it hangs on",
        ),
        text("verdict", "At 95 %.", lambda c: c.verdict, CLEARANCES),
        text("words", "The same as a sentence.", lambda c: str(clearance_words(c))),
    )
)


def parcels_table(found: Sequence[DesignClearance]) -> Table:
    """Return how near designs come to parcel lines."""
    return DESIGN_PARCELS.table(PARCEL_COLUMNS, PARCEL_COLUMNS.records(found))


def file_name(design: str) -> str:
    """Return the part of a file name that a design's name makes.

    Examples
    --------
    >>> file_name("new pad/1")
    'new_pad_1'
    """
    return re.sub(r"[^\w-]+", "_", design).strip("_") or "design"


def rasters(designs: Sequence[DesignedGround], frame: Frame) -> tuple[Raster, ...]:
    """Return the designed grounds."""
    unit = frame.height_band_unit
    return tuple(
        Raster(
            f"design_{file_name(one.name)}",
            f"Design {design_called({'design': one.name, 'title': one.title})}",
            f"Elevation of the designed ground, {unit}; the walked ground where nothing is built.",
            one.z / frame.height_unit_m,
            one.grid,
            unit,
            is_elevation=True,
        )
        for one in designs
    )


def layers(designs: Sequence[DesignedGround], frame: Frame) -> list[Layer]:
    """Return the edges of the designs, and the lines where they meet the ground."""
    edges = [
        Line(one.name, edge.name, shapely.LineString(edge.places))
        for one in designs
        for edge in one.edges
    ]
    lines = [
        Line(one.name, name, shape)
        for one in designs
        for name, shapes in (("daylight", one.daylight), ("cut meets fill", one.cut_meets_fill))
        for shape in shapes
    ]
    return [
        form.layer(
            columns, columns.records(some), [to_map_geometry(line.shape, frame) for line in some]
        )
        for form, columns, some in (
            (DESIGN_EDGES, EDGE_COLUMNS, edges),
            (DESIGN_LINES, LINE_COLUMNS, lines),
        )
        if some
    ]


def tables(designs: Sequence[DesignedGround]) -> list[Table]:
    """Return cut and fill, and what becomes of the water."""
    waters = water_records(designs)
    found = [DESIGNS.table(VOLUME_COLUMNS, VOLUME_COLUMNS.records(designs))]
    if waters:
        found.append(DESIGN_WATER.table(WATER_COLUMNS, waters))
    return found


def water_records(designs: Sequence[DesignedGround]) -> list[dict[str, Any]]:
    """Return what becomes of the water, one record per pond, inlet and building of a design."""
    return WATER_COLUMNS.records([Of(one.name, c) for one in designs for c in one.waters])
