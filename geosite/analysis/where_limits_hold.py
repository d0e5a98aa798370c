"""Whether the built-in limits can be law where a site lies: they are rules of the United States.

A coarse outline, about 25 km wide of the border, so that a site counts as outside only where it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from geosite.analysis.limits import limit_sets
from geosite.base.errors import Finding
from geosite.base.map_frame import Frame, is_computable, longitude_latitude

if TYPE_CHECKING:
    from geosite.analysis.access.grade_checks import Grade
    from geosite.analysis.falls import FallVerdict

__all__ = ["default_limit_findings", "may_be_in_the_united_states"]

_NEAR_DEGREES = 0.25
#: Longitude and latitude round the 48 states, along the middle of boundary rivers and lakes.
_STATES = (
    *((-124.9, 49.0), (-123.3, 49.0), (-95.2, 49.0), (-95.2, 49.4), (-93.5, 48.6), (-91.4, 48.1)),
    *((-89.6, 48.0), (-88.4, 48.3), (-84.8, 46.9), (-84.4, 46.5), (-83.4, 45.9), (-82.5, 45.3)),
    *((-82.4, 43.0), (-83.1, 42.1), (-82.7, 41.7), (-81.2, 42.2), (-78.9, 42.9), (-79.2, 43.45)),
    *((-76.8, 43.6), (-74.7, 45.0), (-71.5, 45.0), (-71.0, 45.3), (-70.4, 45.8), (-70.0, 46.7)),
    *((-69.2, 47.45), (-68.3, 47.35), (-67.8, 47.1), (-67.8, 45.7), (-66.9, 44.8), (-69.5, 43.4)),
    *((-69.8, 41.2), (-73.0, 40.3), (-75.3, 35.1), (-79.9, 32.0), (-79.8, 27.0), (-79.9, 24.9)),
    *((-82.0, 24.3), (-83.5, 27.5), (-89.2, 28.8), (-96.5, 28.0), (-97.1, 25.9), (-99.1, 26.4)),
    *((-100.3, 28.2), (-101.4, 29.75), (-102.3, 29.85), (-103.1, 29.0), (-104.5, 29.6)),
    *((-106.5, 31.78), (-108.2, 31.78), (-108.2, 31.33), (-111.07, 31.33), (-114.8, 32.5)),
    *((-117.2, 32.5), (-120.8, 33.9), (-124.6, 40.3)),
)
#: West, south, east, north of Alaska, Hawaii and the territories.
_BOXES = (
    *((-180.0, 51.0, -129.9, 71.6), (172.0, 51.0, 180.0, 53.5), (-178.5, 18.5, -154.5, 28.6)),
    *((-68.1, 17.5, -64.4, 18.7), (144.4, 13.1, 146.3, 20.7), (-171.3, -14.8, -168.0, -10.9)),
)


def may_be_in_the_united_states(longitude: float, latitude: float) -> bool:
    """Tell whether a place can lie in the United States; near the border it can.

    Parameters
    ----------
    longitude, latitude
        Degrees.

    Examples
    --------
    Lake Constance, Toronto and Guadalajara cannot, Detroit and Honolulu can:

    >>> places = [(9.16, 47.64), (-79.38, 43.65), (-103.3, 20.7), (-83.05, 42.33), (-157.8, 21.3)]
    >>> [may_be_in_the_united_states(*place) for place in places]
    [False, False, False, True, True]
    """
    if any(w <= longitude <= e and s <= latitude <= n for w, s, e, n in _BOXES):
        return True
    import shapely

    place = shapely.Point(longitude, latitude)
    return float(shapely.distance(shapely.Polygon(_STATES), place)) <= _NEAR_DEGREES


def default_limit_findings(
    grades: Sequence[Grade], falls: Sequence[FallVerdict], frame: Frame
) -> tuple[Finding, ...]:
    """Say where built-in limits were used on a site that does not lie in the United States.

    Parameters
    ----------
    grades, falls
        That were judged.
    frame
        The map, for the place on earth; a frame without a CRS says nothing.
    """
    sets = limit_sets({})
    named = {
        f"{sets[g.requirement.limits].source} {g.requirement.section}".strip(): "[grades]"
        for g in grades
        if g.requirement.is_default and g.verdict in ("within", "beyond", "undecided")
    }
    named |= {
        " ".join(part for part in (f.rule.source, f.rule.section) if part): "[drainage]"
        for f in falls
        if f.rule.is_default
    }
    if not named or not frame.crs_wkt or not is_computable(frame.crs_wkt):
        return ()
    longitude, latitude = (float(v) for v in longitude_latitude(frame.crs_wkt, *frame.origin))
    if may_be_in_the_united_states(longitude, latitude):
        return ()
    place = f"{abs(latitude):.2f} {'NS'[latitude < 0]}, {abs(longitude):.2f} {'EW'[longitude < 0]}"
    keys = {
        "[grades]": "[grades] limits_file",
        "[drainage]": "[drainage] (fall_from_building_percent, fall_from_building_source)",
    }
    where = " and ".join(text for key, text in keys.items() if key in named.values())
    text = (
        f"Limits of {', '.join(named)} are defaults for want of local ones and no law at {place}, "
        'outside the United States. "Within" and "beyond" are said of the default alone. '
        f"Put the local rule into {where}."
    )
    return (Finding("look", "limits-not-local", text),)
