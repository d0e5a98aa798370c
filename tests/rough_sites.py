"""Invented sites whose true ground is rough between the marks, walked again and again.

The truth is another one than the model's: planes, benches, a crown and kerbs, and on top of them a
sum of sines of random directions, wave lengths and phases. Nothing of it is drawn by geosite.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from ferry_landing import make_site
from simulated import FACTOR, anchored
from walk_simulator import COLUMNS, Noise, Stop, Walk, field_book_rows, write_csv

from geosite.fieldbook.model import Notes
from geosite.fieldbook.read import read_survey
from geosite.linework.draw import draw
from geosite.linework.model import Drawing
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.terrain.site import Terrain, model_terrain

Heights = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Elevation at ground metres east and north of the site's corner."""

ANCHOR_SIGMA = 0.015


@dataclass(frozen=True)
class RoughSite:
    """One site: its walks with the plain heights, its plain ground, its codes and its cell."""

    name: str
    walks: tuple[Walk, ...]
    plain: Heights
    codes: str
    cell: float
    noise: Noise = make_site.NOISE
    even: bool = False
    """Whether nothing is laid on the plain ground."""


@dataclass(frozen=True)
class Walked:
    """One walk of a site, laid, and the truth it was walked on."""

    notes: Notes
    network: Network
    drawing: Drawing
    terrain: Terrain
    truth: Heights
    """True elevation at local grid metres of the network's frame, columns easting, northing."""

    def true_elevations(self, places: np.ndarray) -> np.ndarray:
        frame = self.network.frame
        here = (frame.to_map(places) - np.array(make_site.ORIGIN)) / FACTOR
        return self.truth(here[:, 0], here[:, 1])


