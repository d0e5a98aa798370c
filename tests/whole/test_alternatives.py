"""Alternatives: each choice comes to what a build with that design alone comes to."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from cli_runner import Ran, geosite
from quick_landing import draw_nothing, quick_landing, take_coarse_cells

pytestmark = pytest.mark.slow

EAST = """
[designs.east]
title = "Boarding pad, east"
{shared}
[designs.east.pads.pad]
points = [
  [512325.991, 5276122.988], [512331.987, 5276122.988],
  [512331.987, 5276128.486], [512325.991, 5276128.486],
]
elevation = 402.30
code = "pad"
"""
SHARED = 'alternative_for = "boarding place"'


def built(folder: Path, west: str | None, east: str | None) -> Ran:
    """Build the landing with one or two pads, each with a line of its own in the site file."""
    site = quick_landing(folder / "site")
    take_coarse_cells(site)
    draw_nothing(site)
    text = site.read_text("utf-8")
    head, design = text.split("[designs.boarding]", 1)
    design, prices = design.split("[prices]", 1)
    first = "" if west is None else f"[designs.boarding]\n{west}{design}"
    if west is None:  # nothing is left that has these codes
        prices = prices.split("[prices.codes.edging]")[0] + (
            "[prices.cut]" + prices.split("[prices.cut]")[1]
        )
    second = "" if east is None else EAST.format(shared=east)
    site.write_text(f"{head}{first}{second}\n[prices]{prices}", "utf-8")
    return geosite("build", site, "--out", folder / "out")


def report(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "out" / "report.json").read_text("utf-8"))
    return found


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("both")
    done = built(folder, SHARED, SHARED)
    assert done.status == 0, done.err
    assert "only one of boarding, east is built" in done.out + done.err
    return folder


@pytest.mark.parametrize(("alone", "west", "east"), [("boarding", "", None), ("east", None, "")])
def test_a_choice_comes_to_what_that_design_alone_comes_to(
    both: Path, tmp_path: Path, alone: str, west: str | None, east: str | None
) -> None:
    done = built(tmp_path, west, east)
    assert done.status == 0, done.err
    expected = report(tmp_path)["cost"]
    choices = {one["built"][0]: one["cost"] for one in report(both)["alternatives"]}
    assert set(choices) == {"boarding", "east"}
    found = choices[alone]
    for name in ("total", "total_low", "total_high"):
        assert found[name] == pytest.approx(expected[name], abs=0.02)
    # what is ordered then, too
    (order,) = [r for r in rows(tmp_path / "out" / "quantities.csv") if r["code"] == "asphalt"][1:]
    told = [r for r in rows(both / "out" / "alternatives.csv") if r["kind"] == "order"]
    (line,) = [r for r in told if r["built"] == alone]
    assert float(line["order"]) == pytest.approx(float(order["order_volume_m3"]), rel=1e-9)


def test_no_sum_holds_two_alternatives(both: Path) -> None:
    found = report(both)
    assert found["cost"] is None
    # the take-off alone: nothing of the apron is taken off before one is chosen
    (total,) = [r for r in rows(both / "out" / "quantities.csv") if r["code"] == "asphalt"][1:]
    assert total["replaced_area_m2"] == ""


def test_designs_on_the_same_ground_are_said_to_be_counted_twice(tmp_path: Path) -> None:
    done = built(tmp_path, "", "")
    assert done.status == 0, done.err
    # the pads share 2.0 m by 2.5 m
    texts = [f["text"] for f in report(tmp_path)["findings"] if f["code"] == "designs-overlap"]
    assert [text[:57] for text in texts] == [
        "Designs boarding and east lie on 5.0 m2 of the same groun"
    ]


def test_a_design_that_is_no_alternative_to_any_is_refused(tmp_path: Path) -> None:
    done = built(tmp_path, SHARED, "")
    assert done.status == 2
    said = " ".join((done.out + done.err).split())
    assert '[designs.boarding]: no other design has alternative_for = "boarding place"' in said
    assert not (tmp_path / "out").exists()
