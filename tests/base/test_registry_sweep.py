"""Every projected CRS of PROJ's registry: a true azimuth and a ground distance lead to the place.

Scale and convergence (`map_factors`) take a mark 50 m away by true azimuth onto the map. The same
mark by a geodesic on the ellipsoid and PROJ's own transformation is the truth.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from pyproj import CRS, Transformer
from pyproj.aoi import AreaOfUse
from pyproj.database import get_authorities, query_crs_info
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


def kind(name: str) -> tuple[object, ...]:
    """Return what a CRS has of its own beside numbers: method, axes, units and meridian."""
    crs = CRS(name)
    method = crs.coordinate_operation.method_name if crs.coordinate_operation else ""
    assert crs.prime_meridian is not None
    axes = tuple((axis.direction, axis.unit_name) for axis in crs.axis_info)
    return method, axes, crs.prime_meridian.name


def some(systems: dict[str, AreaOfUse], most: int | None) -> dict[str, AreaOfUse]:
    """Return so many systems of each kind, those in the middle of their list."""
    if most is None:
        return systems
    kinds: dict[tuple[object, ...], list[str]] = {}
    for name in systems:
        kinds.setdefault(kind(name), []).append(name)
    chosen = [n for of in kinds.values() for n in of[len(of) // 2 :][:most]]
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
