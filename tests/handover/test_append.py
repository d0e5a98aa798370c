"""Layers put into somebody else's GeoPackage: his stay as they are, all or nothing."""

from __future__ import annotations

import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import fiona
import package_cases
import pyogrio
import pytest
import shapely
from cli_runner import FERRY, geosite
from quick_landing import draw_nothing, quick_landing, take_coarse_cells

from geosite.base.errors import OutputRefused
from geosite.handover.formats import append
from geosite.handover.formats.append import append_layers, check_appendable
from geosite.handover.formats.desktop.style import native_styles
from geosite.handover.formats.geopackage import write_geopackage
from geosite.handover.formats.metadata import metadata
from geosite.handover.formats.sld import styles


def theirs(path: Path, crs: str = "EPSG:25832", layer: str = "trees") -> Path:
    """Write what a planner keeps: a layer that a desktop made."""
    with fiona.open(
        path, "w", driver="GPKG", layer=layer, crs=crs,
        schema={"geometry": "Point", "properties": {"kind": "str"}},
    ) as file:  # fmt: skip
        for i in range(5):
            file.write({"geometry": {"type": "Point", "coordinates": (512300.0 + i, 5276100.0)},
                        "properties": {"kind": "lime"}})  # fmt: skip
    return path


def ours(path: Path) -> Path:
    package = package_cases.ferry_landing()
    write_geopackage(
        path,
        package,
        metadata=metadata(package),
        styles=styles(package),
        native_styles=native_styles(package),
    )
    return path


def content(path: Path, table: str) -> list[Any]:
    with closing(sqlite3.connect(path)) as file:
        return file.execute(f'SELECT * FROM "{table}"').fetchall()


@pytest.mark.parametrize("crs", ["EPSG:25832", "EPSG:4326"])
def test_his_layers_stay_and_ours_come_whole(tmp_path: Path, crs: str) -> None:
    target, source = theirs(tmp_path / "his.gpkg", crs), ours(tmp_path / "site.gpkg")
    before = content(target, "trees"), content(target, "rtree_trees_geom")
    names = append_layers(source, target)
    assert (content(target, "trees"), content(target, "rtree_trees_geom")) == before
    layers = package_cases.ferry_landing().layers
    assert names == tuple(f"site_{layer.name}" for layer in layers)
    for layer in layers:
        info = pyogrio.read_info(target, layer=f"site_{layer.name}")
        assert info["features"] == len(layer.geometries)
        assert info["crs"] == "EPSG:25832"
        _, _, shapes, _ = pyogrio.raw.read(target, layer=f"site_{layer.name}")
        _, _, same, _ = pyogrio.raw.read(source, layer=layer.name)
        assert all(shapes == same)
    looks = dict(row[3:7:3] for row in content(target, "layer_styles"))
    assert set(looks) == set(names)
    assert list(tmp_path.glob(".geosite*")) == []


def test_the_file_can_be_worked_in_as_before(tmp_path: Path) -> None:
    """The library that edits a layer of ours finds its index, count and lists in order."""
    target = theirs(tmp_path / "his.gpkg")
    append_layers(ours(tmp_path / "site.gpkg"), target)
    with fiona.open(target, layer="site_areas") as file:
        known, record = len(file), next(iter(file))
    with fiona.open(target, "a", layer="site_areas") as file:
        file.write({"geometry": record.geometry, "properties": record.properties})
    with fiona.open(target, layer="site_areas") as file:
        assert len(file) == known + 1
        box = shapely.geometry.shape(record.geometry).bounds
        assert len(list(file.filter(bbox=box))) >= 2


def test_the_next_run_replaces_what_this_one_added(tmp_path: Path) -> None:
    target, source = theirs(tmp_path / "his.gpkg"), ours(tmp_path / "site.gpkg")
    append_layers(source, target)
    tables = ("gpkg_contents", "gpkg_extensions", "gpkg_data_columns", "gpkg_ogr_contents",
              "gpkg_geometry_columns", "gpkg_data_column_constraints", "gpkg_metadata",
              "gpkg_metadata_reference")  # fmt: skip
    once = {table: sorted(content(target, table), key=repr) for table in tables}
    append_layers(source, target)
    assert {table: sorted(content(target, table), key=repr) for table in tables} == once
    assert len(content(target, "trees")) == 5


def test_another_crs_under_our_number_stays(tmp_path: Path) -> None:
    target = theirs(tmp_path / "his.gpkg")
    with closing(sqlite3.connect(target)) as file:
        file.execute("UPDATE gpkg_spatial_ref_sys SET organization = 'ACME', "
                     "organization_coordsys_id = 7 WHERE srs_id = 25832")  # fmt: skip
        file.commit()
    append_layers(ours(tmp_path / "site.gpkg"), target)
    numbers = {row[0]: row[3] for row in content(target, "gpkg_geometry_columns")}
    assert numbers["trees"] == 25832
    assert numbers["site_areas"] not in (25832, 0, -1)
    with closing(sqlite3.connect(target)) as file:
        ((header,),) = set(file.execute("SELECT substr(geom, 5, 4) FROM site_areas"))
    assert int.from_bytes(header, sys.byteorder) == numbers["site_areas"]
    assert pyogrio.read_info(target, layer="site_areas")["crs"] == "EPSG:25832"


def refused(target: Path) -> str:
    with pytest.raises(OutputRefused) as caught:
        check_appendable(target)
    (problem,) = caught.value.problems
    return str(problem)


def test_what_layers_cannot_be_added_to(tmp_path: Path) -> None:
    assert "is not there" in refused(tmp_path / "none.gpkg")
    (tmp_path / "text.gpkg").write_text("no database")
    assert "is no GeoPackage" in refused(tmp_path / "text.gpkg")
    with closing(sqlite3.connect(tmp_path / "plain.gpkg")) as file:
        file.execute("CREATE TABLE a (b)")
        file.commit()
    assert "has no gpkg_contents" in refused(tmp_path / "plain.gpkg")
    named = theirs(tmp_path / "named.gpkg", layer="site_areas")
    assert "site_areas, which geosite did not add" in refused(named)
    busy = theirs(tmp_path / "busy.gpkg")
    (tmp_path / "busy.gpkg-wal").write_bytes(b"x" * 100)
    assert "is open in another program" in refused(busy)


def test_a_run_that_fails_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target, source = theirs(tmp_path / "his.gpkg"), ours(tmp_path / "site.gpkg")
    before = target.read_bytes()

    def full(number: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(append.os, "fsync", full)
    with pytest.raises(OutputRefused, match="nothing was changed"):
        append_layers(source, target)
    assert target.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["his.gpkg", "site.gpkg"]


@pytest.mark.slow
def test_the_command_adds_to_a_file(tmp_path: Path) -> None:
    target = theirs(tmp_path / "his.gpkg")
    site = quick_landing(tmp_path / "landing")
    take_coarse_cells(site)
    draw_nothing(site)
    ran = geosite("build", site, "--out", tmp_path / "map", "--into", target)
    assert (ran.status, ran.err) == (0, "")
    assert "layers added, site_points" in ran.out
    assert "site_marks" in fiona.listlayers(target)
    lists = {row[6] for row in content(target, "gpkg_data_columns") if row[6]}
    assert "site_marks_role" in lists
    assert lists <= {row[0] for row in content(target, "gpkg_data_column_constraints")}
    missing = geosite(
        "build", FERRY / "site.toml", "--out", tmp_path / "b", "--into", tmp_path / "no.gpkg"
    )
    assert missing.status == 4
    assert len(missing.err.splitlines()) == 1
    assert not (tmp_path / "b").exists()
