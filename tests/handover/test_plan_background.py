"""The picture under the plan lies where it lies on the ground, in PDF, SVG and PNG."""

from __future__ import annotations

import dataclasses
import io
import re
from pathlib import Path
from typing import Any

import numpy as np
import package_cases
import pypdf
import pytest
from cli_runner import FERRY, geosite
from quick_landing import draw_few

from geosite.drawing.pdf import pdf, png
from geosite.drawing.svg import svg
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import Package
from geosite.handover.plan.background import background_findings, background_of
from geosite.handover.plan.sheet import draw_plan, layout_of
from geosite.reading.pictures import GroundPicture


def write_picture(
    path: Path, corner: tuple[float, float], crs: str, cells: np.ndarray, size: float = 0.5
) -> Path:
    """Write a picture with its upper left corner there; `cells` of shape (bands, rows, cols)."""
    import rasterio
    from affine import Affine

    made: dict[str, Any] = {"driver": "GTiff", "dtype": cells.dtype, "count": cells.shape[0]}
    made |= {"height": cells.shape[1], "width": cells.shape[2], "crs": crs}
    with rasterio.open(
        path, "w", transform=Affine(size, 0.0, corner[0], 0.0, -size, corner[1]), **made
    ) as out:
        out.write(cells)
    return path


