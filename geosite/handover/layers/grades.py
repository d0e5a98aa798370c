"""The layer ``grades``: grades along and across lines, held against limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import shapely

from geosite.analysis.limits import CAUTION, verdict_words
from geosite.base.columns import Columns, estimate, integer, real, text
from geosite.handover.model import Form, Layer
from geosite.linework.on_map import to_map_geometry

if TYPE_CHECKING:
    from geosite.analysis.access.grade_checks import Grade
    from geosite.base.estimate import Estimate
    from geosite.base.map_frame import Frame

__all__ = ["VERDICTS", "columns", "layer", "limit", "shown", "unit"]

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
    "not measured": "no mark is near enough to say",
    "no limit": "the limit set has none for this",
}


LIMIT_FROM = {
    "default": "built in, of the standard it names: a local rule replaces it",
    "site": "of the site's own limits",
}


def shown(grade: Grade) -> Estimate | None:
    """Return what was measured in the unit of the layer: percent for slopes.

    Examples
    --------
    >>> from geosite.base.estimate import Estimate
    >>> from geosite.analysis.access.grade_checks import Grade
    >>> import numpy as np
    >>> from geosite.analysis.access.grade_checks import Requirement, Span
    >>> from geosite.analysis.limits import judge
    >>> span = Span("ramp", "A", "B", 0.0, 10.0, np.zeros((2, 3)))
    >>> tenth, wanted = Estimate.normal(0.1, 0.002, 2.0), Requirement("own", 0.08, "4.2")
    >>> steep = Grade("running", span, tenth, wanted, judge(tenth, 0.08))
    >>> shown(steep).value, unit(steep), limit(steep)
    (10.0, 'percent', 8.0)
    """
    if grade.measured is None:
        return None
    return grade.measured.scaled(100.0) if grade.is_slope else grade.measured


def unit(grade: Grade) -> str:
    """Return the unit of the value and its limit: percent for slopes, else metres.

    Examples
    --------
    >>> from geosite.base.estimate import Estimate
    >>> from geosite.analysis.access.grade_checks import Grade
    >>> import numpy as np
    >>> from geosite.analysis.access.grade_checks import Requirement, Span
    >>> from geosite.analysis.limits import judge
    >>> span = Span("ramp", "A", "B", 0.0, 10.0, np.zeros((2, 3)))
    >>> width, wanted = Estimate.normal(1.5, 0.01, 2.0), Requirement("own", 1.2, "4.2")
    >>> wide = Grade("width", span, width, wanted, judge(width, 1.2, at_least=True))
    >>> unit(wide), limit(wide)
    ('m', 1.2)
    """
    return "percent" if grade.is_slope else "m"


def limit(grade: Grade) -> float | None:
    """Return the limit in the unit of the layer."""
    if grade.requirement.limit is None:
        return None
    return grade.requirement.limit * 100.0 if grade.is_slope else grade.requirement.limit


def _whose(grade: Grade) -> str:
    return "default" if grade.requirement.is_default else "site"


def columns() -> Columns[Grade]:
    """Return the columns."""

    def end(grade: Grade, which: str) -> float | None:
        measured = shown(grade)
        return None if measured is None else getattr(measured, which)

    an_end = "an end of the interval"
    place = "a station along the line, chosen by the check"
    return Columns(
        (
            text("line", "Name of the checked line.", lambda g: g.span.line),
            text("check_of", "What is held against the limit.", lambda g: g.check),
            text(
                "words",
                "The verdict as it is told: on a built-in limit it is no local rule.",
                lambda g: verdict_words(g.verdict, g.requirement.is_default) or None,
            ),
            text("from_point", "Mark or station the stretch starts at.", lambda g: g.span.start),
            text("to_point", "Mark or station the stretch ends at.", lambda g: g.span.end),
            real(
                "from_m",
                "Distance along the line, on the ground.",
                lambda g: g.span.start_m,
                "m",
                exact=place,
            ),
            real(
                "to_m",
                "Distance along the line, on the ground.",
                lambda g: g.span.end_m,
                "m",
                exact=place,
            ),
            estimate(
                "value", "Measured value, rise positive along the line or to its left.", shown
            ),
            real(
                "value_low",
                "Lower end of its 95 % interval.",
                lambda g: end(g, "low"),
                exact=an_end,
            ),
            real(
                "value_high",
                "Upper end of its 95 % interval.",
                lambda g: end(g, "high"),
                exact=an_end,
            ),
            text("unit", "Unit of value, its sigma and its limit.", unit),
            real(
                "limit_value",
                "The limit.",
                limit,
                exact="given by the limit set",
            ),
            text("limits", "Limit set.", lambda g: g.requirement.limits),
            text("section", "Section of the standard.", lambda g: g.requirement.section),
            text(
                "limit_from",
                "Whose limit it is.",
                _whose,
                LIMIT_FROM,
            ),
            text("verdict", "At 95 %.", lambda g: g.verdict, VERDICTS),
            real(
                "probability",
                "Share of the possible profiles in which there is such a run or landing.",
                lambda g: g.probability,
                exact="itself a probability",
            ),
            integer(
                "extra_observations",
                "More measurements of the same stretch that would decide; empty: no reasonable "
                "number.",
                lambda g: g.judged.extra_observations,
            ),
        )
    )


def layer(grades: Sequence[Grade], frame: Frame) -> Layer:
    """Return the checked stretches as lines."""
    table = columns()
    return GRADES.layer(
        table,
        table.records(grades),
        [to_map_geometry(shapely.LineString(g.span.places), frame) for g in grades],
    )
