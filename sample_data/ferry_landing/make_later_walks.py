"""Make what came after the survey of the sample site: a design, setting it out, what was built.

Everything is invented and simulated. Run it from anywhere after make_site.py:

    python sample_data/ferry_landing/make_later_walks.py

It writes, the same bytes every time:

- design_points.csv: corners of a boarding pad, numbered as on the sheet of its design, and a
  bollard, in map coordinates,
- today.csv: the second walk, on the day of setting out: both baseline marks, twice,
- as_built/field_book.csv: the third walk, after the pad was built,
- as_built/truth.csv: where its marks really are. One corner of the pad was built 7 cm off and its
  north side 2 cm low; a heavy lorry has pushed mark S14 by 12 cm and down by 5 cm.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from make_site import B1, B2, NOISE, combined_factor, ground, on_ground, to_map  # noqa: E402
from walk_simulator import COLUMNS, Stop, Walk, field_book_rows, write_csv  # noqa: E402

SEED = 20260511

PAD = [(20.0, 26.0), (28.0, 26.0), (28.0, 30.5), (20.0, 30.5)]
PAD_LEVEL = 402.30  # along its south side
PAD_FALL = 0.015  # to the north
BOLLARD = (24.0, 29.0)


def pad_level(north: float) -> float:
    """Design elevation of the boarding pad, metres."""
    return PAD_LEVEL - PAD_FALL * (north - PAD[0][1])


SIDE_SLOPE = 3.0  # one in three
BUILT_OFF = {3: (0.05, -0.05)}  # metres east and north
LOW = 0.02  # metres along the north side
PUSHED = (0.10, -0.066, -0.05)


def built_pad(east: float, north: float) -> float:
    """Elevation of the pad as it was built: low towards the north."""
    (_, south), (_, top) = PAD[0], PAD[2]
    return pad_level(north) - LOW * min(max((north - south) / (top - south), 0.0), 1.0)


def built_ground(east: float, north: float) -> float:
    """Elevation after building: the pad, its side slopes, and the old ground beyond."""
    (west, south), (far, top) = PAD[0], PAD[2]
    edge = (min(max(east, west), far), min(max(north, south), top))
    away = math.dist(edge, (east, north))
    level, old = built_pad(*edge), ground(east, north)
    if away == 0:
        return level
    bank = away / SIDE_SLOPE
    return max(old, level - bank) if level > old else min(old, level + bank)


def on_built(east: float, north: float, point: str = "", feature: str = "", code: str = "") -> Stop:
    return Stop(east, north, built_ground(east, north), point, feature, code)


def run_as_built() -> Walk:
    """Walk old marks, the pad with its bollard, its foot and the ground around."""
    stops = [B1, B2]
    stops.append(on_ground(6.0, 12.0, "A1", note="old mark"))
    old = {"S10": (22.0, 15.0), "S11": (31.0, 15.0), "S15": (14.0, 14.5), "S5": (33.0, 27.5)}
    old |= {"S6": (30.5, 24.0), "S8": (23.5, 24.0), "S9": (27.0, 20.5), "S13": (13.0, 28.0)}
    stops += [on_ground(*place, name, note="old mark") for name, place in old.items()]
    pushed = on_ground(7.5, 20.5)
    stops.append(
        Stop(
            pushed.east + PUSHED[0],
            pushed.north + PUSHED[1],
            pushed.up + PUSHED[2],
            "S14",
            note="old mark",
        )
    )
    for n, (east, north) in enumerate(PAD, start=1):
        off = BUILT_OFF.get(n, (0.0, 0.0))
        place = (east + off[0], north + off[1])
        stops.append(Stop(*place, built_pad(*place), str(n), "pad", "pad"))
    stops.append(Stop(*BOLLARD, built_pad(*BOLLARD), "BO", "bollard", "bollard"))
    for n, place in enumerate([(22.0, 27.5), (26.0, 27.5), (26.0, 29.5), (22.0, 29.5)], start=1):
        stops.append(Stop(*place, built_pad(*place), f"P{n}"))
    foot = [(19.0, 25.0), (24.0, 25.2), (29.0, 25.0), (29.2, 28.0), (29.0, 31.0), (24.0, 31.1)]
    foot += [(19.0, 31.0), (18.8, 28.0), (17.0, 24.0), (31.0, 29.0), (17.0, 30.0)]
    stops += [on_built(*place, f"U{n}") for n, place in enumerate(foot, start=1)]
    stops += [B1, B2]
    return Walk("R7", tuple(stops))


def truth(walk: Walk) -> list[dict[str, str]]:
    factor = combined_factor()
    rows = []
    for stop in walk.stops:
        easting, northing = to_map(stop.east, stop.north, factor)
        rows.append(
            {
                "run": walk.run,
                "point": stop.point,
                "feature": stop.feature,
                "easting": f"{easting:.4f}",
                "northing": f"{northing:.4f}",
                "elevation": f"{stop.up:.4f}",
            }
        )
    return rows


def design_points() -> list[dict[str, str]]:
    factor = combined_factor()
    named = [(str(n), place) for n, place in enumerate(PAD, start=1)] + [("BO", BOLLARD)]
    rows = []
    for name, (east, north) in named:
        easting, northing = to_map(east, north, factor)
        rows.append(
            {
                "point": name,
                "easting": f"{easting:.3f}",
                "northing": f"{northing:.3f}",
                "elevation": f"{pad_level(north):.3f}",
            }
        )
    return rows


def main() -> None:
    points = design_points()
    write_csv(HERE / "design_points.csv", tuple(points[0]), points)
    today = Walk("T1", (B1, B2, B1, B2))
    rows = field_book_rows([today], NOISE, np.random.default_rng(SEED))
    short = ("run", "point", "x", "y", "z")
    write_csv(HERE / "today.csv", short, [{key: row[key] for key in short} for row in rows])
    folder = HERE / "as_built"
    folder.mkdir(exist_ok=True)
    walk = run_as_built()
    rows = field_book_rows([walk], NOISE, np.random.default_rng(SEED + 1))
    write_csv(folder / "field_book.csv", COLUMNS, rows)
    known = truth(walk)
    write_csv(folder / "truth.csv", tuple(known[0]), known)


if __name__ == "__main__":
    main()
