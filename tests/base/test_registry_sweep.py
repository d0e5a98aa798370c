"""Every projected CRS of PROJ's registry: a true azimuth and a ground distance lead to the place.

Scale and convergence (`map_factors`) take a mark 50 m away by true azimuth onto the map. The same
mark by a geodesic on the ellipsoid and PROJ's own transformation is the truth.
"""

from __future__ import annotations

import math
import re
import sqlite3
from collections import Counter
from contextlib import closing
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer
from pyproj.aoi import AreaOfUse
from pyproj.database import get_authorities, query_crs_info
from pyproj.datadir import get_data_dir
from pyproj.enums import PJType

from geosite.base.errors import InputError
from geosite.base.map_frame import (
    CONFORMAL_PPM,
    ON_ELLIPSOID_PPM,
    longitude_latitude,
    map_factors,
    scale_by_geodesics,
)
from geosite.base.proj import quiet_proj
from geosite.reading.crs import read_crs

# the whole registry is swept with -m long; of each kind of CRS some are with the usual tests
SWEPT = pytest.mark.parametrize(
    "most", [3, pytest.param(None, marks=pytest.mark.long)], ids=["of each kind", "all"]
)
pytestmark = pytest.mark.slow

STEP_M = 50.0

# prime meridians other than Greenwich, in degrees and in grads, and some others beside them
OTHER_MERIDIANS = (
    *(21500, 2062, 5221, 8044, 20790, 21780, 22300, 27391, 27395, 27398, 27500, 27561, 27562),
    *(27563, 27564, 27571, 27572, 27573, 27574, 29701, 29702, 31251, 31253, 31281, 31283, 31288),
    *(31290, 5329, 5330, 5331, 27700, 31370, 31467, 25832, 2154, 2056, 2264, 5514, 3031, 28992),
    32761,
)


def places(area: AreaOfUse) -> list[tuple[float, float]]:
    """Return two places inside an area of use, longitude from Greenwich and latitude."""
    east = area.east if area.east >= area.west else area.east + 360.0
    return [
        (area.west + share * (east - area.west), area.south + other * (area.north - area.south))
        for share, other in ((0.5, 0.5), (0.25, 0.3))
    ]


def off(name: str, area: AreaOfUse) -> tuple[str, float]:
    """Return what becomes of a CRS, and how far the mark is from its true place, metres."""
    try:
        crs, _ = read_crs(name)
    except InputError as error:
        return error.problems[0].code, 0.0
    base = crs.geodetic_crs
    assert base is not None
    turn = math.degrees(base.axis_info[0].unit_conversion_factor)
    meridian = crs.prime_meridian
    assert meridian is not None
    zero = math.degrees(meridian.longitude * meridian.unit_conversion_factor)
    onto_map = Transformer.from_crs(base, crs, always_xy=True)
    unit = crs.axis_info[0].unit_conversion_factor
    wkt = crs.to_wkt()
    worst, fate = 0.0, "off the map"
    for longitude, latitude in places(area):
        place = onto_map.transform((longitude - zero) / turn, latitude / turn)
        if not np.isfinite(place).all():
            continue
        meridional, parallel, convergence, _ = (float(v[0]) for v in map_factors(wkt, *place))
        if not np.isfinite([meridional, parallel]).all() or parallel <= 0:
            continue
        if abs(meridional / parallel - 1) * 1e6 > CONFORMAL_PPM:
            fate = "not conformal"
            continue
        measured = scale_by_geodesics(wkt, *place)
        if np.abs(measured / meridional - 1).max() * 1e6 > ON_ELLIPSOID_PPM:
            return "on a sphere", 0.0
        fate = "taken"
        found = longitude_latitude(wkt, *place)
        assert math.remainder(found[0] - longitude, 360.0) == pytest.approx(0.0, abs=1e-5), name
        assert found[1] == pytest.approx(latitude, abs=1e-5), name
        for azimuth in (30.0, 120.0):
            there = crs.get_geod().fwd(longitude, latitude, azimuth, STEP_M)[:2]  # type: ignore[union-attr]
            truth = onto_map.transform((there[0] - zero) / turn, there[1] / turn)
            grid = math.radians(azimuth) - convergence
            step = STEP_M * math.sqrt(meridional * parallel) / unit
            mark = place[0] + step * math.sin(grid), place[1] + step * math.cos(grid)
            worst = max(worst, math.dist(mark, truth) * unit)
    return fate, worst


def registered(authority: str) -> dict[str, AreaOfUse]:
    return {
        f"{info.auth_name}:{info.code}": info.area_of_use
        for info in query_crs_info(authority, PJType.PROJECTED_CRS, allow_deprecated=True)
        if info.area_of_use is not None
    }


