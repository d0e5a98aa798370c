"""Make the tiny sample in feet: an invented jetty head, one run, one mark and a grid azimuth.

python sample_data/jetty_feet/make_site.py
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from walk_simulator import COLUMNS, Noise, Stop, Walk, field_book_rows, write_csv  # noqa: E402

FOOT = 0.3048


def at(east_ft: float, north_ft: float, point: str, feature: str = "", code: str = "") -> Stop:
    """Return a stop on a deck that falls 1.5 % to the east, from feet."""
    up_ft = 30.0 - 0.015 * east_ft
    return Stop(east_ft * FOOT, north_ft * FOOT, up_ft * FOOT, point, feature, code)


def main() -> None:
    deck = ("deck", "planks")
    walk = Walk(
        "R1",
        (
            at(0, 0, "P1"),
            at(24, 18, "P2"),
            at(5, 20, "D1", *deck),
            at(35, 20, "D2", *deck),
            at(35, 44, "D3", *deck),
            at(5, 44, "D4", *deck),
            at(20, 32, "S1"),
            at(0, 0, "P1"),
            at(24, 18, "P2"),
        ),
    )
    rows = field_book_rows([walk], Noise(), np.random.default_rng(7), unit_m=FOOT, decimals=2)
    write_csv(HERE / "field_book.csv", COLUMNS, rows)


if __name__ == "__main__":
    main()
