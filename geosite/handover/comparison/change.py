"""What leaves of a change: displacements, progress, difference of the ground."""

from __future__ import annotations

import shapely

from geosite.analysis.change.ground import GroundChange
from geosite.analysis.change.model import Change, MarkChange
from geosite.analysis.change.progress import Progress
from geosite.analysis.change.wording import VERDICTS
from geosite.base.columns import Columns, estimate, real, text
from geosite.base.map_frame import Frame
from geosite.handover.model import Form, Layer, Raster, Table

__all__ = ["displacements", "progress_table", "rasters"]

DISPLACEMENTS = Form(
    "displacements",
    "Displacements",
    "How far common marks moved against those that kept their places.",
    "PointZ",
)
PROGRESS = Form("progress", "Progress", "Quantities per code before and after, and what was added.")

_BY_DESIGN = "follows from the network, before anything is measured"

MARKS: Columns[MarkChange] = Columns(
    (
        text("point", "Name of the mark in both surveys.", lambda m: m.name),
        estimate("east_m", "Displacement to the east, on the ground.", lambda m: m.east, "m"),
        estimate("north_m", "Displacement to the north, on the ground.", lambda m: m.north, "m"),
        estimate("up_m", "Displacement upwards.", lambda m: m.up, "m"),
        estimate("horizontal_m", "Displacement in plan.", lambda m: m.horizontal, "m"),
        text("verdict_plan", "In plan, at 95 %.", lambda m: m.plan, VERDICTS),
        text("verdict_height", "In height, at 95 %.", lambda m: m.level, VERDICTS),
        real(
            "probability_plan",
            "Of a larger displacement in plan where nothing moved.",
            lambda m: m.probability_h,
            exact="a probability",
        ),
        real(
            "probability_height",
            "Of a larger displacement in height where nothing moved.",
            lambda m: m.probability_v,
            exact="a probability",
        ),
        real(
            "detectable_plan_m",
            "What would have been found in 80 of 100 cases.",
            lambda m: m.detectable_h_m,
            "m",
            exact=_BY_DESIGN,
        ),
        real(
            "detectable_height_m",
            "What would have been found in 80 of 100 cases.",
            lambda m: m.detectable_v_m,
            "m",
            exact=_BY_DESIGN,
        ),
    )
)

QUANTITIES: Columns[Progress] = Columns(
    (
        text("code", "Surface or feature code.", lambda p: p.code),
        text("title", "What it means.", lambda p: p.title),
        text("quantity", "area, length, volume or count.", lambda p: p.quantity),
        text("unit", "Of before, after and added.", lambda p: p.unit),
        estimate("before", "In the first survey.", lambda p: p.before),
        estimate("after", "In the second survey.", lambda p: p.after),
        estimate("added", "Second less first.", lambda p: p.added),
    )
)


def displacements(change: Change, frame: Frame) -> Layer:
    """Return the common marks at their place in the first survey."""
    places = [
        shapely.Point([*frame.to_map(mark.en).tolist(), mark.elevation / frame.height_unit_m])
        for mark in change.marks
    ]
    return DISPLACEMENTS.layer(MARKS, MARKS.records(change.marks), places)


def progress_table(change: Change) -> Table:
    """Return one row per code and quantity."""
    return PROGRESS.table(QUANTITIES, QUANTITIES.records(change.progress))


def rasters(ground: GroundChange) -> tuple[Raster, Raster]:
    """Return the rise of the ground, and its standard deviation."""
    return (
        Raster(
            "difference",
            "Rise of the ground",
            "Second survey above the first; negative where the ground fell. What shifts, turns or "
            "lifts all stable marks alike is taken out.",
            ground.rise,
            ground.grid,
            "m",
        ),
        Raster(
            "difference_sigma",
            "Standard deviation of the rise",
            "Of the difference, marks and ground between them; what both frames share is out.",
            ground.sigma,
            ground.grid,
            "m",
        ),
    )