TEXTS = """
SELECT auth_name || ':' || code, text_definition FROM projected_crs
WHERE text_definition IS NOT NULL
"""
KINDS = """
SELECT crs.auth_name || ':' || crs.code, method.name,
  (SELECT group_concat(told, ', ') FROM (
    SELECT lower(trim(substr(axis.orientation, 1, 5))) || ' ' || unit.name AS told FROM axis
    JOIN unit_of_measure unit ON (unit.auth_name, unit.code) = (axis.uom_auth_name, axis.uom_code)
    WHERE (axis.coordinate_system_auth_name, axis.coordinate_system_code)
      = (crs.coordinate_system_auth_name, crs.coordinate_system_code)
    ORDER BY axis.coordinate_system_order)),
  meridian.name
FROM projected_crs crs
JOIN conversion_table way
  ON (way.auth_name, way.code) = (crs.conversion_auth_name, crs.conversion_code)
JOIN conversion_method method
  ON (method.auth_name, method.code) = (way.method_auth_name, way.method_code)
JOIN geodetic_crs base
  ON (base.auth_name, base.code) = (crs.geodetic_crs_auth_name, crs.geodetic_crs_code)
JOIN geodetic_datum datum ON (datum.auth_name, datum.code) = (base.datum_auth_name, base.datum_code)
JOIN prime_meridian meridian ON (meridian.auth_name, meridian.code)
  = (datum.prime_meridian_auth_name, datum.prime_meridian_code)
"""


@cache
def kinds() -> dict[str, tuple[str, ...]]:
    """Return what each CRS has of its own beside numbers: method, axes, prime meridian.

    Asked of the registry itself: to make ten thousand systems takes longer than the sweep.
    """
    registry = f"{Path(get_data_dir(), 'proj.db').as_uri()}?mode=ro"
    with closing(sqlite3.connect(registry, uri=True)) as opened:
        found = {name: tuple(told) for name, *told in opened.execute(KINDS)}
        for name, text in opened.execute(TEXTS):
            found[name] = tuple(re.findall(r'(?:PROJECTION|PRIMEM|UNIT)\["([^"]*)"', text))
    return found


def some(systems: dict[str, AreaOfUse], most: int | None) -> dict[str, AreaOfUse]:
    """Return so many systems of each kind, those in the middle of their list."""
    if most is None:
        return systems
    kind = kinds()
    alike: dict[tuple[str, ...], list[str]] = {}
    for name in systems:
        alike.setdefault(kind.get(name, (name,)), []).append(name)
    chosen = [n for of in alike.values() for n in of[len(of) // 2 :][:most]]
    return {name: systems[name] for name in chosen}


def sweep(systems: dict[str, AreaOfUse]) -> tuple[Counter[str], dict[str, float]]:
    fates: Counter[str] = Counter()
    distances = {}
    with quiet_proj():
        for name, area in systems.items():
            fate, distance = off(name, area)
            fates[fate] += 1
            distances[name] = distance
    return fates, distances


def test_other_prime_meridians_and_a_sample() -> None:
    systems = registered("EPSG")
    chosen = {f"EPSG:{code}": systems[f"EPSG:{code}"] for code in OTHER_MERIDIANS}
    fates, distances = sweep(chosen)
    assert fates == {"taken": len(chosen) - 2, "crs-not-computable": 1, "crs-axes": 1}
    assert max(distances.values()) < 0.3e-3


@SWEPT
def test_projected_crs_of_the_registry(most: int | None) -> None:
    fates, distances = sweep(some(registered("EPSG"), most))
    assert fates["taken"] > (100 if most else 5000)
    assert fates["crs-equidistant-cylindrical"] >= 3
    assert set(fates) <= {
        "taken", "not conformal", "on a sphere", "off the map", "crs-not-computable", "crs-axes",
        "crs-web-mercator", "crs-equidistant-cylindrical",
    }  # fmt: skip
    assert {name: far for name, far in distances.items() if far > 0.4e-3} == {}


@SWEPT
def test_projected_crs_of_other_authorities(most: int | None) -> None:
    """Many of these are maps of the world, drawn on a sphere: none of them is taken."""
    systems = {
        name: area
        for authority in get_authorities()
        if authority != "EPSG" and not authority.startswith("IAU")  # of other planets
        for name, area in registered(authority).items()
    }
    fates, distances = sweep(some(systems, most))
    assert fates["taken"] > (50 if most else 2000)
    assert fates["on a sphere"] >= 5
    # town grids on a plane at the town's height
    assert {name: far for name, far in distances.items() if far > 1e-3} == {}
