"""The map CRS as a ``.prj`` file holds it, for formats that have no place for it inside."""

from __future__ import annotations

from geosite.base.map_frame import Frame

__all__ = ["prj_wkt"]


def prj_wkt(frame: Frame) -> str | None:
    """Return the map CRS as WKT 1, which readers of ``.prj`` know; None where it has none.

    Examples
    --------
    >>> from pyproj import CRS
    >>> prj_wkt(Frame(crs_wkt=CRS("EPSG:25832").to_wkt()))[:32]
    'PROJCS["ETRS89 / UTM zone 32N",G'
    >>> prj_wkt(Frame()) is None
    True
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        wkt: str = CRS.from_wkt(frame.crs_wkt).to_wkt("WKT1_GDAL")
    except CRSError:
        return None
    return wkt
