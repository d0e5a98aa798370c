"""What `build` refuses `check` refuses too, in the same words, and writes nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_runner import FERRY, geosite

pytestmark = pytest.mark.slow
JETTY = FERRY.parent / "jetty_feet"

REFUSED = {
    "columns": ('unit = "ft" ', 'columns = { x = "nowhere" }\nunit = "ft" ', 2),
    "marks": ('to = "P2"', 'to = "P9"', 3),
    "closure": ('unit = "ft" ', 'closure_limit = 10000000\nunit = "ft" ', 3),
    "cells": ("cell_size = 1.0", "cell_size = 0.0001", 2),
    "sections": ("[handover]", '[sections.a]\nmarks = ["P1", "P7"]\n\n[handover]', 2),
    "limits": ("[handover]", '[grades]\nlimits_file = "none.toml"\n\n[handover]', 2),
    "parcels": ("[handover]", '[parcels]\nfile = "none.gpkg"\n\n[handover]', 2),
    "prices": ("[handover]", "[prices.codes.gravel]\nper_area = 3\n\n[handover]", 2),
    "designs": (
        "[handover]",
        "[designs.a.pads.p]\npoints = [[1, 1], [9, 1], [9, 9]]\nelevation = 30\n\n[handover]",
        2,
    ),
    "sheets": ('unit = "ft"\nsheet', 'scale = 1\nunit = "ft"\nsheet', 4),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_build_refuses_check_refuses(case: str, tmp_path: Path) -> None:
    old, new, status = REFUSED[case]
    for name in ("site.toml", "field_book.csv"):
        (tmp_path / name).write_bytes((JETTY / name).read_bytes())
    site = tmp_path / "site.toml"
    text = site.read_text()
    assert old in text
    site.write_text(text.replace(old, new, 1))
    before = sorted(tmp_path.iterdir())
    checked = geosite("check", site)
    assert sorted(tmp_path.iterdir()) == before
    built = geosite("build", site, "--out", tmp_path / "out")
    assert (checked.status, built.status) == (status, status), checked.err
    assert checked.err == built.err
    assert not (tmp_path / "out").exists()


def test_check_says_whether_a_place_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "shut").mkdir(mode=0o555)
    site = JETTY / "site.toml"
    for place, why in (
        ("file", "is a file"),
        ("file/in", "cannot be written"),
        ("shut", "ermission"),
    ):
        checked = geosite("check", site, "--out", tmp_path / place)
        built = geosite("build", site, "--out", tmp_path / place)
        assert (checked.status, built.status) == (4, 4), (place, checked.err, built.err)
        assert why in checked.err
        assert checked.err == built.err
    fine = geosite("check", site, "--out", tmp_path / "new" / "deep")
    assert fine.status == 0, fine.err
    assert not (tmp_path / "new").exists()
    among = geosite("check", site, "--out", site.parent)
    assert among.status == 4
    assert "among the sources, beside site.toml" in among.err


def test_where_the_site_lies_is_told_in_wgs84(tmp_path: Path) -> None:
    """The centre of the Dutch grid: on its own datum it lies 110 m north of where a phone finds it.

    52.155172897 N, 5.387203657 E by RDNAPTRANS2018 (Kadaster and Rijkswaterstaat, test points,
    not looked up for this); on the datum of the map 52.156160556 N, 5.387638889 E.
    """
    (tmp_path / "field_book.csv").write_bytes((JETTY / "field_book.csv").read_bytes())
    text = (JETTY / "site.toml").read_text().replace('"EPSG:2264"', '"EPSG:28992"')
    text = text.replace('vertical_crs = "EPSG:6360"', "").replace("1540000.0", "155000.0")
    (tmp_path / "site.toml").write_text(text.replace("540000.0", "463000.0"))
    told = geosite("check", tmp_path / "site.toml")
    assert told.status == 0, told.err
    assert "the site lies at 52.1552 N, 5.3872 E" in told.out
