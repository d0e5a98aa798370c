"""The chains of the cookbook, word for word, one after the other in one folder."""

from __future__ import annotations

import json
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile
from cli_runner import FERRY, ROOT, geosite

COOKBOOK = {
    "From the walk to where the rain goes": """
        geosite build sample_data/ferry_landing/site.toml --out map
        geosite execute derive-drainage --elevation map/elevation.tif --method d-infinity \
            --out water
        """,
    "Spot heights from any source: surface, slope, contours": """
        geosite execute interpolate-elevation --points heights.csv --crs EPSG:25832 \
            --cell-size 0.5 --out ground
        geosite execute derive-slope --elevation ground/elevation.tif --unit degree --out ground
        geosite execute trace-contours --elevation ground/elevation.tif --interval 0.25 --out ground
        """,
    "The marks of a walk with another method and another cell": """
        geosite execute interpolate-elevation --points map/site.gpkg --method thin-plate \
            --cell-size 1 --out smooth
        geosite execute derive-slope --elevation smooth/elevation.tif --out smooth
        """,
    "Only the take-off, after a look at the walk": """
        geosite check sample_data/ferry_landing/site.toml
        geosite execute measure-quantities --site sample_data/ferry_landing/site.toml --out takeoff
        """,
    "All sites of a season, sent on with proof": """
        geosite build-many surveys --out maps
        geosite verify maps/yard
        """,
}  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cookbook")
    (folder / "sample_data").symlink_to(ROOT / "sample_data")
    shutil.copy(FERRY / "truth.csv", folder / "heights.csv")
    assert geosite("new", folder / "surveys/yard").status == 0
    return folder


@pytest.mark.parametrize("title", COOKBOOK)
def test_the_chains_of_the_cookbook_run(
    title: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    chain = [shlex.split(line)[1:] for line in COOKBOOK[title].strip().splitlines()]
    if "map/site.gpkg" in COOKBOOK[title] and not Path("map").exists():
        assert geosite("build", "sample_data/ferry_landing/site.toml", "--out", "map").status == 0
    for call in chain:
        ran = geosite(*call)
        assert ran.status == 0, ran.err
        if call[0] == "execute":
            for made in json.loads(ran.out).values():
                assert Path(made["href"]).is_file()


def test_what_the_first_chain_says_is_so(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Water leaves where the elevations say it does: never to higher ground on the whole way."""
    monkeypatch.chdir(place)
    call = shlex.split(COOKBOOK["From the walk to where the rain goes"].strip().splitlines()[1])
    if not Path("map").exists():
        assert geosite("build", "sample_data/ferry_landing/site.toml", "--out", "map").status == 0
    assert geosite(*call[1:]).status == 0
    ground = tifffile.imread("map/elevation.tif", level=0)
    area = tifffile.imread("water/contributing_area.tif", level=0)
    known = ground != -9999
    assert ((area == -9999) == ~known).all()
    # low ground gathers more than high ground
    low, high = np.percentile(ground[known], [10, 90])
    assert area[known & (ground < low)].mean() > area[known & (ground > high)].mean()
