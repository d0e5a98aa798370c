"""The accuracy of a transformation in everything that leaves: in what is absolute, nowhere else."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from cli_runner import FERRY, geosite

from geosite.analysis.answers import answer
from geosite.fieldbook.read import read_survey
from geosite.handover.assemble import pack
from geosite.handover.model import Package
from geosite.handover.report_model.serialise import plain
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.control.model import CommonShift
from geosite.terrain.site import model_terrain

ABSOLUTE = {
    *(f"{layer}.{key}" for layer in ("points", "marks") for key in ("sigma_h_m", "sigma_v_m")),
    *(f"{layer}.{key}" for layer in ("points", "marks") for key in ("h_95_m", "v_95_m")),
    *("sections.largest_sigma_m", "section_stations.elevation_sigma_m"),
    *("section_stations.elevation_95_m", "parcel_clearances.distance_sigma_m"),
    *("parcel_clearances.distance_95_m", "parcel_clearances.words", "parcel_clearances.verdict"),
    *("marks.ellipse_major_m", "marks.ellipse_minor_m"),
    # where the clearance to the parcel's line cannot be told, nor can how much lies beyond it
    *(f"parcel_shares.area_{end}_m2" for end in ("sigma", "95")),
    *(f"parcel_shares.share_of_{of}_{e}" for of in ("feature", "parcel") for e in ("sigma", "95")),
    # a design is stated on the map: how near it comes to the parcel's line is as uncertain, and how
    # much it covers of what was walked and need not be ordered
    *(f"design_parcels.{key}" for key in ("distance_sigma_m", "distance_95_m", "words")),
    *(f"quantities.{of}_area_{e}_m2" for of in ("replaced", "order") for e in ("sigma", "95")),
    *(f"quantities.order_volume_{end}_m3" for end in ("sigma", "95")),
    *(f"prices.{of}_{end}" for of in ("measured", "charged") for end in ("sigma", "95")),
    *("prices.amount_low", "prices.amount_high"),
}
"""What a shift of the whole survey changes: accuracies of places on the map and on the parcels."""


def built(shift: CommonShift) -> Package:
    notes = read_survey(FERRY / "site.toml")
    few = msgspec.structs.replace(notes.site.drainage, confidence_runs=20)
    notes = replace(notes, site=msgspec.structs.replace(notes.site, drainage=few))
    network = replace(adjust(notes), shift=shift)
    drawing = draw(notes, network)
    terrain = model_terrain(notes, network, drawing)
    return pack(notes, network, drawing, terrain, answer(notes, network, drawing, terrain))


def changed(one: Package, other: Package) -> Iterator[tuple[str, Any, Any]]:
    """Name every column of a layer or table in which two packages differ, with both values."""
    for before, after in zip(
        (*one.layers, *one.tables), (*other.layers, *other.tables), strict=True
    ):
        for first, second in zip(before.records, after.records, strict=True):
            for key, value in first.items():
                if plain(value) != plain(second[key]):
                    yield f"{before.name}.{key}", value, second[key]


@pytest.mark.slow
def test_only_absolute_accuracies_change_and_nothing_else_not_even_in_the_last_digit() -> None:
    still, moved = built(CommonShift()), built(CommonShift(1.0, 0.5, "x"))
    found = list(changed(still, moved))
    names = {name for name, _, _ in found}
    assert names <= ABSOLUTE
    assert {"points.sigma_h_m", "points.v_95_m", "parcel_clearances.distance_95_m"} <= names
    for name, before, after in found:
        if name in ("points.sigma_h_m", "points.sigma_v_m"):
            shift = 1.0 if "_h_" in name else 0.5
            assert after == pytest.approx(np.hypot(before, shift), rel=1e-9)
    # the ground itself, its water and its draws are the same
    differ = {
        before.name
        for before, after in zip(still.rasters, moved.rasters, strict=True)
        if not np.array_equal(before.values, after.values, equal_nan=True)
    }
    assert differ == {"elevation_sigma"}


@pytest.mark.slow
def test_an_anchor_by_latitude_and_longitude_is_said_everywhere(tmp_path: Path) -> None:
    site = tmp_path / "yard"
    site.mkdir()
    (site / "field_book.csv").write_text(
        "run,point,x,y,z,feature,code\n"
        "R,A,0,0,0,,\nR,B,0,22.24,0,,\nR,,20,22,0.4,pad,stone\nR,,20,40,0.8,pad,stone\n"
        "R,,0,40,0.5,pad,stone\nR,A,0.01,0.02,0,,\n",
        "utf-8",
    )
    (site / "site.toml").write_text(
        '[site]\ntitle = "Invented yard"\n[survey]\nfile = "field_book.csv"\nunit = "m"\n'
        '[baseline]\nfrom = "A"\nto = "B"\n[anchor]\ncrs = "EPSG:25832"\n'
        "[anchor.marks.A]\nlatitude = 48.0\nlongitude = 11.5\nsigma = 0.02\nelevation = 500.0\n"
        "[anchor.marks.B]\nlatitude = 48.0002\nlongitude = 11.5\nsigma = 0.02\n"
        '[codes.stone]\ngeometry = "area"\n',
        "utf-8",
    )
    said = geosite("check", site / "site.toml")
    assert said.status == 0
    assert "good to 1 m in position" in " ".join(said.out.split())
    assert geosite("build", site / "site.toml", "--out", tmp_path / "map").status == 0
    page = (tmp_path / "map" / "viewer.html").read_text("utf-8")
    # told in metres and in feet, for the switch of units
    told = r"\"{}\":\"At 95 % confidence the marks are right to ([^\"]*)\""
    (headline,) = re.findall(told.format("m"), page)
    (in_feet,) = re.findall(told.format("ft"), page)
    assert float(headline.split()[0]) > 2.4477
    assert "1.00 m (one sigma) in position is the transformation" in headline
    assert float(in_feet.split()[0]) > 2.44 / 0.3048
    assert "3.28 ft (one sigma) in position is the transformation" in in_feet
    metadata = (tmp_path / "map" / "metadata.xml").read_text("utf-8")
    assert "good to 1 m in position" in metadata
