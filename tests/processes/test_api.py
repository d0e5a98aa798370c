"""The Python interface: names, doctests, GeoDataFrames and rasters in and out."""

from __future__ import annotations

import doctest
import json
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import geopandas
import numpy as np
import pytest
from quick_landing import quick_landing

import geosite
import geosite.api as notebook

pytestmark = pytest.mark.slow


def test_at_most_twenty_names_and_all_of_them_are_there() -> None:
    assert len(geosite.__all__) <= 20
    for name in geosite.__all__:
        assert getattr(geosite, name) is not None
    assert dir(geosite) == sorted(geosite.__all__)
    with pytest.raises(AttributeError, match="no attribute 'biuld_site'"):
        geosite.biuld_site  # noqa: B018


def test_importing_it_costs_nothing() -> None:
    code = "import sys, geosite; print(len([m for m in sys.modules if m.split('.')[0] == 'numpy']))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "0"


@pytest.mark.parametrize("module", [geosite, notebook], ids=["geosite", "notebook"])
def test_the_documentation_has_examples(module: ModuleType) -> None:
    """They are run by tests/test_examples.py."""
    found = doctest.DocTestFinder().find(module)
    assert sum(len(one.examples) for one in found) >= 3


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> geosite.Site:
    return geosite.build_site(quick_landing(tmp_path_factory.mktemp("api") / "landing"))


def test_layers_are_geodataframes_on_the_map(site: geosite.Site) -> None:
    points = site.layer("points")
    assert isinstance(points, geopandas.GeoDataFrame)
    assert points.crs.to_epsg() == 25832
    assert points.geometry.has_z.all()
    np.testing.assert_allclose(points.geometry.x, points["easting"])
    areas = site.layer("areas").set_index("feature")
    # shapely's area is one of the map; the ground is larger by the square of the combined factor
    factor = site.report["network"]["frame"]["combined_factor"]
    apron = areas.loc["apron"]
    assert apron.geometry.area / factor**2 == pytest.approx(apron.area_m2, rel=1e-4)
    with pytest.raises(geosite.InputError, match='did you mean "areas"'):
        site.layer("area")
    with pytest.raises(geosite.InputError, match='no raster "x"'):
        site.raster("x")


def test_rasters_are_arrays_with_a_place(site: geosite.Site, tmp_path: Path) -> None:
    elevation = site.raster("elevation")
    assert elevation.values.shape == elevation.grid.shape
    west, east, south, north = elevation.extent
    assert (west < east, south < north) == (True, True)
    points = site.layer("points")
    spots = points[points.point.isin(["S4", "S8"])]
    found = elevation.at(spots.easting, spots.northing)
    np.testing.assert_allclose(found, spots.elevation, atol=0.05)
    assert np.isnan(elevation.at([west - 1, 0], [north, 0])).all()
    back = geosite.read_raster(elevation.write(tmp_path / "e.tif"))
    np.testing.assert_array_equal(back.values, elevation.values.astype(np.float32))
    assert (back.crs, back.unit, back.grid) == (elevation.crs, "m", elevation.grid)
    assert back.frame.vertical_name == elevation.frame.vertical_name


def test_what_is_built_can_be_looked_at_and_written(site: geosite.Site, tmp_path: Path) -> None:
    assert "Ferry landing" in site.summary()
    assert all(isinstance(finding, geosite.Finding) for finding in site.findings)
    out = site.write(tmp_path / "map")
    assert json.loads((out / "report.json").read_text()) == site.report


def test_the_site_goes_through_the_terrain_functions(site: geosite.Site) -> None:
    elevation = site.raster("elevation")
    slope, aspect = geosite.derive_slope(elevation)
    same = site.raster("slope").values
    both = np.isfinite(same) & np.isfinite(slope.values)
    assert both.sum() > 1000
    # the site derives before buildings are cut out, so only their surroundings differ
    assert np.mean(np.isclose(slope.values[both], same[both], atol=1e-6)) > 0.95
    assert np.nanmin(aspect.values) >= 0
    assert np.nanmax(aspect.values) < 360
    water = geosite.derive_drainage(elevation, method="d-infinity")
    assert np.nanmin(water.contributing_area.values) == pytest.approx(elevation.grid.cell_size**2)


def test_a_slope_is_no_ground(site: geosite.Site) -> None:
    with pytest.raises(geosite.InputError, match="values are in"):
        geosite.derive_drainage(geosite.derive_slope(site.raster("elevation")).slope)


def test_points_may_be_a_geodataframe_with_z_or_with_a_column() -> None:
    rng = np.random.default_rng(4)
    east, north = rng.uniform(0, 30, (2, 40))
    up = 5 + 0.1 * east
    flat = geopandas.GeoDataFrame(
        {"elevation": up}, geometry=geopandas.points_from_xy(east, north), crs="EPSG:25832"
    )
    solid = geopandas.GeoDataFrame(
        geometry=geopandas.points_from_xy(east, north, up), crs="EPSG:25832"
    )
    array = np.column_stack([east, north, up])
    one = geosite.interpolate_elevation(flat, cell_size=1)
    two = geosite.interpolate_elevation(solid, cell_size=1)
    three = geosite.interpolate_elevation(array, crs="EPSG:25832", cell_size=1)
    np.testing.assert_array_equal(one.values, two.values)
    np.testing.assert_array_equal(one.values, three.values)
    with pytest.raises(geosite.InputError, match="EPSG:25833"):
        geosite.interpolate_elevation(flat, crs="EPSG:25833")


@pytest.mark.parametrize(
    ("points", "more", "expected"),
    [
        ([(0, 0), (1, 1)], {"crs": "EPSG:25832"}, "shape"),
        ("points", {"crs": "EPSG:25832"}, "shape"),
        ([(0, 0, float("nan")), (1, 0, 1), (0, 1, 1)], {"crs": "EPSG:25832"}, "finite"),
        ([(0, 0, 1), (1, 0, 1), (0, 1, 1)], {}, "give it as crs"),
        ([(0, 0, 1), (1, 0, 1), (0, 1, 1)], {"crs": "EPSG:25832", "method": "tim"}, '"tin"'),
        ([(0, 0, 1), (1, 0, 1), (0, 1, 1)], {"crs": "EPSG:25832", "cell_size": -1}, "from 1e-06"),
        ([(0, 0, 1), (1, 0, 1), (0, 1, 1)], {"crs": "EPSG:25832", "extent": (0, 1)}, "4 values"),
    ],
)
def test_calls_that_make_no_sense(points: object, more: dict[str, object], expected: str) -> None:
    with pytest.raises(geosite.InputError, match=expected):
        geosite.interpolate_elevation(points, **more)  # type: ignore[arg-type]


def test_a_wrong_word_is_refused_with_the_right_ones(site: geosite.Site) -> None:
    elevation = site.raster("elevation")
    with pytest.raises(geosite.InputError, match="one of percent, degree, ratio"):
        geosite.derive_slope(elevation, unit="percentage")  # type: ignore[arg-type]
    with pytest.raises(geosite.InputError, match="one of d8, d-infinity"):
        geosite.derive_drainage(elevation, method="d9")  # type: ignore[arg-type]


def test_what_a_notebook_shows_is_short(site: geosite.Site) -> None:
    shown = repr(site)
    assert shown.startswith("<Site 'Ferry landing (invented)', EPSG:25832: ")
    assert len(shown) < 120
    assert repr(site.raster("slope")).startswith("<Raster 'slope', percent, EPSG:25832: ")
    assert repr(site.package.layers[0]).startswith("<Layer 'points', PointZ: ")
    assert repr(site.package.tables[0]).startswith("<Table 'quantities': ")
