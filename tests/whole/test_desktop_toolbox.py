"""The toolbox plug-in in the real open GIS desktop."""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path
from typing import Any

import fiona
import pytest
import shapely
import shapely.geometry
from cli_runner import FERRY, geosite
from open_desktop import in_desktop

from geosite.processes.registry import processes

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("toolbox")
    assert geosite("toolbox", "--out", folder / "toolbox.zip").status == 0
    plugins = folder / "profile/python/plugins"
    with zipfile.ZipFile(folder / "toolbox.zip") as archive:
        archive.extractall(plugins)
    (folder / "work").mkdir()
    (folder / "work/bare.csv").write_text(
        "easting,northing,elevation\n512300,5276100,1\n512310,5276100,2\n512300,5276110,3\n"
    )
    # the plug-in runs the command as any other program does: by its path
    command = folder / "geosite"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m geosite_cli "$@"\n')
    command.chmod(0o755)
    return in_desktop(
        "toolbox.py",
        folder,
        folder / "profile",
        FERRY / "site.toml",
        folder / "work",
        GEOSITE_COMMAND=str(command),
    )


def test_every_process_is_in_the_toolbox(report: dict[str, Any]) -> None:
    assert report["listed"] == sorted(name.replace("-", "_") for name in processes().processes)


def test_a_site_is_built_and_its_layers_open_styled(report: dict[str, Any]) -> None:
    assert Path(report["built"]["site"]).is_file()
    assert {"Marks", "Areas", "Elevation", "Slope"} <= set(report["loaded"])
    assert report["areas"] == "categorizedSymbol"
    assert report["shares"] == sorted(report["shares"])
    assert report["shares"][-1] == 100.0


def test_results_go_into_the_next_process_and_into_the_desktops_own(report: dict[str, Any]) -> None:
    assert Path(report["from_memory"]["elevation"]).is_file()
    assert set(report["drainage"]) >= {"drainage_direction", "ponding_depth", "contributing_area"}
    slopes = report["slopes"]
    assert 10.0 < slopes["slipway"] < 13.0  # laid to 12 percent
    assert 1.0 < slopes["apron"] < 4.0


def test_of_a_file_with_several_layers_the_one_shown_is_taken(report: dict[str, Any]) -> None:
    # the areas of the built site as inlets: not its points, which stand first in the file
    (told,) = [words for words in report["led"] if "inlet cells" in words]
    cells = int(told.rsplit(":", 1)[1])
    with fiona.open(report["built"]["site"], layer="areas") as source:
        area = shapely.union_all([shapely.geometry.shape(one.geometry) for one in source]).area
    # cells of a metre, as the surface that was made last; those at the edges count as well
    assert cells == pytest.approx(area, rel=0.15)


def test_a_refusal_is_one_line(report: dict[str, Any]) -> None:
    (line,) = report["refused"].splitlines()
    assert "CRS" in line
    assert "Traceback" not in line


def test_the_form_has_typed_fields_and_help(report: dict[str, Any]) -> None:
    assert report["form"] == {
        "points": "vector", "cell_size": "number", "crs": "crs", "method": "enum",
        "extent": "extent", "layer": "string", "RESULTS": "folderDestination",
    }  # fmt: skip
    assert "never a guess" in report["help"]
