"""Columns of ``setting_out.csv``."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from geosite.analysis.setting_out.model import Located, SettingOut
from geosite.analysis.setting_out.wording import VERDICTS
from geosite.base.columns import Field
from geosite.base.map_frame import Frame
from geosite.handover.model import Table

__all__ = ["FIELDS", "setting_out_table"]

FIELDS = (
    Field("point", "text", "Name of the point."),
    Field("x", "real", "What the device shows there, in the unit and axes of today's walk."),
    Field("y", "real", "The same."),
    Field("z", "real", "The same."),
    Field("along", "real", "From the first baseline mark towards the second, unit of the walk."),
    Field("offset", "real", "To the right of the baseline, unit of the walk."),
    Field("rise", "real", "Above the first baseline mark, unit of the walk."),
    Field("distance", "real", "Ground distance from the first mark, unit of the walk."),
    Field("angle_deg", "real", "At the first mark, clockwise from the second.", "deg"),
    Field("easting", "real", "On the map, map units."),
    Field("northing", "real", "On the map, map units."),
    Field("elevation", "real", "Of the design, elevation units."),
    Field("ground_elevation", "real", "Of the walked ground, elevation units; blank for none."),
    Field("ground_elevation_sigma", "real", "Its standard deviation, elevation units."),
    Field("cut_m", "real", "Ground above the design, metres; negative is fill.", "m"),
    Field("cut_sigma_m", "real", "Its standard deviation.", "m"),
    Field("cut_95_m", "real", "Half the 95 % interval of the cut.", "m"),
    Field(
        "sigma_h_m", "real", "Standard deviation per horizontal axis of where the device is.", "m"
    ),
    Field("sigma_v_m", "real", "Standard deviation of its height.", "m"),
    Field("error_95_m", "real", "Radius that holds the device in 95 of 100 walks.", "m"),
    Field("v_95_m", "real", "Half the 95 % interval of the height.", "m"),
    Field("map_sigma_h_m", "real", "As sigma_h_m, on the map: with what the anchor adds.", "m"),
    Field("verdict", "text", "Against the tolerance.", values=VERDICTS),
    Field("shape", "text", "Line or area that the point is part of."),
    Field("role", "text", "point, vertex, station or centre of an arc."),
)


def setting_out_table(found: SettingOut, frame: Frame) -> Table:
    """Return one row per point, in the order in which they are walked to."""
    return Table(
        "setting_out",
        "Setting out",
        FIELDS,
        [_record(point, frame) for point in found.points],
        "Where the device must be to stand on the points of a design.",
    )


def _record(point: Located, frame: Frame) -> Mapping[str, Any]:
    target, up = point.target, frame.height_unit_m
    ground, cut = point.ground, point.cut
    x, y, z = point.reading or (None, None, None)
    return {
        "point": target.name,
        "x": _cut_off(x),
        "y": _cut_off(y),
        "z": _cut_off(z),
        "along": _cut_off(point.along),
        "offset": _cut_off(point.offset),
        "rise": _cut_off(point.rise),
        "distance": _cut_off(point.distance),
        "angle_deg": _cut_off(math.degrees(point.angle)),
        "easting": float(target.place[0]),
        "northing": float(target.place[1]),
        "elevation": float(target.place[2]),
        "ground_elevation": None if ground is None else _cut_off(ground.value / up),
        "ground_elevation_sigma": None if ground is None else _sigma(ground.sigma, up),
        "cut_m": None if cut is None else _cut_off(cut.value),
        "cut_sigma_m": None if cut is None else _sigma(cut.sigma, 1.0),
        "cut_95_m": None if cut is None else _cut_off(cut.half_width),
        "sigma_h_m": _cut_off(point.sigma_h_m),
        "sigma_v_m": _cut_off(point.sigma_v_m),
        "error_95_m": _cut_off(point.error_95_m),
        "v_95_m": _cut_off(point.v_95_m),
        "map_sigma_h_m": _cut_off(point.map_sigma_h_m),
        "verdict": point.verdict,
        "shape": target.shape or None,
        "role": target.role,
    }


def _sigma(value: float | None, unit: float) -> float | None:
    return None if value is None else _cut_off(value / unit)


def _cut_off(value: float | None) -> float | None:
    """Round to a tenth of a millimetre: a device shows no more, and somebody types it."""
    return None if value is None or not math.isfinite(value) else round(value, 4)
