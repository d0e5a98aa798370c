"""The command that tells what changed between two surveys, on the sample with known truth."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import rasterio
from cli_runner import FERRY as LANDING
from cli_runner import Ran, geosite
from quick_landing import take_coarse_cells

pytestmark = pytest.mark.slow

BUILT = LANDING / "as_built" / "site.toml"


def run(out: Path, **inputs: object) -> Ran:
    given = {"before": LANDING / "site.toml", "after": BUILT, **inputs}
    words = [
        w for name, value in given.items() for w in (f"--{name.replace('_', '-')}", str(value))
    ]
    return geosite("execute", "compare-surveys", *words, "--out", out)


def rows(path: Path) -> dict[str, dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        found = list(csv.DictReader(stream))
    return {row[next(iter(row))]: row for row in found}


def test_the_mark_that_was_pushed_is_found_and_the_pad_is_seen(tmp_path: Path) -> None:
    done = run(tmp_path / "out")
    assert done.status == 0, done.err
    assert set(json.loads(done.out)) == {
        "displacements", "progress", "change", "difference", "difference_sigma",
        "change_plan", "change_picture",
        "progress_valuation", "progress_paper",
    }  # fmt: skip
    marks = rows(tmp_path / "out" / "displacements.csv")
    assert [n for n, m in marks.items() if m["verdict_plan"] != "stable"] == ["S14"]
    pushed = marks["S14"]
    assert pushed["verdict_plan"] == "moved"
    # it sank by 5 cm: all together are congruent in height, it alone is none that is stable
    assert pushed["verdict_height"] == "undecided"
    for way in ("plan", "height"):
        stable = [m for m in marks.values() if m[f"verdict_{way}"] == "stable"]
        assert min(float(m[f"probability_{way}"]) for m in stable) >= 0.05
    for name, truth in (("east_m", 0.10), ("north_m", -0.066)):
        half = float(pushed[name.replace("_m", "_95_m")])
        assert abs(float(pushed[name]) - truth) < 1.3 * half
    assert "S14 moved" in done.err
    valued = rows(tmp_path / "out" / "progress_valuation.csv")
    assert float(valued["bollard"]["amount_added"]) == 210.0
    assert float(valued[""]["amount_before"]) == 0.0
    pad = rows(tmp_path / "out" / "progress.csv")["pad"]
    assert pad["quantity"] == "volume" or float(pad["before"]) == 0.0
    with rasterio.open(tmp_path / "out" / "difference.tif") as source:
        rise = source.read(1, masked=True)
        place = source.index(512323.99, 5276128.99)  # the bollard, in the middle of the pad
    with rasterio.open(tmp_path / "out" / "difference_sigma.tif") as source:
        sigma = source.read(1, masked=True)
    # the truth there: 402.13 before, 402.242 after the pad was built low
    assert abs(float(rise[place]) - 0.11) < 3 * float(sigma[place])
    assert np.all(sigma.compressed() > 0)
    for name in ("difference", "difference_sigma"):
        assert "colorrampshader" in (tmp_path / "out" / f"{name}.qml").read_text("utf-8")


def test_what_cannot_be_compared_is_one_line(tmp_path: Path) -> None:
    feet = LANDING.parent / "jetty_feet" / "site.toml"
    done = run(tmp_path / "a", after=feet)
    assert (done.status, len(done.err.splitlines())) == (2, 1)
    assert "expected two surveys on one map" in done.err
    done = run(tmp_path / "b", before_date="2026-04-13")
    assert done.status == 2
    assert "no run was walked on 2026-04-13; expected one of the days 2026-04-12" in done.err


def test_two_days_of_one_survey(tmp_path: Path) -> None:
    folder = tmp_path / "site"
    folder.mkdir()
    text = BUILT.read_text("utf-8")
    book = (BUILT.parent / "field_book.csv").read_text("utf-8")
    header, *lines = book.splitlines()
    again = [line.replace("R7,", "R8,", 1) for line in lines]
    (folder / "field_book.csv").write_text("\n".join([header, *lines, *again]) + "\n", "utf-8")
    text += "\n[runs.R7]\ndate = 2026-06-20\n[runs.R8]\ndate = 2026-07-01\n"
    (folder / "site.toml").write_text(text, "utf-8")
    site = folder / "site.toml"
    take_coarse_cells(site)
    done = run(
        tmp_path / "out", before=site, after=site, before_date="2026-06-20", after_date="2026-07-01"
    )
    assert done.status == 0, done.err
    marks = rows(tmp_path / "out" / "displacements.csv")
    assert all(abs(float(m["horizontal_m"])) < 1e-6 for m in marks.values())
    assert {m["verdict_plan"] for m in marks.values()} == {"stable"}


def test_what_was_not_walked_again_is_not_taken_off_unsaid(tmp_path: Path) -> None:
    before, after = tmp_path / "before", tmp_path / "after"
    for folder in (before, after):
        shutil.copytree(BUILT.parent, folder)
        take_coarse_cells(folder / "site.toml")
    before /= "site.toml"
    walked = (after / "field_book.csv").read_text("utf-8")
    (after / "field_book.csv").write_text(walked.replace(",bollard,", ",post,", 1), "utf-8")
    done = run(tmp_path / "out", before=before, after=after / "site.toml")
    assert done.status == 0, done.err
    (told,) = [line for line in done.err.splitlines() if "counts it as gone" in line]
    assert "bollard (bollard)" in told
    same = run(tmp_path / "same", before=before)
    assert "as gone" not in same.err
