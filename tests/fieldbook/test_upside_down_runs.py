"""A run whose z lost its sign, by the marks that it shares with others."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.upside_down_runs import upside_down, upside_down_findings

LANDING = Path(__file__).parents[2] / "sample_data" / "ferry_landing" / "field_book.csv"
#: Four corners and two marks inside, 0.6 m of relief over 20 m.
PLACES = [(0, 0, 0.0), (20, 0, 0.31), (20, 12, -0.28), (0, 12, 0.12), (8, 5, -0.14), (13, 8, 0.26)]


def walked(*signs: float, relief: float = 1.0, misclosure: float = 0.02, marks: int = 6) -> str:
    rows = ["run,point,x,y,z"]
    for r, sign in enumerate(signs, start=1):
        turn = 0.7 * r
        way = [*range(marks), 0]
        for step, k in enumerate(way):
            x, y, z = PLACES[k]
            up = sign * relief * z + misclosure * step / len(way) * (1 if r % 2 else -1)
            east = x * math.cos(turn) - y * math.sin(turn)
            north = x * math.sin(turn) + y * math.cos(turn)
            rows.append(f"R{r},A{k},{east:.3f},{north:.3f},{up + 0.5 * r:.3f}")
    return "\n".join(rows)


@pytest.mark.parametrize(
    ("signs", "runs"),
    [((1, -1), (0, 1)), ((1, 1, -1), (2,)), ((-1, 1, 1, 1), (0,)), ((1, 1, 1), ()), ((1,), ())],
)
def test_the_run_that_mirrors_the_others_is_named(
    signs: tuple[float, ...], runs: tuple[int, ...]
) -> None:
    found = upside_down(book_from_text(walked(*signs)))
    assert tuple(one.run for one in found) == runs


@pytest.mark.parametrize(
    "doubt", [{"relief": 0.1}, {"misclosure": 0.5}, {"marks": 3}], ids=["flat", "noisy", "few"]
)
def test_what_may_be_noise_is_not_said(doubt: dict[str, float]) -> None:
    assert not upside_down(book_from_text(walked(1, -1, **doubt)))  # type: ignore[arg-type]


def test_a_run_of_the_sample_with_its_z_downwards_is_noticed() -> None:
    rows = [line.split(",") for line in LANDING.read_text("utf-8").splitlines()]
    assert not upside_down_findings(book_from_text("\n".join(map(",".join, rows))))
    for row in rows[1:]:
        if row[0] == "R3":
            row[4] = f"{-float(row[4])}"
    (found,) = upside_down_findings(book_from_text("\n".join(map(",".join, rows))))
    assert found.text.startswith("Heights of run R3 mirror those of the other runs: at the 4 marks")
    assert found.line == 80
