"""Walk the small sites whose outputs are approved: python tests/approved/make_walks.py

Everything is invented and simulated. Writes the field books below tests/approved/sites, the
parcels, the ground before and the background of the quay; the site files, and what says in which
CRS the ground before is, are written by hand.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent / "sites"
sys.path.insert(0, str(HERE.parents[2] / "sample_data"))

from walk_simulator import COLUMNS, Noise, Stop, Walk, field_book_rows, write_csv  # noqa: E402

NOISE = Noise(constant=0.004, per_sqrt_metre=0.003)
FACTOR = 0.99955
"""Map metres per ground metre, near enough for what lies on the map beside the walks."""
QUAY = (512_640.0, 5_276_400.0)

Places = Mapping[str, tuple[float, float]]


def quay_ground(east: float, north: float) -> float:
    """Falls north to the water, sunk in one place, dished at an inlet; the kerb is at north 2."""
    up = 402.60 - 0.018 * north + 0.003 * east
    if north < 2.05:
        up += 0.12
    up -= 0.09 * math.exp(-((math.hypot(east - 19, north - 12) / 2.0) ** 2))
    up -= 0.08 * math.exp(-((math.hypot(east - 14, north - 5) / 1.8) ** 2))
    return up


def quay_built(east: float, north: float) -> float:
    """The ground after the turning pad was built, its east side 12 cm low."""
    ground = quay_ground(east, north)
    if 16 <= east <= 22 and 8 <= north <= 13:
        return 402.55 - 0.02 * (north - 8) - 0.12 * (east > 20)
    return ground


def on(ground, east: float, north: float, point: str = "", feature: str = "", code: str = "",
       segment: str = "", note: str = "", lift: float = 0.0) -> Stop:  # fmt: skip
    return Stop(east, north, ground(east, north) + lift, point, feature, code, segment, note)


def along(ground, feature: str, code: str, places: Places, lift: float = 0.0) -> list[Stop]:
    return [on(ground, *place, name, feature, code, lift=lift) for name, place in places.items()]


def quay() -> list[Walk]:
    g = quay_ground
    ends = [on(g, 1.0, 1.0, "B1"), on(g, 26.0, 1.5, "B2")]
    apron = ("apron", "asphalt")
    first = [
        *ends,
        on(g, 2, 2.1, "A1", *apron),
        on(g, 21, 2.1, "A2", *apron, "line"),
        on(g, 23.1, 3.0, "A3", *apron, "arc", "round corner"),
        on(g, 24, 5.1, "A4", *apron, "arc"),
        on(g, 24, 16, "A5", *apron, "line"),
        *(on(g, east, 16 + 0.3 * math.sin(east), "", *apron, "stream") for east in (20, 16, 12, 8)),
        on(g, 2, 16, "A6", *apron, "stream"),
        on(g, 14, 5, "I1", "inlet_west", "inlet"),
        *(on(g, *place, f"S{n}") for n, place in enumerate(SPOTS, start=1)),
        *ends,
    ]
    second = [
        *reversed(ends),
        on(g, 2, 2.1, "A1", note="tie to the first walk"),
        *along(g, "store", "building",
               {"H1": (4, 8), "H2": (9, 8), "H3": (9, 13), "H4": (4, 13)}),
        *(on(g, 20 + 1.4 * math.cos(a), 5 + 1.4 * math.sin(a), f"D{n}", "island", "setts",
             "circle") for n, a in enumerate((0.3, 1.7, 3.1, 4.6), start=1)),
        *along(g, "kerb_foot", "kerb_foot", {"K1": (3, 2.1), "K2": (13, 2.1), "K3": (22, 2.1)}),
        *along(g, "kerb_top", "kerb_top", {"T3": (22, 2.0), "T2": (13, 2.0), "T1": (3, 2.0)}),
        on(g, 24, 16, "A5", note="tie to the first walk"),
        *reversed(ends),
    ]  # fmt: skip
    third = [
        *ends,
        *along(g, "walk", "walk", {"W1": (11, 3), "W2": (11, 8), "W3": (11, 12), "W4": (12, 15)}),
        *along(g, "ditch", "gutter", {"G1": (2.5, 15), "G2": (12, 14.6), "G3": (23, 15)}),
        *along(g, "wall", "wall", {"V1": (25, 4), "V2": (25, 10), "V3": (25, 15)}, 0.4),
        on(g, 0, 0, "F1", "fence", "fence"),
        on(g, 8, 0, "F2", "fence", "fence"),
        on(g, 11, 0, "F3", "fence", "fence", "gap", "gate"),
        on(g, 27, 0, "F4", "fence", "fence"),
        on(g, 23, 14, "O1", "bollard_1", "bollard", lift=0.9),
        on(g, 13, 14, "O2", "bollard_2", "bollard", lift=0.9),
        on(g, 21, 14.5, "I2", "inlet_east", "inlet"),
        on(g, 2, 16, "A6", note="tie to the first walk"),
        *ends,
    ]
    return [Walk("R1", tuple(first)), Walk("R2", tuple(second)), Walk("R3", tuple(third))]


SPOTS = [(19, 12), (17, 12), (21, 12), (19, 10), (19, 14), (22, 9), (16, 9), (12, 6), (16, 4),
         (6, 5), (3, 10), (6, 15), (11, 11), (22, 7)]  # fmt: skip

PAD = {"1": (16, 8), "2": (22, 8), "3": (22, 13), "4": (16, 13)}


def quay_later() -> list[Walk]:
    g = quay_built
    ends = [on(g, 1.0, 1.0, "B1"), on(g, 26.0, 1.5, "B2")]
    pad = {name: (e + 0.35 * (name == "3"), n) for name, (e, n) in PAD.items()}
    spots = {f"S{n}": p for n, p in enumerate(SPOTS, 1) if n in (6, 8, 9, 10, 11, 12, 13, 14)}
    pushed = {"A6": (2.12, 15.9)}
    return [
        Walk(
            "R7",
            (
                *ends,
                *along(g, "", "", {"A1": (2, 2.1), "A5": (24, 16), **spots, **pushed}),
                *along(g, "pad", "pad", pad),
                *along(g, "", "", {"P1": (18, 9), "P2": (20.5, 9), "P3": (20, 12), "P4": (17, 12)}),
                *along(g, "", "", {"U1": (15, 7), "U2": (23, 7.5), "U3": (23, 13.5)}),
                *along(g, "", "", {"U4": (15.2, 14), "U5": (19, 14.2), "U6": (24, 10)}),
                *along(g, "rail", "edging", {"E1": (16, 13), "E2": (22, 13)}),
                *ends,
            ),
        )
    ]  # fmt: skip


def pier_ground(east: float, north: float) -> float:
    """A ramp up to the deck of a pier, with a landing on the way; metres."""
    if 4 <= east <= 6 and north >= 2:
        up = 10.0 + 0.08 * (min(north, 8.0) - 2) + 0.08 * max(0.0, north - 9.6)
        return up + 0.01 * (east - 5)
    return 10.0 + 0.05 * max(0.0, 2 - north) + 0.02 * east + 0.06 * max(0.0, north - 2)


def pier() -> list[Walk]:
    g = pier_ground
    ends = [on(g, 0, 0, "P1"), on(g, 12, 1, "P2")]
    norths = (2.0, 5.0, 8.0, 9.6, 12.0, 15.0)
    middle = {f"R{n}": (5.0, north) for n, north in enumerate(norths, 1)}
    west = {f"L{n}": (4.02, north) for n, north in enumerate(norths, 1)}
    east = {f"M{n}": (5.98, north) for n, north in enumerate(norths, 1)}
    first = [
        *ends,
        *along(g, "ramp", "way", middle),
        *along(g, "ramp_west", "edge", west),
        *along(g, "ramp_east", "edge", east),
        *along(g, "", "", {"X1": (3.2, 2), "X2": (6.8, 2), "Y1": (4.4, 16.4), "Y2": (5.6, 16.4)}),
        *along(g, "", "", {"G1": (5, 1.2)}),
        *ends,
    ]  # fmt: skip
    second = [
        *reversed(ends),
        *along(g, "deck", "planks",
               {"D1": (7, 4), "D2": (13, 4), "D3": (13, 10), "D4": (7, 10)}),
        *along(g, "shed", "dwelling",
               {"Q1": (9, 10.03), "Q2": (13.02, 10), "Q3": (13, 13), "Q4": (9, 13)}),
        *along(g, "mast", "mast", {"N1": (8, 5)}),
        *along(g, "", "", {f"S{n}": p for n, p in enumerate(
            [(9, 6), (11, 8), (10, 5), (2, 6), (2, 12), (8, 15), (14, 7), (1, 16), (15, 14)], 1)}),
        on(g, 5.0, 15.0, "R6", note="tie"),
        *reversed(ends),
    ]  # fmt: skip
    return [Walk("early", tuple(first)), Walk("late", tuple(second))]


def open_run() -> list[Walk]:
    """Lines alone, by a walk that does not come back, of a device of which nothing is said."""
    g = quay_ground
    return [
        Walk(
            "one",
            (
                on(g, 0, 0, "C1"),
                on(g, 30, 2, "C2"),
                *along(g, "rope", "rope", {"L1": (30, 8), "L2": (18, 9), "L3": (6, 12)}),
                *along(g, "buoys", "", {"Y1": (5, 20), "Y2": (12, 22), "Y3": (9, 27)}),
            ),
        )
    ]


def to_map(east: float, north: float) -> list[float]:
    return [round(QUAY[0] + FACTOR * east, 3), round(QUAY[1] + FACTOR * north, 3)]


def layer(path: Path, kind: str, shapes: Mapping[str, Iterable[tuple[float, float]]]) -> None:
    features = []
    for name, places in shapes.items():
        corners = [to_map(*place) for place in places]
        shape = [[*corners, corners[0]]] if kind == "Polygon" else corners
        features.append(
            {
                "type": "Feature",
                "properties": {"parcel": name},
                "geometry": {"type": kind, "coordinates": shape},
            }
        )
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
    whole = {"type": "FeatureCollection", "crs": crs, "features": features}
    path.write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")


def ground_before(path: Path) -> None:
    """A raster of the ground before, 8 cm lower, as text."""
    cells = [
        [f"{quay_ground(e + 0.5, n - 0.5) - 0.08:.3f}" for e in range(-3, 30)]
        for n in range(20, -3, -1)
    ]
    head = (
        f"ncols 33\nnrows 23\nxllcorner {QUAY[0] - 3}\nyllcorner {QUAY[1] - 3}\ncellsize 1\n"
        "NODATA_value -9999\n"
    )
    path.write_text(head + "\n".join(map(" ".join, cells)) + "\n", encoding="utf-8")


def heights(path: Path) -> None:
    """Spot heights on the map, for the processes that start from points."""
    places = [*SPOTS, (1, 1), (26, 1.5), (26, 15), (1, 15), (14, 5), (9, 8)]
    rows = []
    for place in places:
        easting, northing = to_map(*place)
        rows.append(
            {
                "easting": f"{easting}",
                "northing": f"{northing}",
                "elevation": f"{quay_ground(*place):.3f}",
            }
        )
    write_csv(path, ("easting", "northing", "elevation"), rows)


def book(folder: str, walks: list[Walk], seed: int, unit_m: float = 1.0) -> None:
    rows = field_book_rows(walks, NOISE, np.random.default_rng(seed), unit_m=unit_m)
    write_csv(HERE / folder / "field_book.csv", COLUMNS, rows)


def main() -> None:
    book("quay", quay(), 1)
    book("quay/later", quay_later(), 2)
    book("pier", pier(), 3, 1200 / 3937)
    book("open", open_run(), 4)
    layer(
        HERE / "quay" / "parcels.geojson",
        "Polygon",
        {"12/1": [(-2, -2), (28, -2), (28, 2.5), (-2, 2.0)],
         "12/2": [(-2, 2.0), (28, 2.5), (28, 16.1), (-2, 16.4)],
         "Harbour": [(-2, 16.4), (28, 16.1), (28, 24), (-2, 24)]},
    )  # fmt: skip
    layer(
        HERE / "quay" / "streets.geojson",
        "LineString",
        {"street": [(-4, -1), (12, 0.6), (30, -1.2)], "rail": [(-4, 15.5), (30, 17)]},
    )
    bow = [(14 + 3 * math.cos(k / 6), 8 + 3 * math.sin(k / 6)) for k in range(10)]
    axis = {"axis": [(4, 5), (10, 6), (15, 11)], "bow": bow}
    layer(HERE / "quay" / "axis.geojson", "LineString", axis)
    layer(HERE / "quay" / "patch.geojson", "Polygon", {"patch": [(12, 6), (15, 7), (16, 11)]})
    ground_before(HERE / "quay" / "before.asc")
    heights(HERE / "quay" / "heights.csv")
    visits = [Walk("today", 2 * quay()[0].stops[:2])]
    write_csv(
        HERE / "quay" / "today.csv",
        COLUMNS[:5],
        [
            {column: row[column] for column in COLUMNS[:5]}
            for row in field_book_rows(visits, NOISE, np.random.default_rng(5))
        ],
    )
    for name, (east, north) in {"B1": (1.0, 1.0), "B2": (26.0, 1.5), **PAD}.items():
        print(name, *to_map(east, north), round(quay_ground(east, north), 3))


if __name__ == "__main__":
    main()
