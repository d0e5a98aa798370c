"""The hand-over in the real open GIS desktop: it opens without a question, styled, as the plan."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from arrow_ink import pointing, turn_between
from open_desktop import in_desktop

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def moved(built_landing: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a hand-over that was moved after it was written."""
    folder = tmp_path_factory.mktemp("desktop")
    return Path(shutil.copytree(built_landing, folder / "else where"))


@pytest.fixture(scope="module")
def report(moved: Path) -> dict[str, Any]:
    return in_desktop("report.py", moved.parent, moved, moved.parent)


def test_the_project_opens_without_a_word(report: dict[str, Any]) -> None:
    assert report["opened"] is True
    assert report["crs"] == "EPSG:25832"
    assert report["said"] == []
    assert len(report["layers"]) > 25
    for name, layer in report["layers"].items():
        assert layer["valid"], name
        assert layer["crs"] == ("EPSG:25832" if layer["renderer"] else ""), name


@pytest.fixture(scope="module")
def in_feet(built_jetty: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Open a site in a state plane whose best way to WGS 84 wants a grid that is not here."""
    folder = tmp_path_factory.mktemp("feet")
    # the desktop leaves files of its own beside what it opens
    shutil.copytree(built_jetty, folder / "made")
    return in_desktop("report.py", folder, folder / "made", folder)


def test_a_project_in_a_state_plane_opens_without_a_word(in_feet: dict[str, Any]) -> None:
    assert in_feet["opened"] is True
    assert in_feet["said"] == []
    assert {one["crs"] for one in in_feet["layers"].values() if one["renderer"]} == {"EPSG:2264"}


def test_a_site_in_feet_speaks_feet(in_feet: dict[str, Any]) -> None:
    """Labels, map tips and legends; the columns of the files stay metres and say so."""
    areas = in_feet["layers"]["geosite_areas"]
    assert areas["titles"]["area_m2"] == "Area [m²]"
    assert "Area [ft²]</td><td>721.9" in areas["tip"]
    assert in_feet["written"]["areas"] == ["deck\n722 ft²"]
    for name, layer in in_feet["layers"].items():
        assert "[m" not in layer.get("tip", ""), name
        legend = [label for *_, label in layer.get("stops", [])]
        assert not any(label.endswith((" m", " m²")) for label in legend), (name, legend)
    slope = [label for *_, label in in_feet["layers"]["geosite_contributing_area"]["stops"]]
    assert slope[0].endswith(" ft²")


def test_every_file_opens_styled_by_itself(report: dict[str, Any]) -> None:
    files = report["files"]
    assert {"marks", "points", "areas", "elevation.tif", "quantities"} <= set(files)
    assert "layer_styles" not in files  # the desktop knows the table and hides it
    for name, layer in files.items():
        assert layer["valid"], name
        if name.endswith(".tif"):
            assert layer["renderer"] == "singlebandpseudocolor", name
            assert len(layer["stops"]) >= 5, name
        elif layer["renderer"] is not None:
            # the desktop's own choice would be one symbol that nobody named
            same = report["layers"][f"geosite_{name}"]
            assert layer["renderer"] == same["renderer"], name
            assert layer["legend"] == same["legend"], name
            assert layer["titles"] == same["titles"], name


def test_everything_is_drawn_but_arrows_that_point_nowhere(
    report: dict[str, Any], moved: Path
) -> None:
    import fiona

    undrawn = {n: f["undrawn"] for n, f in report["files"].items() if f.get("undrawn")}
    with fiona.open(moved / "site.gpkg", layer="drainage_arrows") as arrows:
        vague = sum(f.properties["steadiness"] < 0.7 for f in arrows)
    assert undrawn == {"drainage_arrows": vague}


@pytest.mark.parametrize("style", ["arrows", "sld_arrows"])
@pytest.mark.parametrize("azimuth", [*range(0, 360, 45), 355])
def test_arrows_point_where_their_azimuth_says(
    report: dict[str, Any], azimuth: int, style: str
) -> None:
    """By the desktop's own style and by the SLD."""
    ink = report[style][str(azimuth)]
    assert len(ink) > 30
    assert turn_between(pointing(ink), azimuth) < 8.0


def test_columns_speak_to_people(report: dict[str, Any]) -> None:
    marks = report["files"]["marks"]
    assert marks["titles"]["sigma_h_m"] == "Standard deviation, horizontal [m]"
    assert marks["lists"]["role"] == "ValueMap"
    assert "one of the two marks that every run visits" in marks["tip"]
    assert "Area" in report["files"]["areas"]["tip"]
    assert "[%" not in marks["tip"]


def test_the_legend_uses_the_plans_words(report: dict[str, Any]) -> None:
    assert list(report["groups"]) == [
        "Survey", "Ground", "Designs", "Water", "Parcels", "Surfaces", "Rasters", "Tables",
    ]  # fmt: skip
    legend = [line for layer in report["layers"].values() for line in layer.get("legend", [])]
    for words in ("Asphalt apron", "Ticket house", "Water runs this way, longer where steeper",
                  "Water stands after rain", "Baseline mark"):  # fmt: skip
        assert words in legend
    assert "geosite_points" not in report["shown"]
    assert "geosite_marks" in report["shown"]
    for name in ("marks", "areas", "lines", "contours", "parcels", "drainage_arrows"):
        assert report["layers"][f"geosite_{name}"]["labels"], name


def test_the_print_layout_is_the_plan(report: dict[str, Any], moved: Path) -> None:
    """Same sheet, same window, same scale: over the map the two pictures have the same colours."""
    import rasterio

    assert report["layouts"] == ["Plan 1:200 on A3"]
    assert report["scale"] == pytest.approx(200.0, rel=1e-3)
    assert report["exported"] == 0
    pictures = []
    for path in (moved.parent / "layout.png", moved / "plan.png"):
        with rasterio.Env(), pytest.warns(rasterio.errors.NotGeoreferencedWarning):
            file = rasterio.open(path)
        with file:
            pictures.append(file.read([1, 2, 3]).astype(np.float64))
    ours, plan = (blocks(picture) for picture in pictures)
    assert np.abs(ours - plan).mean() < 8.0  # of 255, in blocks of 5 mm
    assert (np.abs(ours - plan).max(axis=0) < 40.0).mean() > 0.9
    # and it is no blank sheet: the tints of the plan are there
    assert np.corrcoef(ours.ravel(), plan.ravel())[0, 1] > 0.9


def blocks(picture: Any) -> Any:
    """Return the map window, 24 to 318 mm and 25 to 275 mm, as means of blocks of 5 mm."""
    pixel = 25.4 / 150.0
    window = picture[
        :, round(25 / pixel) : round(275 / pixel), round(25 / pixel) : round(315 / pixel)
    ]
    size = round(5 / pixel)
    rows, cols = window.shape[1] // size, window.shape[2] // size
    cut = window[:, : rows * size, : cols * size]
    return cut.reshape(3, rows, size, cols, size).mean(axis=(2, 4))
