"""The chains of README's cookbook, word for word, one after the other in one folder."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
import tifffile
from cli_runner import ROOT, geosite
from quick_landing import quick_samples

pytestmark = pytest.mark.slow

WHOLE = (ROOT / "README.md").read_text(encoding="utf-8")
README = WHOLE.split("## More from the same command")[1]
COOKBOOK = {
    title: [shlex.split(line)[1:] for line in block.strip().splitlines()]
    for title, block in re.findall(r"\*\*([^*]+)\*\*[^`]*```sh\n(.*?)```", README, re.DOTALL)
}


def test_the_cookbook_has_five_chains() -> None:
    assert len(COOKBOOK) == 5
    assert all(2 <= len(chain) <= 3 for chain in COOKBOOK.values())


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cookbook")
    quick_samples(folder)
    return folder


@pytest.mark.parametrize("title", COOKBOOK)
def test_the_chains_of_the_cookbook_run(
    title: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    for call in COOKBOOK[title]:
        ran = geosite(*call)
        assert ran.status == 0, ran.err
        if call[0] == "execute":
            for made in json.loads(ran.out).values():
                assert Path(made["href"]).is_file()


def test_what_the_first_chain_says_is_so(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Contributing area is known where elevations are, and the lowest tenth gathers the most."""
    monkeypatch.chdir(place)
    if not Path("water").is_dir():  # made already where the chains ran before
        for call in COOKBOOK["From the walk to where the rain goes"]:
            assert geosite(*call).status == 0
    ground = tifffile.imread("map/elevation.tif", level=0)
    area = tifffile.imread("water/contributing_area.tif", level=0)
    known = ground != -9999
    assert ((area == -9999) == ~known).all()
    # low ground gathers more than high ground
    low, high = np.percentile(ground[known], [10, 90])
    assert area[known & (ground < low)].mean() > area[known & (ground > high)].mean()


def test_the_way_there_and_back_runs(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Build with a design, set out, compare what was built and what has changed."""
    monkeypatch.chdir(place)
    part = WHOLE.split("## There and back")[1].split("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", part, re.DOTALL)
    calls = [shlex.split(line)[1:] for block in blocks for line in block.strip().splitlines()]
    assert [call[1] for call in calls[1:]] == ["set-out", "compare-design", "compare-surveys"]
    for call in calls:
        ran = geosite(*call)
        assert ran.status == 0, ran.err
    for made in ("landing/design_boarding.tif", "stakes/slip.pdf", "stakes/phone.html"):
        assert Path(made).is_file()
    assert Path("built/deviations.csv").is_file()
    assert Path("change/difference.tif").is_file()
    # the sheets that make_pictures.py takes README's pictures from
    for made in ("landing/plan.pdf", "built/as_built_plan.pdf", "change/change_plan.pdf"):
        assert Path(made).is_file()


def test_the_pictures_of_the_readme_are_there() -> None:
    pictures = re.findall(r"sample_data/ferry_landing/pictures/(\w+\.png)", WHOLE)
    folder = ROOT / "sample_data" / "ferry_landing" / "pictures"
    assert sorted(pictures) == sorted(path.name for path in folder.iterdir())
