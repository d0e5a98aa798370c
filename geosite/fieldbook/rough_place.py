"""Where on earth a survey lies, before anything is computed: to read no more of a map than that."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Floats, Shorts
from geosite.fieldbook.sitefile import Anchor

__all__ = ["MARGIN_M", "Surroundings", "surroundings"]

MARGIN_M = 500.0
"""Round the farthest mark, metres: more than two datums differ by."""

_METRES_PER_DEGREE = 111_000.0

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Boxes that hold the survey and what lies round it.

    Parameters
    ----------
    boxes
        CRS and west, south, east, north in its units, one for each anchored mark.
    reach_m
        From an anchored mark to the nearest side.
    """

    boxes: tuple[tuple[str, Box], ...]
    reach_m: float

    def in_crs(self, crs_wkt: str) -> Box | None:
        """Return one box round all of them in another CRS; None where that cannot be told."""
        from pyproj import Transformer
        from pyproj.exceptions import ProjError

        found = []
        for crs, box in self.boxes:
            try:
                move = Transformer.from_crs(crs, crs_wkt, always_xy=True)
                found.append(move.transform_bounds(*box, densify_pts=21))
            except ProjError:
                return None
        sides = np.array(found).reshape(-1, 4)
        if not len(sides) or not np.isfinite(sides).all():
            return None
        west, south = sides[:, :2].min(axis=0).tolist()
        east, north = sides[:, 2:].max(axis=0).tolist()
        return west, south, east, north


def surroundings(anchor: Anchor, local: Floats, run: Shorts) -> Surroundings:
    """Return where a survey must lie, whichever way its runs are turned.

    Every run visits an anchored mark, so no observation is farther from one than its run is long.

    Parameters
    ----------
    anchor
        ``[anchor]``.
    local : array, shape (n, 3), metres
        Observations in the frame of their run.
    run : array of int, shape (n,)
        Run of each.

    Examples
    --------
    A walk of 40 by 30 m stays within 50 m, and the margin, of the mark that it visited:

    >>> import numpy as np
    >>> from geosite.fieldbook.sitefile import AnchorMark
    >>> mark = AnchorMark(easting=512310.0, northing=5276100.0)
    >>> walk = np.array([[0.0, 0.0, 0.0], [40.0, 0.0, 0.0], [40.0, 30.0, 0.0]])
    >>> found = surroundings(Anchor(crs="EPSG:25832", marks={"B1": mark}), walk, np.zeros(3, int))
    >>> found.reach_m - MARGIN_M
    50.0
    """
    from pyproj import CRS
    from pyproj.exceptions import ProjError

    spans = [np.ptp(local[run == number, :2], axis=0) for number in np.unique(run)]
    reach = max((float(np.hypot(*span)) for span in spans), default=0.0) + MARGIN_M
    boxes: list[tuple[str, Box]] = []
    for mark in anchor.marks.values():
        if mark.latitude is not None and mark.longitude is not None:
            up = reach / _METRES_PER_DEGREE
            aside = up / max(math.cos(math.radians(mark.latitude)), 0.01)
            lon, lat = mark.longitude, mark.latitude
            boxes.append(("EPSG:4326", (lon - aside, lat - up, lon + aside, lat + up)))
        elif mark.easting is not None and mark.northing is not None:
            try:
                unit = CRS.from_user_input(anchor.crs).axis_info[0].unit_conversion_factor
            except (ProjError, IndexError):
                return Surroundings((), reach)
            e, n, r = mark.easting, mark.northing, reach / unit
            boxes.append((anchor.crs, (e - r, n - r, e + r, n + r)))
    return Surroundings(tuple(boxes), reach)