def quarters(rows: int = 200, cols: int = 200) -> np.ndarray:
    """Red, green, blue and black quarters: upper left, upper right, lower left, lower right."""
    cells = np.zeros((3, rows, cols), np.uint8)
    cells[0, : rows // 2, : cols // 2] = 255
    cells[1, : rows // 2, cols // 2 :] = 255
    cells[2, rows // 2 :, : cols // 2] = 255
    return cells


@pytest.fixture
def landing(tmp_path: Path) -> Package:
    """The landing with a picture of 100 m about its middle."""
    package = package_cases.ferry_landing()
    east, north = layout_of(package, Handover()).view.centre
    path = write_picture(tmp_path / "air.tif", (east - 50, north + 50), "EPSG:25832", quarters())
    return dataclasses.replace(package, background=GroundPicture(path, "air.tif"))


@pytest.mark.slow
def test_each_quarter_lies_on_its_side_of_the_middle(landing: Package) -> None:
    layout = layout_of(landing, Handover())
    picture = background_of(landing, layout.view)
    assert picture is not None
    rows, cols = picture.pixels.shape[:2]
    # six tenths of the colour are kept, the rest is paper
    light = round(255 - 255 * 0.6)
    for row, col, colour in (
        (0.45, 0.45, (255, light, light)),
        (0.45, 0.55, (light, 255, light)),
        (0.55, 0.45, (light, light, 255)),
        (0.55, 0.55, (light, light, light)),
    ):
        found = picture.pixels[int(rows * row), int(cols * col)]
        assert found == pytest.approx(colour, abs=1)


def test_a_picture_in_another_system_lies_in_the_same_place(
    landing: Package, tmp_path: Path
) -> None:
    # the same quarters on latitude and longitude about the same middle
    from pyproj import Transformer

    view = layout_of(landing, Handover()).view
    turn = Transformer.from_crs("EPSG:25832", "EPSG:4326", always_xy=True)
    longitude, latitude = turn.transform(*view.centre)
    path = write_picture(
        tmp_path / "world.tif",
        (longitude - 0.001, latitude + 0.001),
        "EPSG:4326",
        quarters(),
        size=0.00001,
    )
    there = dataclasses.replace(landing, background=GroundPicture(path, "world.tif"))
    picture = background_of(there, view)
    assert picture is not None
    rows, cols = picture.pixels.shape[:2]
    assert picture.pixels[int(rows * 0.47), int(cols * 0.47)].argmax() == 0
    assert picture.pixels[int(rows * 0.47), int(cols * 0.53)].argmax() == 1
    assert picture.pixels[int(rows * 0.53), int(cols * 0.47)].argmax() == 2


@pytest.mark.slow
def test_it_stands_in_pdf_svg_and_png(landing: Package) -> None:
    sheet = draw_plan(landing, Handover())
    assert sheet.picture is not None
    document = pdf(sheet)
    (image,) = pypdf.PdfReader(io.BytesIO(document)).pages[0]["/Resources"]["/XObject"].values()  # type: ignore[index]
    rows, cols = sheet.picture.pixels.shape[:2]
    assert (image["/Width"], image["/Height"]) == (cols, rows)
    assert image.get_data() == sheet.picture.pixels.tobytes()
    drawn = svg(sheet)
    window = sheet.window
    assert f'<image x="{window.x:g}" y="{window.y:g}"' in drawn
    assert "data:image/png;base64," in drawn
    assert png(document, 40) != png(pdf(draw_plan(package_cases.ferry_landing(), Handover())), 40)


def test_without_one_the_sheet_is_as_ever() -> None:
    sheet = draw_plan(package_cases.ferry_landing(), Handover())
    assert sheet.picture is None
    assert b"/XObject" not in pdf(sheet)


def site_with(folder: Path, picture: str) -> Path:
    for file in FERRY.iterdir():
        if file.is_file():
            (folder / file.name).write_bytes(file.read_bytes())
    site = folder / "site.toml"
    text = site.read_text("utf-8")
    assert "[sheet]" in text
    named = re.sub(r"(?m)^\[sheet\].*$", f'[sheet]\nbackground = "{picture}"', text)
    site.write_text(named, "utf-8")
    draw_few(site)
    return site


@pytest.mark.parametrize(
    ("cells", "crs", "told"),
    [
        (np.zeros((1, 9, 9), np.float32), "EPSG:25832", "has 1 band of float32"),
        (np.zeros((2, 9, 9), np.uint8), "EPSG:25832", "has 2 bands of uint8"),
        (np.zeros((3, 9, 9), np.uint8), "", "does not say where it lies"),
    ],
)
def test_what_is_no_picture_of_the_ground_is_refused_at_its_line(
    cells: np.ndarray, crs: str, told: str, tmp_path: Path
) -> None:
    site = site_with(tmp_path, "air.tif")
    write_picture(tmp_path / "air.tif", (512300, 5276140), crs, cells)
    line = site.read_text("utf-8").splitlines().index('background = "air.tif"') + 1
    ran = geosite("build", site, "--out", tmp_path / "map")
    assert ran.status == 2
    assert f"site.toml:{line}: sheet.background: the picture air.tif {told}" in ran.err
    assert "Traceback" not in ran.err
    assert not (tmp_path / "map").exists()


@pytest.mark.parametrize("content", [b"", b"II*\0", b"II*\0\xff\xff\xff\xff", b"GIF89a..."])
def test_a_broken_file_is_one_line(content: bytes, tmp_path: Path) -> None:
    site = site_with(tmp_path, "air.tif")
    (tmp_path / "air.tif").write_bytes(content)
    ran = geosite("build", site, "--out", tmp_path / "map")
    assert ran.status == 2
    assert "sheet.background" in ran.err
    assert "Traceback" not in ran.err


# 512,360 is 5 m east of the survey's end, where the window of the map still reaches
@pytest.mark.parametrize(
    ("east", "reaches"), [(400_000, False), (512_300, True), (512_360, True), (512_400, False)]
)
def test_a_picture_of_elsewhere_is_told(tmp_path: Path, east: int, reaches: bool) -> None:
    path = write_picture(tmp_path / "air.tif", (east, 5276140), "EPSG:25832", quarters())
    extent = (512_300.0, 5_276_100.0, 512_355.0, 5_276_140.0)
    told = background_findings(
        GroundPicture(path, "air.tif"), package_cases.frame(), extent, "site.toml", 7
    )
    assert [(f.code, f.line) for f in told] == ([] if reaches else [("background-elsewhere", 7)])
    assert reaches or "The picture air.tif does not reach the survey" in told[0].text
