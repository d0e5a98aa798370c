"""The given control as stated: table, paper, and what is taken as exact."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from fieldbook_cases import SITE, write

from geosite.drawing.document import Table as PaperTable
from geosite.fieldbook.read import read_survey
from geosite.handover.documents.control import accuracy_blocks, control_blocks
from geosite.handover.layers.control import table
from geosite.handover.model import Package
from geosite.handover.wording.measures import Measures
from geosite.network.adjust import adjust

MORE = """
[anchor.marks.A1]
easting = 512311.0
northing = 5276101.0
elevation = 402.5
sigma = 0.02
sigma_elevation = 0.03
source = "sheet 7"
check = true
"""


def stated(folder: Path) -> Package:
    site = SITE.replace('crs = "EPSG:25832"', 'crs = "EPSG:25832"\nvertical_crs = "EPSG:7837"')
    notes = read_survey(write(folder, site=site.replace("\n[codes", f"{MORE}\n[codes")))
    frame = adjust(notes).frame
    return Package("Yard", "", frame, tables=(table(notes, frame),))


def test_what_was_stated_stands_in_the_table_and_nothing_else(tmp_path: Path) -> None:
    (found,) = stated(tmp_path).tables
    by_mark = {record["mark"]: record for record in found.records}
    assert list(by_mark) == ["B1", "B2", "A1"]
    check = by_mark["A1"]
    assert (check["use"], check["easting"], check["elevation"]) == ("check", 512311.0, 402.5)
    assert (check["sigma_m"], check["sigma_elevation_m"]) == (0.02, 0.03)
    assert (check["crs"], check["vertical_crs"]) == ("EPSG:25832", "EPSG:7837")
    assert check["source"] == "sheet 7"
    exact = by_mark["B1"]
    assert (exact["use"], exact["sigma_m"], exact["elevation"]) == ("anchor", None, None)
    assert exact["source"] is None


def test_paper_says_what_is_exact_and_whose_source_is_not_stated(tmp_path: Path) -> None:
    package = stated(tmp_path)
    *_, paper = control_blocks(package, Measures("m"))
    assert isinstance(paper, PaperTable)
    first, _, check = ([cell.replace("\u202f", " ") for cell in row] for row in paper.rows)
    assert first[1:] == [
        *("places it", "512 310.000", "5 276 100.000", "", "exact", "", "EPSG:25832"),
        "not stated",
    ]
    assert check[1] == "check only"
    assert check[5:7] == ["0.020", "0.030"]
    assert accuracy_blocks(dataclasses.replace(package, tables=()), "m") == []
