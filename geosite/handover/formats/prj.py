"""The map CRS as a ``.prj`` file holds it, for formats that have no place for it inside."""

from __future__ import annotations

from geosite.base.map_frame import Frame

__all__ = ["esri_wkt"]


def esri_wkt(frame: Frame) -> str | None:
    """Return the map CRS in the form of WKT that ``.prj`` files hold; None where it has none."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        wkt: str = CRS.from_wkt(frame.crs_wkt).to_wkt("WKT1_ESRI")
    except CRSError:
        return None
    return wkt
