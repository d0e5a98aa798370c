"""Signs, words, pens and tints that every drawing shares."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from geosite.drawing.ink import TEXT, Stroke
from geosite.handover.palette import STROKES, WATER, surface_colours

__all__ = [
    "DART",
    "DOUBTFUL",
    "FADED",
    "GROUPS",
    "HATCH",
    "LONGER",
    "RADIUS_MM",
    "RIPPLE",
    "STEADY",
    "TURNING",
    "WORDS",
    "arrow_length",
    "code_pen",
    "code_tints",
    "group_of",
    "only_interpolated",
    "steadiness",
]

RIPPLE = Stroke(WATER, 0.15, (1.4, 0.9))
"""Hatch of standing water."""
DOUBTFUL = Stroke(WATER, 0.15, (0.5, 0.5))
"""Edge of a pond that is shallower than the survey can tell."""
HATCH = Stroke(TEXT, 0.13)
"""Hatch of buildings."""

FADED = 0.45
"""Opacity of an arrow where the water turns."""
STEADY, TURNING = 0.95, 0.7
"""Steadiness of an arrow from which it is drawn whole, and from which it is drawn at all.

On the ferry landing 40 of 238 arrows lie more than 20 degrees off the steepest descent beneath
them, of those that are at least 0.95 steady 2 of 136; below 0.7 an arrow tells nothing.
"""

RADIUS_MM: Mapping[str, float] = MappingProxyType(
    {"ring": 0.5, "speck": 0.22, "target": 1.4, "grating": 1.3, "square": 0.8}
)
"""Radius of each round sign on paper."""

DART = ((0.5, 0.0), (0.08, 0.2), (0.206, 0.035), (-0.5, 0.0), (0.206, -0.035), (0.08, -0.2))
"""Outline of the arrow of flowing water, length 1 around the origin: ahead, aside; tip first."""

LONGER = "longer where steeper"
"""What is said of arrows where they are sized by their data."""

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "mark": "mark with its elevation",
        "baseline": "baseline mark",
        "inlet": "inlet",
        "walked": "position walked",
        "arrow": f"runs this way, {LONGER}",
        "turning": "may run another way",
        "pond": "stands after rain",
        "doubtful": "may stand after rain, too shallow to tell",
        "path": "flow path",
        "contour": "contour",
        "index": "index contour",
        "section": "section",
        "parcel": "line of the parcel map",
    }
)
"""What the signs mean, as written on the plan and in the desktop's legend."""


GROUPS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "Survey": ("marks", "baseline", "points"),
        "Ground": ("grades", "sections", "contours"),
        "Designs": ("design_lines", "design_edges"),
        "Water": (
            "drainage_arrows",
            "flow_paths",
            "outflows",
            "ponding",
            "catchments",
        ),
        "Parcels": ("parcel_clearances", "parcels"),
        "Surfaces": ("lines", "areas", "areas_snapped"),
    }
)
"""Layers by what they are about, the topmost first; what is not named here is in "More"."""


def group_of(name: str) -> str:
    """Return the group of a layer.

    Examples
    --------
    >>> group_of("contours")
    'Ground'
    """
    return next((group for group, names in GROUPS.items() if name in names), "More")


def code_tints(codes: Mapping[str, Any]) -> dict[str, str]:
    """Return the tint of each surface code by its name, buildings left out.

    Parameters
    ----------
    codes
        ``[codes]`` of the site file: name to what it means.

    Examples
    --------
    >>> from geosite.fieldbook.sitefile import Code
    >>> paved, shed = Code(geometry="area"), Code(geometry="area", building=True)
    >>> list(code_tints({"asphalt": paved, "shed": shed, "kerb": Code(geometry="line")}))
    ['asphalt']
    """
    return surface_colours(
        name for name, code in codes.items() if code.geometry == "area" and not code.building
    )


def code_pen(code: Any) -> Stroke:
    """Return the pen of a line: stronger where water or triangles do not cross it.

    Parameters
    ----------
    code
        What its code means, None for nothing.

    Examples
    --------
    >>> from geosite.fieldbook.sitefile import Code
    >>> round(code_pen(Code(geometry="line", breakline=True)).width_mm / code_pen(None).width_mm, 3)
    1.6
    """
    pen = STROKES["lines"]
    if code is not None and (code.barrier or code.breakline):
        return replace(pen, width_mm=pen.width_mm * 1.6)
    return pen


def arrow_length(slope_percent: float | None) -> float:
    """Return the length of a drainage arrow, mm: 3.2 when flat, 6 from 10 percent on.

    Examples
    --------
    >>> arrow_length(1.0), arrow_length(25.0)
    (4.6, 6.0)
    """
    steep = min(max(slope_percent or 0.0, 0.1), 10.0)
    return 3.2 + 1.4 * (math.log10(steep) + 1.0)


def only_interpolated(record: Mapping[str, Any]) -> bool:
    """Tell whether a contour or an arrow lies where the ground is too far from any mark.

    Examples
    --------
    >>> only_interpolated({"measured": 0}), only_interpolated({})
    (True, False)
    """
    return record.get("measured") == 0


def steadiness(arrow: Mapping[str, Any]) -> float:
    """Return how far all water at an arrow goes its way, 0 to 1; 1 where nobody says.

    Parameters
    ----------
    arrow
        Record of the layer ``drainage_arrows``.

    Examples
    --------
    >>> steadiness({"steadiness": 0.8}), steadiness({})
    (0.8, 1.0)
    """
    told = arrow.get("steadiness")
    return 1.0 if told is None else float(told)
