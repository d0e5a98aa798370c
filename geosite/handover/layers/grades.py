"""The layer ``grades``: grades along and across lines, held against limits."""

from __future__ import annotations

from collections.abc import Sequence

import shapely

from geosite.base.columns import Columns, estimate, integer, real, text
from geosite.base.estimate import Estimate
from geosite.handover.model import Form, Layer
from geosite.linework.on_map import to_map_geometry
from geosite.network.model import Network
from geosite.review.grades import Grade
from geosite.review.limits import CAUTION

__all__ = ["VERDICTS", "columns", "estimate_of", "layer"]

GRADES = Form(
    "grades",
    "Grades",
    f"Grades along and across lines, held against limits. {CAUTION}",
    "LineStringZ",
)

VERDICTS = {
    "within": "within the limit at 95 %",
    "beyond": "beyond the limit at 95 %",
    "undecided": "the 95 % interval holds the limit",
    "no limit": "the limit set has none for this",
}


def columns(in_plan: float, in_height: float) -> Columns[Grade]:
    """Return the columns; intervals of lengths and of heights are so many sigmas to each side."""
    place = "a station along the line, chosen by the check"
    return Columns(
        (
            text("line", "Name of the checked line.", lambda g: g.line),
            text("check_of", "What is held against the limit.", lambda g: g.check),
            text("from_point", "Mark or station the stretch starts at.", lambda g: g.start),
            text("to_point", "Mark or station the stretch ends at.", lambda g: g.end),
            real(
                "from_m",
                "Distance along the line, on the ground.",
                lambda g: g.start_m,
                "m",
                exact=place,
            ),
            real(
                "to_m",
                "Distance along the line, on the ground.",
                lambda g: g.end_m,
                "m",
                exact=place,
            ),
            estimate(
                "value",
                "Measured value, rise positive along the line or to its left.",
                lambda g: estimate_of(g, in_plan, in_height),
            ),
            text("unit", "Unit of value, its sigma and its limit.", lambda g: g.unit),
            real(
                "limit_value",
                "The limit.",
                lambda g: g.limit,
                exact="given by the limit set",
            ),
            text("limits", "Limit set.", lambda g: g.limits),
            text("section", "Section of the standard.", lambda g: g.section),
            text("verdict", "At 95 %.", lambda g: g.verdict, VERDICTS),
            integer(
                "extra_observations",
                "More measurements of the same stretch that would decide; empty: no reasonable "
                "number.",
                lambda g: g.extra_observations,
            ),
        )
    )


def estimate_of(grade: Grade, in_plan: float, in_height: float) -> Estimate:
    """Return the measured value; intervals of lengths and heights are so many sigmas wide."""
    factor = in_plan if grade.check == "landing length" else in_height
    return Estimate.normal(grade.value, grade.sigma, factor)


def layer(grades: Sequence[Grade], network: Network) -> Layer:
    """Return the checked stretches as lines."""
    frame = network.frame
    table = columns(network.interval_factor, network.vertical_interval_factor)
    return GRADES.layer(
        table,
        table.records(grades),
        [to_map_geometry(shapely.LineString(g.line_en), frame) for g in grades],
    )
