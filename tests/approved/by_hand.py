"""A yard whose answers can be worked out by hand, and what is asked of it that it cannot answer."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from approved.told import folder_told
from approved.yard_changed import walked_again, wrong_designs

__all__ = ["worked_out"]

REST = (
    *("*.q*", "*.sld", "s*.pdf", "t*.pdf", "plan.svg", "*.tif", "*.x*", "*.png"),
    *("READ_FIRST.txt", "MANIFEST.json", "points.csv", "control.csv", "residuals.csv"),
    *("edges.csv", "quantities.csv"),
)
"""Patterns of files that other cases tell."""

TOLERANCES = "[tolerances.slab]\nplan = 0.02\nheight = 0.02\n"
LIMITS = """
[unknown_key]
title = "Rule"
walking = { percent = 2 }
[no_title]
running = { percent = 2 }
[number_for_table]
title = "Rule"
running = 2
[word_for_number]
title = "Rule"
running = { percent = "two" }
[number_for_word]
title = 3
[ratio_in_no_quotes]
title = "Rule"
running = { ratio = 20 }
[unknown_key_inside]
title = "Rule"
running = { grade = 2 }
[neither_ratio_nor_percent]
title = "Rule"
running = { section = "1" }
[steeper_than_none]
title = "Rule"
steeper = "stairs"
"""


def worked_out(said: Callable[..., str]) -> dict[str, str]:
    """Designs of a file, of a raster and of marks; deviations; what is refused."""
    texts = {"terminal.txt": said("build", "yard/site.toml", "--out", "out")}
    texts |= folder_told(Path("out"), REST)
    # what is asked on its own needs neither prices nor parcels nor designs
    whole, bare = Path("yard/site.toml").read_text(encoding="utf-8"), Path("yard/bare.toml")
    survey, _, rest = whole.partition("[prices]")
    lines = "[grades]" + rest.partition("[grades]")[2].partition("[parcels]")[0]
    bare.write_text(survey + lines + TOLERANCES, encoding="utf-8")
    site = ("--site", str(bare))
    told = said("execute", "compare-design", *site, "--design", "yard/as_designed.geojson",
                "--out", "as_built")  # fmt: skip
    texts["deviations.csv"] = folder_told(Path("as_built"), REST)["deviations.csv.txt"]
    for name in ("feet", "raised", "elsewhere", "swapped", "without"):
        told += said("execute", "set-out", *site, "--design", "yard/plinth.geojson",
                     "--walk", f"yard/today_{name}.csv", "--out", name)  # fmt: skip
    told += _other_designs(said, site)
    told += said("execute", "set-out", *site, "--design", "yard/far.geojson", "--out", "far")
    told += said("execute", "compare-design", *site, "--design", "yard/far.geojson", "--out", "far")
    texts["asked.txt"] = told
    texts |= {"limits.txt": _limits(said), "wrong_designs.txt": wrong_designs(said)}
    return texts | walked_again(said)


def _other_designs(said: Callable[..., str], site: tuple[str, ...]) -> str:
    """A design that is high all over, and designs that another site file holds or does not."""
    drawn = json.loads(Path("yard/as_designed.geojson").read_text(encoding="utf-8"))
    drawn["features"] = [one for one in drawn["features"] if one["properties"]["name"] != "S4"]
    Path("yard/high.geojson").write_text(json.dumps(drawn), encoding="utf-8")
    elsewhere = Path("yard/site.toml").read_text(encoding="utf-8").replace("25832", "25833")
    Path("yard/elsewhere.toml").write_text(elsewhere, encoding="utf-8")
    compare = ("execute", "compare-design", *site, "--design")
    told = said(*compare, "yard/high.geojson", "--out", "high")
    told += folder_told(Path("high"), REST)["deviations.csv.txt"]
    told += said(*compare, "yard/bare.toml", "--out", "no_design")
    told += said(*compare, "yard/site.toml", "--out", "several")
    told += said(*compare, "yard/site.toml", "--name", "none", "--out", "none_such")
    return told + said(*compare, "yard/elsewhere.toml", "--name", "of_file", "--out", "elsewhere")


def _limits(said: Callable[..., str]) -> str:
    """Tables of limits that are wrong in one way each."""
    path = Path("yard/limits.toml")
    right = path.read_text(encoding="utf-8")
    path.write_text(LIMITS, encoding="utf-8")
    told = said("execute", "check-grades", "--site", "yard/bare.toml", "--out", "grades")
    path.write_text(right, encoding="utf-8")
    return told
