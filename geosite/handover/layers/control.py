"""The table ``control``: marks whose place on the map is known, as they were stated."""

from __future__ import annotations

from dataclasses import dataclass

from geosite.base.columns import Columns, real, text
from geosite.base.map_frame import Frame
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import AnchorMark
from geosite.handover.model import Form, Table

__all__ = ["CONTROL", "columns", "table"]

CONTROL = Form(
    "control",
    "Given control",
    "Marks whose place on the map is known, as the site file states them, before any adjustment.",
)

_GIVEN = "given in the site file"
_USES = {"anchor": "places the survey", "check": "compared only, never used to place the survey"}


@dataclass(frozen=True, slots=True)
class Stated:
    """One mark as stated, and in which reference systems."""

    mark: str
    given: AnchorMark
    crs: str
    vertical_crs: str


def columns(frame: Frame) -> Columns[Stated]:
    """Return the columns; coordinates are in the units of the map."""
    plan, level = frame.unit_name, frame.height_unit_name
    return Columns(
        (
            text("mark", "Name of the mark.", lambda s: s.mark),
            text("use", "What for.", lambda s: "check" if s.given.check else "anchor", _USES),
            real("easting", "As stated.", lambda s: s.given.easting, plan, exact=_GIVEN),
            real("northing", "As stated.", lambda s: s.given.northing, plan, exact=_GIVEN),
            real("elevation", "As stated.", lambda s: s.given.elevation, level, exact=_GIVEN),
            real("latitude", "As stated.", lambda s: s.given.latitude, "degree", exact=_GIVEN),
            real("longitude", "As stated.", lambda s: s.given.longitude, "degree", exact=_GIVEN),
            real(
                "ellipsoidal_height_m",
                "As stated.",
                lambda s: s.given.ellipsoidal_height,
                "m",
                exact=_GIVEN,
            ),
            real(
                "sigma_m",
                "Standard deviation per axis as stated; empty: taken as exact.",
                lambda s: s.given.sigma,
                "m",
                exact=_GIVEN,
            ),
            real(
                "sigma_elevation_m",
                "Standard deviation of the height as stated; empty: sigma_m, without one exact.",
                lambda s: s.given.sigma_elevation,
                "m",
                exact=_GIVEN,
            ),
            text("crs", "Of the position.", lambda s: s.crs),
            text("vertical_crs", "Of the height.", lambda s: s.vertical_crs),
            text("source", "Where the values come from.", lambda s: s.given.source or None),
        )
    )


def table(notes: Notes, frame: Frame) -> Table:
    """Return the marks in the order of the site file."""
    listed, anchor = columns(frame), notes.site.anchor

    def stated(name: str, given: AnchorMark) -> Stated:
        from_sky = given.latitude is not None
        height = "WGS 84 ellipsoid" if given.ellipsoidal_height is not None else anchor.vertical_crs
        none = given.elevation is None and given.ellipsoidal_height is None
        place = "EPSG:4326" if from_sky else frame.crs_name if given.easting is not None else ""
        return Stated(name, given, place, "" if none else height or "")

    return CONTROL.table(
        listed, listed.records([stated(name, given) for name, given in anchor.marks.items()])
    )
