"""Are verdicts wrong no more often than they may be? Simulated walks just off each limit.

A building on ground that falls away from it, a way that leans, and a parcel line beside a wall, all
just within or just beyond their limit; the truth is known. ``within`` or ``beyond`` may be wrong in
5 of 100 cases each.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import shapely
from ferry_landing import make_site
from pyproj import CRS
from simulated import ferry_landing
from walk_simulator import Noise, Stop, Walk

from geosite.analysis.access.grade_checks import Checked
from geosite.analysis.access.grades import check_grades
from geosite.analysis.falls import judge_fall
from geosite.analysis.limits import fall_rules, limit_sets
from geosite.analysis.parcels import overlay_parcels, place_parcels
from geosite.analysis.walked_line import polyline
from geosite.fieldbook.sitefile import Parcels
from geosite.linework.draw import draw
from geosite.linework.model import Drawing
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.reading.polygons import PolygonLayer
from geosite.terrain.site_ground import SiteGround, site_ground
from geosite.terrain.water.falls_from_buildings import fall_from_building, wall_profiles
from geosite.terrain.water.water_estimates import estimate_fall

pytestmark = [pytest.mark.slow, pytest.mark.long]

WALKS = 40
AT_MOST = 0.05 + 1.645 * np.sqrt(0.05 * 0.95 / WALKS)
"""Share of wrong verdicts that 5 % of so many walks exceed in 5 of 100 tests only."""

B1, B2 = make_site.B1, make_site.B2
#: West, south, east, north of the house, from the first mark of the baseline.
HOUSE = (8.0, 8.0, 14.0, 12.0)
REACH = 3.3


def heights(fall: float, cross: float, east: float, north: float) -> float:
    """The ground: falls from the house on all sides as a hipped roof; east of it a leaning way."""
    if east >= 24:
        return cross * (east - 26)
    west, south, right, top = HOUSE
    away = max(west - east, east - right, south - north, north - top, 0.0)
    return -fall * away


def walk(fall: float, cross: float) -> Walk:
    """Walk round the house, on a ring round it, and along a way with marks on both sides."""
    west, south, east, north = HOUSE

    def at(e: float, n: float, point: str, feature: str = "", code: str = "") -> Stop:
        up = B1.up + heights(fall, cross, e, n)
        return Stop(B1.east + e, B1.north + n, up, point, feature, code)

    def ring(out: float) -> list[tuple[float, float]]:
        w, s, e, n = west - out, south - out, east + out, north + out
        xs, ys = np.linspace(w, e, 7).tolist(), np.linspace(s, n, 5).tolist()
        return [
            *((x, s) for x in xs[:-1]),
            *((e, y) for y in ys[:-1]),
            *((x, n) for x in xs[:0:-1]),
            *((w, y) for y in ys[:0:-1]),
        ]

    # marks along the walls too: triangles are not to run through the house
    stops = [B1, B2, *(at(*c, f"H{k}", "house", "building") for k, c in enumerate(ring(0.0)))]
    for out in (1.1, 2.2, REACH):
        stops += [at(*place, f"N{out:g}_{k}") for k, place in enumerate(ring(out))]
    stops += [at(26.0, 6.0 + 3 * k, f"W{k}", "way", "walk") for k in range(5)]
    for side, off in (("L", -1.5), ("R", 1.5)):
        stops += [at(26.0 + off, 6.0 + 1.5 * k, f"{side}{k}") for k in range(9)]
    return Walk("R1", (*stops, B1, B2))


class Walked:
    """One simulated walk, adjusted, drawn, its ground laid."""

    def __init__(self, folder: Path, seed: int, fall: float, cross: float) -> None:
        noise = Noise(0.003, 0.002)
        survey = ferry_landing(seed, folder, noise=noise, walks=(walk(fall, cross),))
        self.notes = survey.notes
        self.network: Network = adjust(survey.notes)
        self.drawing: Drawing = draw(survey.notes, self.network)
        laid = site_ground(survey.notes, self.network, self.drawing)
        assert laid is not None
        self.ground: SiteGround = laid

    def fall(self) -> str:
        house = next(f for f in self.drawing.features if f.name == "house")
        laid = self.ground
        footprint = shapely.force_2d(house.geometry)
        z = laid.surface.z.copy()
        profiles = wall_profiles("house", footprint, z, laid.local, ground_m=laid.ground_m)
        assert profiles is not None
        fall = fall_from_building(profiles, z)
        # the worst place's own interval and the draws take no part in the verdict
        told = estimate_fall(fall, None, profiles, None)  # type: ignore[arg-type]
        return judge_fall(told, fall_rules()["dwelling"], laid.ground, laid.local).verdict

    def cross(self) -> list[str]:
        line = polyline("way", self.notes, self.network, self.drawing, feature="way", marks=())
        checked = Checked(line, self.network, limit_sets({})["walk"], "walk", self.ground.ground)
        return [g.verdict for g in check_grades(checked) if g.check == "cross"]

    def clearance(self, true: float, sigma: float, seed: int) -> str:
        """Of the west wall from a parcel line `true` west of it, on a map that is off by sigma."""
        shift = sigma * np.random.default_rng(seed + 10_000).standard_normal(2)
        west = B1.east + HOUSE[0] - true
        corners = [(west, -20), (west + 80, -20), (west + 80, 80), (west, 80)]
        factor = make_site.combined_factor()
        ring = [np.array(make_site.to_map(e, n, factor)) + shift for e, n in corners]
        layer = PolygonLayer(
            "map.gpkg", ("P",), (shapely.Polygon(ring),), CRS("EPSG:25832").to_wkt()
        )
        table = Parcels(file="map.gpkg", sigma=sigma)
        placed = place_parcels(layer, table, self.network.frame, "site.toml")
        _, clearances = overlay_parcels(self.drawing, self.network, placed)
        (house,) = [c for c in clearances if c.feature == "house"]
        return house.verdict


def verdicts(folder: Path, fall: float, cross: float, walks: int = WALKS) -> dict[str, Counter]:
    found: dict[str, Counter] = {kind: Counter() for kind in ("fall", "cross", "clear", "crossing")}
    for seed in range(walks):
        walked = Walked(folder, seed, fall, cross)
        found["fall"][walked.fall()] += 1
        found["cross"].update(walked.cross())
        found["clear"][walked.clearance(0.02, 0.05, seed)] += 1
        found["crossing"][walked.clearance(-0.02, 0.05, seed)] += 1
    return found


def share(told: Counter, word: str) -> float:
    return told[word] / max(sum(told.values()), 1)


def test_just_within_is_seldom_called_beyond(tmp_path: Path) -> None:
    told = verdicts(tmp_path, fall=0.052, cross=0.0195)
    assert share(told["fall"], "beyond") <= AT_MOST
    assert share(told["cross"], "beyond") <= AT_MOST
    assert share(told["clear"], "crosses") <= AT_MOST
    assert share(told["crossing"], "clear") <= AT_MOST


def test_just_beyond_is_seldom_called_within(tmp_path: Path) -> None:
    told = verdicts(tmp_path, fall=0.048, cross=0.0225)
    assert share(told["fall"], "within") <= AT_MOST
    assert share(told["cross"], "within") <= AT_MOST


def test_what_is_far_off_is_decided(tmp_path: Path) -> None:
    good = verdicts(tmp_path, fall=0.35, cross=0.0, walks=5)
    assert set(good["fall"]) == {"within"}
    # over 1.2 m a level way cannot be told from one of 1:48 by this device
    assert set(good["cross"]) <= {"within", "undecided"}
    bad = verdicts(tmp_path, fall=0.0, cross=0.08, walks=5)
    assert set(bad["fall"]) == {"beyond"}
    assert share(bad["cross"], "beyond") > 0.9
