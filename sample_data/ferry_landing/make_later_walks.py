"""Make what came after the survey of the sample site: a design, and the walk that sets it out.

Everything is invented and simulated. Run it from anywhere after make_site.py:

    python sample_data/ferry_landing/make_later_walks.py

It writes, the same bytes every time:

- design_points.csv: corners of a boarding pad and a bollard, in map coordinates,
- today.csv: the walk of the day of setting out: both baseline marks, twice.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from make_site import B1, B2, NOISE, combined_factor, to_map  # noqa: E402
from walk_simulator import Walk, field_book_rows, write_csv  # noqa: E402

SEED = 20260511

PAD = [(20.0, 26.0), (28.0, 26.0), (28.0, 30.5), (20.0, 30.5)]
PAD_LEVEL = 402.22  # along its south side
PAD_FALL = 0.015  # to the north
BOLLARD = (24.0, 29.0)


def pad_level(north: float) -> float:
    """Design elevation of the boarding pad, metres."""
    return PAD_LEVEL - PAD_FALL * (north - PAD[0][1])


def design_points() -> list[dict[str, str]]:
    factor = combined_factor()
    named = [(f"C{n}", place) for n, place in enumerate(PAD, start=1)] + [("BO", BOLLARD)]
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


if __name__ == "__main__":
    main()
