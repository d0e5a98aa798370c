"""Walk the invented sites of ``geosite new --starter``, in metres.

python sample_data/make_starters.py
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from walk_simulator import COLUMNS, Noise, Stop, Walk, field_book_rows, write_csv  # noqa: E402

TARGET = HERE.parent / "geosite/fieldbook/starter"
BASELINE = ((0.0, 0.0, "B1"), (2.0, 24.0, "B2"))
"""In the middle of every site; B1 lies where the site files put it."""


def walk(run: str, ground, shapes: Iterable[tuple]) -> Walk:
    """Return a walk that starts and ends on the baseline.

    A shape is (feature, code, [(east, north, point, segment), ...]); a fifth item is the height
    above the ground.
    """
    ends = [Stop(e, n, ground(e, n), p) for e, n, p in BASELINE]
    stops = list(ends)
    for feature, code, marks in shapes:
        for east, north, point, segment, *above in marks:
            up = ground(east, north) + (above[0] if above else 0.0)
            stops.append(Stop(east, north, up, point, feature, code, segment))
    return Walk(run, (*stops, *ends))


def outline(places: Iterable[tuple], letter: str) -> list[tuple]:
    """Return marks named by a letter and their number, with straight lines between."""
    return [
        (east, north, f"{letter}{i}", "line" if i > 1 else "", *above)
        for i, (east, north, *above) in enumerate(places, 1)
    ]


def paved_yard() -> list[Walk]:
    """Apron with a round corner, kerb, inlet and a gate house."""

    def ground(east: float, north: float) -> float:
        return -0.018 * east - 0.006 * north

    first = [
        (
            "apron",
            "asphalt",
            [
                (4, 1, "A1", ""),
                (26, 0.5, "A2", "line"),
                (30.4, 2.2, "A3", "arc"),
                (32, 6.5, "A4", "arc"),
                (31.5, 22, "A5", "line"),
                (5, 23, "A6", "line"),
            ],
        ),
        ("gully", "inlet", [(27, 12, "I1", "")]),
        ("", "", [(12, 8, "G1", ""), (20, 16, "G2", "")]),
    ]
    second = [
        (
            "gate_house",
            "building",
            [(-9, 6, "H1", ""), (-3, 6, "H2", ""), (-3, 11, "H3", ""), (-9, 11, "H4", "")],
        ),
        ("kerb", "kerb", [(4, 24.5, "K1", ""), (17, 24, "K2", ""), (31.5, 23.4, "K3", "")]),
        ("", "", [(-1, 16, "G3", ""), (4, 1, "A1", "")]),
    ]
    return [walk("first", ground, first), walk("second", ground, second)]


def drainage_check() -> list[Walk]:
    """A store house, the ground round it and the ditch that should take the water."""

    def ground(east: float, north: float) -> float:
        return -0.03 * abs(east - 12) - 0.01 * north - 0.25 * max(0.0, north - 18) / 4

    first = [
        (
            "store",
            "building",
            [(7, 4, "H1", ""), (17, 4, "H2", ""), (17, 12, "H3", ""), (7, 12, "H4", "")],
        ),
        (
            "",
            "",
            [
                (east, north, f"G{i}", "")
                for i, (east, north) in enumerate(
                    [(3, 1), (12, 1), (21, 1), (22, 8), (21, 15), (12, 15), (3, 15), (2, 8)], 1
                )
            ],
        ),
    ]
    second = [
        ("ditch", "ditch", [(0, 20, "D1", ""), (12, 21, "D2", ""), (25, 21.5, "D3", "")]),
        ("culvert", "inlet", [(26, 21.6, "C1", "")]),
        ("", "", [(12, 18, "G9", ""), (24, 18, "G10", ""), (12, 1, "G2", "")]),
    ]
    return [walk("house", ground, first), walk("ditch", ground, second)]


def access_ramp() -> list[Walk]:
    """A way to a landing stage: level, ramp, landing, ramp."""

    def ground(east: float, north: float) -> float:
        along = min(max(east - 4.0, 0.0), 9.0) + min(max(east - 14.6, 0.0), 9.0)
        return 0.078 * along + 0.004 * north

    way = [(2, 6), (4, 6), (8.5, 6), (13, 6), (14.6, 6), (19, 6), (23.6, 6), (26, 6)]
    first = [
        (
            "ramp",
            "walk",
            outline(way, "R"),
        ),
    ]
    second = [
        ("", "", [(e, n + 1.5, f"L{i}", "") for i, (e, n) in enumerate(way, 1)]),
        ("", "", [(e, n - 1.5, f"M{i}", "") for i, (e, n) in reversed(list(enumerate(way, 1)))]),
    ]
    return [walk("middle", ground, first), walk("edges", ground, second)]


def stockpile() -> list[Walk]:
    """A heap of gravel on an even yard."""

    def ground(east: float, north: float) -> float:
        return 0.01 * east

    toe = [(6, 6), (14, 4), (22, 6), (25, 12), (21, 19), (13, 21), (6, 18), (4, 12)]
    top = [(11, 10, 3.1), (17, 9.5, 3.3), (18, 14, 3.2), (12, 15, 3.0)]
    first = [
        (
            "heap",
            "gravel",
            outline(toe, "T"),
        ),
    ]
    second = [
        (
            "crest",
            "crest",
            outline(top, "C"),
        ),
        ("", "", [(14.5, 12, "S1", "", 3.5), (9, 9, "S2", "", 1.7), (20, 16, "S3", "", 1.6)]),
    ]
    return [walk("toe", ground, first), walk("top", ground, second)]


def main() -> None:
    kinds = {
        "paved-yard": paved_yard,
        "drainage-check": drainage_check,
        "access-ramp": access_ramp,
        "stockpile": stockpile,
    }
    for seed, (name, made) in enumerate(kinds.items(), 31):
        noise = Noise(0.003, 0.002)
        rows = field_book_rows(made(), noise, np.random.default_rng(seed), decimals=3)
        write_csv(TARGET / f"{name}.csv", COLUMNS, rows)


if __name__ == "__main__":
    main()
