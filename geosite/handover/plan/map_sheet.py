"""What every sheet with a map has: size, scale, title, and its place on earth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geosite.base.map_frame import longitude_latitude
from geosite.drawing.font import printable, typeface
from geosite.drawing.sheet import Group, Picture, Place, Sheet, Text
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import CAUTION, Package
from geosite.handover.plan.layout import Layout, View, scale_name
from geosite.handover.wording.measures import Measures

__all__ = ["lacks_letters", "map_sheet"]


def map_sheet(
    package: Package,
    options: Handover,
    layout: Layout,
    called: str,
    groups: Sequence[Group],
    picture: Picture | None = None,
) -> Sheet:
    """Return a sheet of what was drawn on it.

    Parameters
    ----------
    package, options
        Title of the site; paper and unit.
    layout
        Of the sheet.
    called
        What the sheet is.
    groups
        What is drawn, in order.
    picture
        Under the map.
    """
    scale, measures = layout.view.scale, Measures(options.unit)
    return Sheet(
        width=layout.width,
        height=layout.height,
        window=layout.view.window,
        scale=scale,
        unit=measures.unit,
        unit_m=measures.unit_m,
        title=printable(package.name, 200),
        description=f"{called} {scale_name(scale, options.unit)} on {options.sheet}. {CAUTION}",
        groups=tuple(groups),
        place=_place_of(layout.view),
        picture=picture,
    )


def lacks_letters(groups: Sequence[Group]) -> bool:
    """Return whether the typeface lacks a letter of what is written."""
    return any(
        typeface(item.weight).lacks(item.text)
        for group in groups
        for item in group.items
        if isinstance(item, Text)
    )


def _place_of(view: View) -> Place | None:
    """Return where on earth the map window lies; None where the CRS has no older form."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    across = view.window.width / 2 / view.mm_per_unit
    up = view.window.height / 2 / view.mm_per_unit
    east, north = view.centre
    corners = [(east + x * across, north + y * up) for x, y in ((-1, -1), (-1, 1), (1, 1), (1, -1))]
    longitude, latitude = longitude_latitude(view.frame.crs_wkt, *np.transpose(corners))
    if not (np.isfinite(longitude).all() and np.isfinite(latitude).all()):
        return None
    try:
        crs = CRS.from_wkt(view.frame.crs_wkt)
        wkt = crs.to_wkt("WKT1_GDAL")
    except CRSError:
        return None
    places = tuple(zip(latitude.tolist(), longitude.tolist(), strict=True))
    return Place(places, " ".join(wkt.split()), crs.to_epsg())
