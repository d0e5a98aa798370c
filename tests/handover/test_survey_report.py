"""The survey report, read back by a PDF library and held against report.json."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
from pathlib import Path

import package_cases
import pypdf
import pytest
from cli_runner import FERRY
from quick_landing import quick_landing

from geosite.build import build
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.sitefile import Handover, Sheet, Submission
from geosite.handover.documents.survey_report import survey_report_pdf

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def built(built_landing: Path) -> Path:
    return built_landing


@pytest.fixture(scope="module")
def text(built: Path) -> str:
    pages = pypdf.PdfReader(built / "survey_report.pdf").pages
    whole = " ".join(page.extract_text() for page in pages)
    return " ".join(whole.replace("\u202f", " ").replace("\xa0", " ").split())


def test_every_closure_stands_in_it_as_in_the_report(built: Path, text: str) -> None:
    network = json.loads((built / "report.json").read_text("utf-8"))["network"]
    assert network["closures"]
    for closure in network["closures"]:
        row = f"{closure['first_line']} to {closure['last_line']} {closure['length_m']:.1f}"
        assert f"{row} {closure['misclosure_m']:.3f}" in text
        assert f" 1:{closure['ratio']:.0f} " in text  # as the terminal has it, undivided


def test_the_estimate_of_the_variance_factor_is_told_beside_the_one_applied(
    built: Path, text: str
) -> None:
    noise = json.loads((built / "report.json").read_text("utf-8"))["network"]["noise"]
    for axis in ("horizontal", "vertical"):
        assert f"{noise[axis]['estimate']:.2f} {noise[axis]['factor']:.2f}" in text


def test_the_plan_names_the_standard_of_each_rule(built: Path) -> None:
    pages = pypdf.PdfReader(built / "plan.pdf").pages
    whole = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert "landing: Rules of the landing (invented), 2.1" in whole
    assert "limits_file" in whole


def test_ground_and_grid_are_told_apart_with_an_example(text: str) -> None:
    # combined factor 0.99953884 at 512330, 5276120 in EPSG:25832 and 402 m
    assert "100.000 m on the ground are 99.954 m on the map grid" in text


def test_baseline_marks_are_told_in_latitude_and_longitude(built: Path, text: str) -> None:
    # the operation from ETRS89 to WGS 84 is good to a metre, which five decimals of a degree show
    places = {}
    layer = json.loads((built / "geojson" / "marks.geojson").read_text("utf-8"))
    for feature in layer["features"]:
        places[feature["properties"]["point"]] = feature["geometry"]["coordinates"]
    for name in ("B1", "B2"):
        longitude, latitude = places[name][:2]
        assert f"{name} {latitude:.5f}, {longitude:.5f}" in text
    assert "(EPSG:4326)" in text
    assert "right to 1 m" in text


def test_terms_are_told_where_they_first_stand(text: str) -> None:
    assert "variance factor (squares of the misclosures over those to be expected" in text
    assert "Sigma, the standard deviation, is the usual size of an error" in text
    assert "The more degrees of freedom, misclosures that do not follow from others" in text


def test_datums_are_named(text: str) -> None:
    assert "datum European Terrestrial Reference System 1989" in text
    assert "datum Deutsches Haupthoehennetz 2016" in text


def test_every_mark_stands_in_it_once(text: str) -> None:
    assert text.count(" S19 512 353.670 ") <= 1
    assert "Adjusted coordinates" in text


def test_positions_without_a_name_are_counted_and_their_file_is_named(
    built: Path, text: str
) -> None:
    with (FERRY / "field_book.csv").open(encoding="utf-8") as file:
        unnamed = sum(not row["point"] for row in csv.DictReader(file))
    assert unnamed
    assert f"{unnamed} more positions have no name: coordinates by row of the field book" in text
    with (built / "points.csv").open(encoding="utf-8") as file:
        listed = [row["point"] for row in csv.DictReader(file)]
    assert sum(name.startswith("row ") for name in listed) == unnamed


def test_no_check_point_is_said(text: str) -> None:
    assert "No mark with known coordinates was kept out of the adjustment" in text


def test_it_is_to_be_signed_and_carries_the_caution(text: str) -> None:
    assert "J. Specimen (invented), licence 0000 (invented)" in text
    assert "Place, date" in text
    assert "Not a boundary survey" in text


def test_a_site_in_feet_is_reported_in_feet_and_coordinates_in_the_maps_unit(
    built_jetty: Path,
) -> None:
    """No length in metres is left; what the map's unit is stands beside the coordinates."""
    told = json.loads((built_jetty / "report.json").read_text("utf-8"))["network"]
    text = " ".join(
        page.extract_text() for page in pypdf.PdfReader(built_jetty / "survey_report.pdf").pages
    )
    text = " ".join(text.replace("\u202f", " ").replace("\xa0", " ").split())
    for closure in told["closures"]:
        size = f"{closure['length_m'] / 0.3048:.1f} {closure['misclosure_m'] / 0.3048:.3f}"
        assert f"{closure['first_line']} to {closure['last_line']} {size}" in text
    assert "Coordinates in the map's unit, US survey feet, elevations in US survey feet" in text
    assert "100.000 ft on the ground" in text
    assert "licence number" in text  # to be filled in: the site file gives none
    assert "lengths in international feet" in text
    assert not re.findall(r"[\d.]+ (?:m|mm|cm)\b(?!\w)", text)


def test_check_points_are_told_with_the_statements(tmp_path: Path) -> None:
    site = quick_landing(tmp_path / "yard")
    toml = site.read_text("utf-8")
    more = (
        "[anchor.marks.A2]\neasting = 512343.99\nnorthing = 5276112.01\nelevation = 402.5\n"
        "sigma = 0.01\ncheck = true\n\n[codes.asphalt]"
    )
    site.write_text(toml.replace("[codes.asphalt]", more, 1), "utf-8")
    notes = read_survey(site)
    document = survey_report_pdf(build(notes), notes.site.handover)
    reader = pypdf.PdfReader(io.BytesIO(document))
    whole = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert "No NSSDA statement: 1 check point, 20 are needed" in whole
    assert "No ASPRS class: 1 check point, 30 are needed" in whole


def test_the_receiver_signs_beside_the_surveyor_where_a_submission_asks_for_it() -> None:
    def read(asked: str) -> str:
        package = dataclasses.replace(
            package_cases.ferry_landing(),
            submission=Submission(acknowledged_by=asked),
            sheet=Sheet(client="Lakeside Ferry Trust (invented)"),
        )
        pages = pypdf.PdfReader(io.BytesIO(survey_report_pdf(package, Handover()))).pages
        return " ".join(" ".join(page.extract_text() for page in pages).split())

    assert "Received by" not in read("")
    assert read("").count("Place, date") == 1
    both = read("Building office (invented)")
    assert "Received by Building office (invented)" in both
    assert both.count("Place, date") == 2
    assert "The receipt confirms no accuracy" in both
    assert "Received by Lakeside Ferry Trust (invented)" in read("client")
