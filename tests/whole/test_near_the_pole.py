"""The whole line from field book to files where the map has no east and no north of its own."""

from __future__ import annotations

from pathlib import Path

import fiona
import numpy as np
import pytest
import rasterio

from geosite.build import build
from geosite.fieldbook.read import read_survey
from geosite.handover.folder.write import write_package

SITE = """
[survey]
file = "walk.csv"
[baseline]
from = "A"
to = "B"
[anchor]
crs = "{crs}"
[anchor.marks.A]
easting = {east}
northing = {north}
elevation = 40.0
[anchor.azimuth]
value = 90.0
[codes.apron]
geometry = "area"
[surface]
cell_size = 0.5
"""
BOOK = """run,point,x,y,z,feature,code,segment,note
R1,A,0,0,0,,,,
R1,B,10,0,0.1,,,,
R1,C,12,8,0.2,yard,apron,,
R1,D,2,9,0.3,yard,apron,,
R1,E,1,3,0.1,yard,apron,,
R1,A,0,0,0,,,,
"""
YARD = 0.5 * abs(12 * 9 - 2 * 8 + 2 * 3 - 1 * 9 + 1 * 8 - 12 * 3)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("crs", "east", "north"),
    [
        ("EPSG:5041", 1_999_994.0, 1_999_996.0),  # the pole lies in the yard
        ("EPSG:5042", 2_000_300.0, 1_999_000.0),
        ("EPSG:3995", -4000.0, 2500.0),
    ],
)
def test_a_build_near_the_pole(tmp_path: Path, crs: str, east: float, north: float) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(crs=crs, east=east, north=north))
    (tmp_path / "walk.csv").write_text(BOOK)
    out = tmp_path / "out"
    notes = read_survey(tmp_path / "site.toml")
    write_package(build(notes), out, notes.site.handover)
    with fiona.open(out / "site.gpkg", layer="areas") as areas:
        assert rasterio.crs.CRS.from_wkt(areas.crs_wkt).to_epsg() == int(crs[5:])
        (yard,) = areas
    assert yard["properties"]["area_m2"] == pytest.approx(YARD, rel=1e-6)
    with fiona.open(out / "site.gpkg", layer="points") as points:
        places = [point["properties"] for point in points]
    moved = np.array([[p["easting"] - east, p["northing"] - north] for p in places])
    local = np.array([[p["local_x"], p["local_y"]] for p in places])
    factor = np.hypot(*moved[1]) / 10
    assert moved == pytest.approx(factor * local, abs=1e-4)
    assert 0.96 < factor < 1.0
    with rasterio.open(out / "elevation.tif") as elevation:
        corner = next(elevation.sample([(east + 5.0, north + 4.0)]))
        assert elevation.crs.to_epsg() == int(crs[5:])
    assert corner[0] == pytest.approx(40.1, abs=0.15)
