"""Make the sample site: an invented lake ferry landing, walked in three simulated runs.

Place, people and numbers are invented; the coordinates fall on a real map sheet only so that a
national grid with a visible difference between ground and grid can be shown. Run it from anywhere:

    python sample_data/ferry_landing/make_site.py

It writes the field book, the truth it was simulated from (truth.csv, truth_features.csv) and the
parcel map beside this script, the same bytes every time.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from walk_simulator import COLUMNS, Noise, Stop, Walk, field_book_rows, write_csv  # noqa: E402

SEED = 20260412
NOISE = Noise(constant=0.006, per_sqrt_metre=0.004)
CRS = "EPSG:25832"
ORIGIN = (512_300.0, 5_276_100.0)  # map position of the invented site's south-west corner
LEVEL = 402.0  # metres, about the middle of the site

HOLLOW = (38.0, 5.2)  # where the car park has settled

# ---- the true ground, in ground metres from the south-west corner -------------------------------


def ground(east: float, north: float) -> float:
    """Elevation of the ground: falls north to the lake, dished at inlets, sunk in the car park."""
    if north <= 10.0:  # car park above the kerb
        up = 402.62 - 0.012 * (north - 10.0) + 0.002 * (east - 30.0)
    elif north <= 31.0:
        up = 402.50 - 0.019 * (north - 10.0) + 0.002 * (east - 30.0)
    else:  # slipway and shore
        up = 402.10 - 0.125 * (north - 31.0) + 0.002 * (east - 30.0)
    for inlet_east, inlet_north in ((27.0, 24.0), (45.5, 26.0)):
        reach = math.hypot(east - inlet_east, north - inlet_north)
        up -= 0.14 * math.exp(-((reach / 3.2) ** 2))
    sunk = math.hypot(east - HOLLOW[0], north - HOLLOW[1])
    return up - 0.12 * math.exp(-((sunk / 2.4) ** 2))


def on_ground(
    east: float, north: float, point: str = "", feature: str = "", code: str = "", **more: str
) -> Stop:
    return Stop(east, north, ground(east, north), point, feature, code, **more)


def round_about(
    centre: tuple[float, float], radius: float, degrees: list[float]
) -> list[tuple[float, float]]:
    return [
        (
            centre[0] + radius * math.cos(math.radians(d)),
            centre[1] + radius * math.sin(math.radians(d)),
        )
        for d in degrees
    ]


def shore(east: float) -> float:
    return 30.6 + 0.35 * math.sin(east / 4.0)


B1, B2 = on_ground(11.0, 8.0, "B1"), on_ground(45.0, 9.0, "B2")
CORNER_CENTRE, CORNER_RADIUS = (44.0, 20.0), 8.0
CORNER = round_about(CORNER_CENTRE, CORNER_RADIUS, [-90.0, -45.0, 0.0])
HOUSE = [(9.0, 17.0), (18.0, 17.0), (18.0, 24.0), (9.0, 24.0)]
ISLAND_CENTRE, ISLAND_RADIUS = (36.0, 21.0), 3.0
SLIPWAY = [(20.0, 31.2), (29.0, 31.2), (29.0, 41.0), (20.0, 41.0)]


def run_one() -> Walk:
    """Walk the apron with its round corner and streamed shore, the inlets, the spot marks."""
    apron = ("apron", "asphalt")
    stops = [B1, B2]
    stops.append(on_ground(6.0, 12.0, "A1", *apron))
    stops.append(on_ground(*CORNER[0], "A2", *apron, segment="line"))
    stops.append(on_ground(*CORNER[1], "A3", *apron, segment="arc", note="round corner"))
    stops.append(on_ground(*CORNER[2], "A4", *apron, segment="arc"))
    stops.append(on_ground(52.0, shore(52.0), "A5", *apron, segment="line"))
    for i, east in enumerate(np.arange(50.0, 7.9, -2.0)):
        note = "walked along the water's edge" if i == 0 else ""
        stops.append(on_ground(east, shore(east), "", *apron, segment="stream", note=note))
    stops.append(on_ground(6.0, shore(6.0), "A6", *apron, segment="stream"))
    stops.append(on_ground(27.0, 24.0, "I1", "inlet_west", "inlet"))
    stops.append(on_ground(45.5, 26.0, "I2", "inlet_east", "inlet"))
    for n, (east, north) in enumerate(
        [
            (49.0, 22.0),
            (41.0, 16.0),
            (42.0, 24.0),
            (46.5, 29.0),
            (33.0, 27.5),
            (30.5, 24.0),
            (27.0, 27.5),
            (23.5, 24.0),
            (27.0, 20.5),
            (22.0, 15.0),
            (31.0, 15.0),
            (21.0, 28.0),
            (13.0, 28.0),
            (7.5, 20.5),
            (14.0, 14.5),
        ],
        start=1,
    ):
        stops.append(on_ground(east, north, f"S{n}"))
    stops += [B1, B2]
    return Walk("R1", tuple(stops))


def run_two() -> Walk:
    """Walk the ticket house, the planted island, the kerb in two lines, the access walk."""
    stops = [B2, B1]
    stops.append(on_ground(6.0, 12.0, "A1", note="tie to the first walk"))
    for n, (east, north) in enumerate(HOUSE, start=1):
        stops.append(on_ground(east, north, f"H{n}", "ticket_house", "building"))
    for n, (east, north) in enumerate(
        round_about(ISLAND_CENTRE, ISLAND_RADIUS, [200.0, 272.0, 344.0, 56.0, 128.0]), start=1
    ):
        stops.append(on_ground(east, north, f"D{n}", "island", "setts", segment="circle"))
    for n, east in enumerate([8.0, 19.0, 29.0, 40.0, 50.0], start=1):
        low = on_ground(east, 10.15, f"K{n}", "kerb_bottom", "kerb_bottom")
        stops.append(low)
    for n, east in enumerate([50.0, 40.0, 29.0, 19.0, 8.0], start=1):
        stops.append(on_ground(east, 10.0, f"T{n}", "kerb_top", "kerb_top"))
    walk = ("access_walk", "walk")
    for n, (east, north) in enumerate([(14.0, 10.6), (14.0, 12.8), (14.0, 15.0), (14.0, 16.9)]):
        stops.append(on_ground(east, north, f"W{n + 1}", *walk))
    stops.append(on_ground(*CORNER[0], "A2", note="tie to the first walk"))
    stops += [B2, B1]
    return Walk("R2", tuple(stops))


def run_three() -> Walk:
    """Walk the slipway, the fence with its gate, the car park above the kerb."""
    stops = [B1, B2]
    stops.append(on_ground(52.0, shore(52.0), "A5", note="tie to the first walk"))
    for n, (east, north) in enumerate(SLIPWAY, start=1):
        stops.append(on_ground(east, north, f"L{n}", "slipway", "concrete"))
    stops.append(on_ground(24.5, 36.0, "S16"))
    stops.append(on_ground(24.5, 33.0, "S17"))
    stops.append(on_ground(6.0, shore(6.0), "A6", note="tie to the first walk"))
    fence = ("fence", "fence")
    stops.append(on_ground(3.0, 2.0, "F1", *fence))
    stops.append(on_ground(17.0, 1.5, "F2", *fence))
    stops.append(on_ground(22.0, 1.5, "F3", *fence, segment="gap", note="gate"))
    stops.append(on_ground(54.0, 3.0, "F4", *fence, segment="line"))
    stops.append(on_ground(53.5, 9.0, "S19"))
    for n, (east, north) in enumerate(
        [
            (41.2, 5.6),
            (39.5, 6.6),
            (39.4, 4.0),
            HOLLOW,
            (36.6, 4.1),
            (36.5, 6.4),
            (34.6, 5.1),
            (38.2, 8.2),
            (30.0, 5.0),
        ],
        start=20,
    ):
        stops.append(on_ground(east, north, f"S{n}"))
    stops += [B1, B2]
    return Walk("R3", tuple(stops))


def true_measures() -> list[dict[str, str]]:
    """Areas and lengths of the true shapes, ground metres."""
    walks = {w.run: w for w in (run_one(), run_two(), run_three())}
    ring = [(s.east, s.north) for s in walks["R1"].stops if s.feature == "apron"]
    chord_ring = np.array([p for p in ring if p != CORNER[1]])
    segment = CORNER_RADIUS**2 * (math.pi / 2 - 1.0) / 2  # arc of 90 degrees beyond its chord
    apron = _shoelace(chord_ring) + segment
    house, island = _shoelace(np.array(HOUSE)), math.pi * ISLAND_RADIUS**2
    measures = [
        ("apron", "area_m2", apron),
        ("apron", "net_area_m2", apron - house - island),
        ("ticket_house", "area_m2", house),
        ("island", "area_m2", island),
        ("island", "perimeter_m", 2 * math.pi * ISLAND_RADIUS),
        ("slipway", "area_m2", _shoelace(np.array(SLIPWAY))),
        ("kerb_bottom", "length_m", 42.0),
        ("access_walk", "length_m", 6.3),
    ]
    return [{"feature": f, "measure": m, "value": f"{v:.4f}"} for f, m, v in measures]


def _shoelace(ring: np.ndarray) -> float:
    east, north = ring.T
    return float(abs(east @ np.roll(north, -1) - north @ np.roll(east, -1)) / 2)


def combined_factor() -> float:
    """Map metres per ground metre: grid scale factor times R / (R + h)."""
    from pyproj import CRS as ProjCRS
    from pyproj import Proj

    projection = Proj(CRS)
    lon, lat = projection(*ORIGIN, inverse=True)
    scale = projection.get_factors(lon, lat).meridional_scale
    ellipsoid = ProjCRS(CRS).ellipsoid
    assert ellipsoid is not None
    e2 = 1 - (ellipsoid.semi_minor_metre / ellipsoid.semi_major_metre) ** 2
    w2 = 1 - e2 * math.sin(math.radians(lat)) ** 2
    radius = ellipsoid.semi_major_metre * math.sqrt(1 - e2) / w2  # Gaussian mean radius
    return scale * radius / (radius + LEVEL)


def to_map(east: float, north: float, factor: float) -> tuple[float, float]:
    return ORIGIN[0] + factor * east, ORIGIN[1] + factor * north


def write_parcels(path: Path, factor: float) -> None:
    """Write an invented parcel map whose lines are not square to the apron."""
    import os

    import fiona

    parcels = {
        "101/1": [(-4, -6), (57, -4.5), (58.5, 10.4), (-3, 9.6)],
        "101/2": [(-3, 9.6), (58.5, 10.4), (57.5, 30.9), (-2.5, 31.2)],
        "Lake": [(-2.5, 31.2), (57.5, 30.9), (58, 55), (-3, 55)],
    }
    uses = {"101/1": "car park", "101/2": "landing", "Lake": "water"}
    schema = {"geometry": "Polygon", "properties": {"parcel": "str:20", "use": "str:40"}}
    path.unlink(missing_ok=True)
    stamp = {"OGR_CURRENT_DATE": "2026-04-12T00:00:00.000Z"}
    os.environ.pop("PROJ_DATA", None)
    with (
        fiona.Env(**stamp),
        fiona.open(
            path, "w", driver="GPKG", layer="parcels", schema=schema, crs=CRS, VERSION="1.2"
        ) as sink,
    ):
        for name, ring in parcels.items():
            corners = [to_map(e, n, factor) for e, n in [*ring, ring[0]]]
            sink.write(
                {
                    "type": "Feature",
                    "geometry": {"type": "Polygon", "coordinates": [corners]},
                    "properties": {"parcel": name, "use": uses[name]},
                }
            )


def main() -> None:
    walks = (run_one(), run_two(), run_three())
    rows = field_book_rows(walks, NOISE, np.random.default_rng(SEED))
    write_csv(HERE / "field_book.csv", COLUMNS, rows)
    factor = combined_factor()
    truth = []
    for walk in walks:
        for stop in walk.stops:
            easting, northing = to_map(stop.east, stop.north, factor)
            place = {"run": walk.run, "point": stop.point, "feature": stop.feature}
            place |= {"easting": f"{easting:.4f}", "northing": f"{northing:.4f}"}
            truth.append(place | {"elevation": f"{stop.up:.4f}"})
    write_csv(HERE / "truth.csv", tuple(truth[0]), truth)
    measures = true_measures()
    write_csv(HERE / "truth_features.csv", tuple(measures[0]), measures)
    write_parcels(HERE / "parcels.gpkg", factor)
    for mark in (B1, B2):
        easting, northing = to_map(mark.east, mark.north, factor)
        print(f"{mark.point}: easting {easting:.3f}, northing {northing:.3f}, {mark.up:.3f}")


if __name__ == "__main__":
    main()
