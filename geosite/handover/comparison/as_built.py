"""What leaves of a comparison with a design."""

from __future__ import annotations

import shapely

from geosite.analysis.as_built.model import AsBuilt, Deviation
from geosite.analysis.as_built.surfaces import Patch, SurfaceDeviation
from geosite.analysis.as_built.wording import VERDICTS
from geosite.base.columns import Columns, estimate, interval, real, text
from geosite.base.map_frame import Frame
from geosite.handover.layers.shapes import whole_polygons
from geosite.handover.model import Form, Layer, Table

__all__ = ["deviations", "surfaces", "verdict_areas"]

DEVIATIONS = Form("deviations", "Deviations", "What was built against what was designed.", "PointZ")
VERDICT_AREAS = Form(
    "verdict_areas",
    "Verdicts over the surface",
    "Where the height is within its tolerance.",
    "Polygon",
)
SURFACES = Form("surfaces", "Surfaces", "Built surfaces against designed ones, per code.")

_ASKED = "given by the site file"

PLACES: Columns[Deviation] = Columns(
    (
        text("point", "Name of the mark, or edge and station.", lambda d: d.name),
        text("what", "mark or edge.", lambda d: d.what),
        text("code", "Of the mark or the feature.", lambda d: d.code),
        estimate("east_m", "Built less designed, on the ground.", lambda d: d.east, "m"),
        estimate("north_m", "Built less designed, on the ground.", lambda d: d.north, "m"),
        estimate(
            "plan_m",
            "Distance in plan; of an edge from it, positive to its left.",
            lambda d: d.plan,
            "m",
        ),
        estimate("up_m", "Built above designed.", lambda d: d.up, "m"),
        real("plan_limit_m", "Tolerance in plan.", lambda d: d.plan_limit, "m", exact=_ASKED),
        real("height_limit_m", "Tolerance in height.", lambda d: d.height_limit, "m", exact=_ASKED),
        text("verdict_plan", "In plan.", lambda d: d.plan_verdict, VERDICTS),
        text("verdict_height", "In height.", lambda d: d.height_verdict, VERDICTS),
    )
)
AREAS: Columns[SurfaceDeviation] = Columns(
    (
        text("code", "Of the areas.", lambda s: s.code),
        real(
            "area_m2",
            "Ground area that was compared.",
            lambda s: s.area_m2,
            "m2",
            exact="what was compared, not an estimate",
        ),
        interval("mean_m", "Built above designed, on average.", lambda s: s.mean_m, "m"),
        interval("share_within", "Share within the tolerance.", lambda s: s.share_within),
        real("height_limit_m", "Tolerance in height.", lambda s: s.height_limit, "m", exact=_ASKED),
        interval("above_m3", "Built above the design.", lambda s: s.above_m3, "m3"),
        interval("below_m3", "Missing to the design.", lambda s: s.below_m3, "m3"),
        interval("placed_m3", "Laid on the ground before.", lambda s: s.placed_m3, "m3"),
        interval("thickness_m", "Mean thickness of what was laid.", lambda s: s.thickness_m, "m"),
        real("depth_m", "Depth of the code.", lambda s: s.thickness_wanted, "m", exact=_ASKED),
        text("verdict_thickness", "Of the thickness.", lambda s: s.thickness_verdict, VERDICTS),
    )
)

PATCHES: Columns[Patch] = Columns(
    (
        text("code", "Of the areas.", lambda p: p.code),
        text("verdict", "Of the height there.", lambda p: p.verdict, VERDICTS),
        real(
            "area_m2",
            "On the ground.",
            lambda p: p.area_m2,
            "m2",
            exact="where the verdict holds, not an estimate",
        ),
    )
)


def deviations(made: AsBuilt, frame: Frame) -> Layer:
    """Return every place that was compared, where it was built."""
    places = [
        shapely.Point(
            [*frame.to_map(d.place[:2]).tolist(), float(d.place[2]) / frame.height_unit_m]
        )
        for d in made.deviations
    ]
    return DEVIATIONS.layer(PLACES, PLACES.records(made.deviations), places)


def verdict_areas(made: AsBuilt, frame: Frame) -> Layer:
    """Return where each surface is within its tolerance in height, beyond it, or undecided."""
    found = [patch for surface in made.surfaces for patch in surface.patches]
    shapes = [shapely.transform(patch.shape, frame.to_map) for patch in found]
    type_name, whole = whole_polygons(shapes)
    return VERDICT_AREAS.layer(PATCHES, PATCHES.records(found), whole, type_name)


def surfaces(made: AsBuilt) -> Table:
    """Return one row per code."""
    return SURFACES.table(AREAS, AREAS.records(made.surfaces))