def sines(rng: np.random.Generator, rms: float, hurst: float = 0.8, waves: int = 60) -> Heights:
    """Return a rough ground: waves of 1.5 to 30 m, their height as the power of their length."""
    length = np.exp(rng.uniform(math.log(1.5), math.log(30.0), waves))
    way, phase = rng.uniform(0, 2 * math.pi, (2, waves))
    height = length**hurst
    height *= rms * math.sqrt(2) / np.sqrt((height**2).sum())

    def up(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        along = np.multiply.outer(east, np.sin(way)) + np.multiply.outer(north, np.cos(way))
        return np.sin(2 * math.pi * along / length + phase) @ height

    return up


def landing() -> RoughSite:
    """Return the ferry landing as it is walked for the sample."""
    walks = (make_site.run_one(), make_site.run_two(), make_site.run_three())
    codes = """
[codes.asphalt]
paved = true
[codes.concrete]
paved = true
[codes.setts]
paved = true
[codes.building]
building = true
[codes.kerb_bottom]
geometry = "line"
breakline = true
[codes.kerb_top]
geometry = "line"
breakline = true
barrier = true
[codes.walk]
geometry = "line"
[codes.fence]
geometry = "line"
[codes.inlet]
geometry = "point"
inlet = true
"""
    return RoughSite("landing", walks, np.vectorize(make_site.ground), codes, 0.25)


_BENCHES = 4
_BENCH, _FACE, _RISE = 5.0, 2.0, 1.2


def _benched(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    number = np.clip(np.floor(north / (_BENCH + _FACE)), 0, _BENCHES - 1)
    within = north - number * (_BENCH + _FACE)
    face = np.clip((within - _BENCH) / _FACE, 0.0, 1.0)
    # benches fall 1.5 % to the east and lean 2 % back to the face above
    lean = -0.02 * np.minimum(within, _BENCH)
    return 410.0 + _RISE * (number + face) - 0.015 * east + lean + face * 0.02 * _BENCH


def benched() -> RoughSite:
    """Return a slope in benches: the edge and the foot of each are walked, the faces are not."""
    rng = np.random.default_rng(11)
    b1, b2 = (4.0, 2.5), (34.0, 2.5)
    runs = []
    for number in range(_BENCHES):
        south = number * (_BENCH + _FACE)
        stops = [yard_stop(_benched, *b1, "B1"), yard_stop(_benched, *b2, "B2")]
        for line, north in (("edge", south), ("mid", south + 2.5), ("foot", south + _BENCH)):
            at = np.arange(1.0, 40.0, 4.0 if line != "mid" else 6.0)
            # the ends of the lines are walked beside each other, as one walks the end of a site
            at[1:-1] += rng.uniform(-0.8, 0.8, len(at) - 2)
            code = "bench" if line != "mid" else ""
            name = f"{line}{number}" if line != "mid" else ""
            # the lines are walked where they are, to a few centimetres
            for k, east in enumerate(at if line != "mid" else at[::-1]):
                wander = rng.uniform(-0.5, 0.5) if line == "mid" else 0.0
                stops.append(
                    yard_stop(
                        _benched, east, north + wander, f"{line[0].upper()}{number}{k}", name, code
                    )
                )
        stops += [yard_stop(_benched, *b1, "B1"), yard_stop(_benched, *b2, "B2")]
        runs.append(Walk(f"R{number}", tuple(stops)))
    codes = '[codes.bench]\ngeometry = "line"\nbreakline = true\n'
    return RoughSite("benched slope", tuple(runs), _benched, codes, 0.25)


_HALF, _KERB = 3.5, 0.12


def _crowned(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    off = np.abs(north - 8.0)
    road = -0.025 * np.minimum(off, _HALF)
    kerb = _KERB * np.clip((off - _HALF) / 0.1, 0.0, 1.0)
    walk = 0.02 * np.maximum(off - _HALF - 0.1, 0.0)
    sag = 0.012 * np.abs(east - 30.0)
    return 420.0 + sag + road + kerb + walk


def crowned() -> RoughSite:
    """Return a crowned road with a sag between kerbs, two inlets in the sag, footways beside."""
    rng = np.random.default_rng(12)
    b1, b2 = (5.0, 8.0), (55.0, 8.0)
    runs = []
    crown = [("", "", e, 8.0) for e in np.arange(2.0, 60.0, 6.0)]
    for side, sign in (("n", 1.0), ("s", -1.0)):
        stops = [yard_stop(_crowned, *b1, "B1"), yard_stop(_crowned, *b2, "B2")]
        lines = [
            (f"foot_{side}", "kerb_foot", e, 8.0 + sign * _HALF) for e in np.arange(1.0, 60.0, 5.8)
        ]
        lines += [
            (f"top_{side}", "kerb_top", e, 8.0 + sign * (_HALF + 0.1))
            for e in np.arange(59.0, 0.0, -5.8)
        ]
        lines += [
            ("", "", e, 8.0 + sign * rng.uniform(5.2, 5.6)) for e in np.arange(3.0, 60.0, 6.0)
        ]
        if sign > 0:
            lines += crown
            lines += [("", "", e, 8.0 + rng.uniform(-2.2, 2.2)) for e in np.arange(57.0, 2.0, -6.0)]
        for k, (name, code, east, north) in enumerate(lines):
            stops.append(yard_stop(_crowned, east, north, f"{side}{k}", name, code))
        stops.append(
            yard_stop(
                _crowned, 30.0, 8.0 + sign * (_HALF - 0.15), f"I{side}", f"inlet_{side}", "inlet"
            )
        )
        stops += [yard_stop(_crowned, *b1, "B1"), yard_stop(_crowned, *b2, "B2")]
        runs.append(Walk(f"R{side}", tuple(stops)))
    codes = """
[codes.kerb_foot]
geometry = "line"
breakline = true
[codes.kerb_top]
geometry = "line"
breakline = true
barrier = true
[codes.inlet]
geometry = "point"
inlet = true
"""
    return RoughSite("crowned road", tuple(runs), _crowned, codes, 0.25)


def _docked(east: np.ndarray, north: np.ndarray) -> np.ndarray:
    up = 407.0 - 0.015 * (north - 12.0) + 0.004 * (east - 25.0)
    # a swale along the west, 0.35 m deep, falls to the north with the yard
    up -= 0.35 * np.exp(-(((east - 8.0) / 1.8) ** 2))
    # a ramp down to the dock, 0.9 m deep at its head wall in the south, 6 m wide
    ramp = np.clip((north - 4.0) / 12.0, 0.0, 1.0)
    beside = np.clip((np.abs(east - 34.0) - 3.0) / 0.1, 0.0, 1.0)
    down = 0.9 * (1.0 - ramp) * (1.0 - beside)
    return up - np.where(north < 4.0, 0.0, down)


def dock_yard() -> RoughSite:
    """Return a yard with a swale and a loading dock at the foot of its ramp, an inlet in each.

    It was not looked at while the model was chosen.
    """
    rng = np.random.default_rng(14)
    b1, b2 = (3.0, 24.0), (46.0, 25.0)
    base = [yard_stop(_docked, *b1, "B1"), yard_stop(_docked, *b2, "B2")]
    swale = [*base]
    for line, east in (("west", 5.0), ("flow", 8.0), ("east", 11.0)):
        for k, north in enumerate(np.arange(1.0, 27.0, 5.0)):
            wander = rng.uniform(-0.15, 0.15)
            name, code = ("flow", "flow") if line == "flow" else ("", "")
            swale.append(
                yard_stop(
                    _docked, east + wander * (line != "flow"), north, f"{line}{k}", name, code
                )
            )
    swale += [yard_stop(_docked, 8.0, 21.5, "I1", "inlet_swale", "inlet"), *base]
    dock = [*base]
    for name, off in (("foot", -0.1), ("top", 0.1)):
        # down one side of the ramp, along the head wall, up the other side
        up, wall = np.arange(16.1, 5.0, -3.0), 4.0 - off
        line = [(31.0 - off, north) for north in up] + [(31.0 - off, wall), (34.0, wall)]
        line += [(37.0 + off, wall)] + [(37.0 + off, north) for north in up[::-1]]
        dock += [yard_stop(_docked, *at, f"{name[0]}{k}", name, name) for k, at in enumerate(line)]
    dock += [yard_stop(_docked, 34.0, 4.6, "I2", "inlet_dock", "inlet"), *base]
    yard = [*base]
    for row, north in enumerate(np.arange(1.0, 27.0, 5.0)):
        at = np.array([0.5, 15.0, 20.0, 25.0, 28.5, 41.0, 46.0, 49.5])
        yard += [
            yard_stop(_docked, *(np.array([east, north]) + rng.uniform(-0.7, 0.7, 2)))
            for east in (at if row % 2 else at[::-1])
        ]
    yard += [yard_stop(_docked, 34.0, 21.0), yard_stop(_docked, 34.0, 10.0), *base]
    codes = """
[codes.flow]
geometry = "line"
breakline = true
[codes.foot]
geometry = "line"
breakline = true
[codes.top]
geometry = "line"
breakline = true
barrier = true
[codes.inlet]
geometry = "point"
inlet = true
"""
    walks = tuple(Walk(f"R{k}", tuple(one)) for k, one in enumerate((swale, dock, yard)))
    return RoughSite("dock yard", walks, _docked, codes, 0.25)


def plane_yard(fall: float = 0.02) -> RoughSite:
    """Return a yard that is one plane, 50 marks on a loose lattice: there is no hollow on it."""
    rng = np.random.default_rng(13)

    def plain(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return 405.0 - fall * north + 0.3 * fall * east

    b1, b2 = (2.0, 2.0), (33.0, 3.0)
    stops = [yard_stop(plain, *b1, "B1"), yard_stop(plain, *b2, "B2")]
    for row, north in enumerate(np.arange(0.0, 31.0, 5.0)):
        at = np.arange(0.0, 36.0, 5.0)
        stops += [
            yard_stop(plain, *(np.array([east, north]) + rng.uniform(-1, 1, 2)))
            for east in (at if row % 2 else at[::-1])
        ]
    stops += [yard_stop(plain, *b1, "B1"), yard_stop(plain, *b2, "B2")]
    return RoughSite("plane yard", (Walk("R1", tuple(stops)),), plain, "", 0.25)


def yard_stop(
    plain: Heights, east: float, north: float, point: str = "", feature: str = "", code: str = ""
) -> Stop:
    up = plain(np.array([east]), np.array([north]))[0]
    return Stop(float(east), float(north), float(up), point, feature, code)


def walk_site(
    site: RoughSite, seed: int, folder: Path, rough: Heights | None = None, more: str = ""
) -> Walked:
    """Walk a site with one seed, on ground that is rough by its own seed, and lay its ground."""
    rng = np.random.default_rng([seed, 77])
    if rough is None:
        rough = sines(rng, rms=0.0 if site.even else rng.uniform(0.008, 0.03))
    walks = [Walk(w.run, tuple(_roughened(w.stops, rough))) for w in site.walks]
    write_csv(
        folder / "field_book.csv", COLUMNS, field_book_rows(walks, site.noise, rng, decimals=5)
    )
    marks = {s.point: s for w in walks for s in w.stops if s.point in ("B1", "B2")}
    one, two = marks["B1"], marks["B2"]
    head = anchored(one, two, site.noise, rng, ANCHOR_SIGMA)
    head += f"[surface]\ncell_size = {site.cell}\n"
    (folder / "site.toml").write_text(head + site.codes + more, encoding="utf-8")
    notes = read_survey(folder / "site.toml")
    network = adjust(notes)
    drawing = draw(notes, network)
    terrain = model_terrain(notes, network, drawing)
    assert terrain is not None

    def truth(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        return site.plain(east, north) + rough(east, north)

    return Walked(notes, network, drawing, terrain, truth)


def _roughened(stops: Sequence[Stop], rough: Heights) -> list[Stop]:
    place = np.array([(s.east, s.north) for s in stops])
    lift = rough(place[:, 0], place[:, 1])
    return [replace(s, up=s.up + float(up)) for s, up in zip(stops, lift, strict=True)]
