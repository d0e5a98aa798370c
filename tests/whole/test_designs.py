"""Builds with a design, and with a rain besides: files, layers and report."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pyogrio
import pypdfium2
import pytest
import rasterio
from cli_runner import FERRY as LANDING
from cli_runner import geosite
from quick_landing import quick_landing

pytestmark = pytest.mark.slow


@pytest.fixture
def out(built_landing: Path) -> Path:
    return built_landing


@pytest.fixture(scope="module")
def rained(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("design")
    site = quick_landing(folder / "site")
    text = site.read_text("utf-8")
    text = text.replace("[drainage]\n", "[drainage]\nrainfall_mm_per_hour = 100\nrunoff = 0.8\n")
    site.write_text(text, "utf-8")
    done = geosite("build", site, "--out", folder / "out")
    assert done.status == 0, done.err
    assert "Design boarding: cut 0.000 m3 (0.000 to 0.000)" in done.out + done.err
    return folder / "out"


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def test_the_designed_ground_is_a_raster_with_the_pad_in_it(out: Path) -> None:
    with rasterio.open(out / "design_boarding.tif") as source:
        design = source.read(1, masked=True)
        middle = source.index(512323.989, 5276128.237)
    with rasterio.open(out / "elevation.tif") as source:
        walked = source.read(1, masked=True)
    assert design.shape == walked.shape
    assert float(design[middle]) == pytest.approx(402.30 - 0.015 * 2.25, abs=0.005)
    change = np.ma.abs(design - walked)
    # nothing beyond the pad and its banks: 36 m2, and less than half a metre of bank around
    assert 36 < float((change > 1e-4).sum()) * 0.0625 < 36 + 26 * 0.6


def test_cut_and_fill_have_intervals_and_the_water_is_told_before_and_after(
    out: Path, rained: Path
) -> None:
    (design,) = rows(out / "designs.csv")
    low, value, high = (float(design[n]) for n in ("fill_low_m3", "fill_m3", "fill_high_m3"))
    # truth from the simulated ground: about 4.6 m3 with the banks
    assert low < 4.6 < high
    assert low < value < high
    water = rows(out / "design_water.csv")
    assert {w["what"] for w in water} == {"pond", "inlet", "fall"}
    assert {w["name"] for w in water if w["what"] == "inlet"} == {"inlet_west", "inlet_east"}
    for folder, more in ((out, set()), (rained, {"peak_flows"})):
        layers = set(pyogrio.list_layers(folder / "site.gpkg")[:, 0])
        assert {"design_edges", "design_lines", "designs", "design_water"} | more <= layers
    lines = pyogrio.read_dataframe(out / "site.gpkg", layer="design_lines")
    assert "daylight" in set(lines["meaning"])


def test_what_the_design_does_not_touch_is_the_same_before_and_after(out: Path) -> None:
    """Walked and designed ground are drained on the same possible grounds."""
    water = {w["name"]: w for w in rows(out / "design_water.csv")}
    far = water["inlet_east"]
    for end in ("", "_low", "_high"):
        assert far[f"before{end}"] == far[f"after{end}"]
    assert water["inlet_west"]["before"] != water["inlet_west"]["after"]


def test_the_design_has_a_sheet_with_its_cut_and_fill_and_its_water(out: Path) -> None:
    document = pypdfium2.PdfDocument(out / "plan.pdf")
    texts = [document[i].get_textpage().get_text_range() for i in range(len(document))]
    (sheet,) = [text for text in texts if "Design Boarding pad, its ground and water" in text]
    (design,) = rows(out / "designs.csv")
    assert f"{float(design['fill_m3']):.1f}" in sheet
    assert "foot of its banks, on the ground" in sheet
    assert "runs to inlet west" in sheet
    document.close()


def test_peak_flows_stand_in_table_and_report(rained: Path) -> None:
    flows = {row["inlet"]: row for row in rows(rained / "peak_flows.csv")}
    west = flows["inlet_west"]
    area = float(west["area_m2"])
    assert float(west["flow_lps"]) == pytest.approx(0.8 * 100 * area / 3600, rel=1e-6)
    assert float(west["flow_low_lps"]) <= float(west["flow_lps"]) <= float(west["flow_high_lps"])
    report = json.loads((rained / "report.json").read_text("utf-8"))
    assert len(report["designs"]) == 1
    assert {row["inlet"] for row in report["peak_flows"]} == set(flows)


def test_the_design_is_priced_before_it_is_built(out: Path) -> None:
    lines = {line["title"]: line for line in rows(out / "design_estimate.csv")}
    pad, edging, total = lines["Boarding pad"], lines["Timber edging"], lines["Total"]
    # 8 m by 4.5 m at 62, 8 m with 5 % waste at 18.50: of stated corners, so without a range
    assert float(pad["amount"]) == pytest.approx(36.0 * 62.0, abs=0.5)
    assert float(edging["amount"]) == pytest.approx(8.0 * 1.05 * 18.5, abs=0.05)
    assert pad["amount_low"] == pad["amount_high"] == pad["amount"]
    # from the simulated ground under the pad: 1.43 m3 are to be dug for its 18 cm
    low, high = (float(lines["Cut to formation"][end]) for end in ("measured_low", "measured_high"))
    assert low < 1.43 < high
    assert float(total["amount_low"]) < float(total["amount"]) < float(total["amount_high"])
    sums = [float(line["amount"]) for title, line in lines.items() if title != "Total"]
    assert float(total["amount"]) == pytest.approx(sum(sums), abs=0.005)
    parts = {part["part"]: part for part in rows(out / "design_parts.csv")}
    assert parts["pad"]["order_by"] == "volume"
    report = json.loads((out / "report.json").read_text("utf-8"))
    assert len(report["design_estimate"]) == len(lines)


def test_corners_of_a_design_go_back_to_the_field_as_they_are(out: Path, tmp_path: Path) -> None:
    """The file as `set-out --design` takes it, against the corners as the site file states them."""
    corners = rows(out / "design_boarding_points.csv")
    assert list(corners[0]) == ["point", "easting", "northing", "elevation"]
    stated = rows(LANDING / "design_points.csv")
    found: list[dict[tuple[str, str], list[float]]] = []
    for name, design in (("built", out / "design_boarding_points.csv"), ("stated", None)):
        given = ("--site", LANDING / "site.toml", "--walk", LANDING / "today.csv")
        done = geosite(
            *("execute", "set-out", *given),
            *("--design", design or LANDING / "design_points.csv"),
            *("--tolerance", "0.1", "--out", tmp_path / name),
        )
        assert done.status == 0, done.err
        told = rows(tmp_path / name / "setting_out.csv")
        found.append({row["point"]: [float(row[axis]) for axis in "xyz"] for row in told})  # type: ignore[misc]
    built, by_hand = found
    places = {(c["easting"], c["northing"]): c["point"] for c in corners}
    for number, one in enumerate(stated[:4], start=1):
        match = next(
            point
            for (east, north), point in places.items()
            if abs(float(east) - float(one["easting"])) < 1e-3
            and abs(float(north) - float(one["northing"])) < 1e-3
        )
        assert match == str(number)  # as on the sheet of the design
        # elevations of the sample file are to the millimetre
        assert built[match] == pytest.approx(by_hand[one["point"]], abs=6e-4)  # type: ignore[index]


def test_a_design_tells_its_distance_to_the_parcel_line(out: Path) -> None:
    """Against the parcel map as it is: the pad's corners, and grid lengths over the factor."""
    import shapely

    _, _, shapes, fields = pyogrio.raw.read(LANDING / "parcels.gpkg")
    parcels = dict(zip(fields[0], shapely.from_wkb(shapes), strict=True))
    report = json.loads((out / "report.json").read_text("utf-8"))
    factor = report["network"]["frame"]["combined_factor"]
    pad = shapely.box(512319.991, 5276125.988, 512327.987, 5276130.486)
    told = {row["what"]: row for row in rows(out / "design_parcels.csv")}
    line = parcels[told["parts"]["parcel"]].boundary
    assert float(told["parts"]["distance_m"]) == pytest.approx(
        pad.distance(line) / factor, abs=1e-3
    )
    assert float(told["parts"]["distance_sigma_m"]) == pytest.approx(0.10)  # the map's, as stated
    assert float(told["banks"]["distance_m"]) < float(told["parts"]["distance_m"])
    assert report["design_parcels"][0]["verdict"] == told["parts"]["verdict"]
    document = pypdfium2.PdfDocument(out / "plan.pdf")
    text = " ".join(" ".join(page.get_textpage().get_text_bounded().split()) for page in document)
    assert "To the line of parcel 101/2: 0.55 +/- 0.20 m, clear" in text
    assert "a licensed surveyor does" in text


def test_asphalt_under_the_pad_is_not_ordered(out: Path) -> None:
    """The overlap of the pad with the apron as it left, by the geometry library."""
    import shapely

    _, _, shapes, fields = pyogrio.raw.read(out / "site.gpkg", layer="areas", columns=["feature"])
    areas = dict(zip(fields[0], shapely.from_wkb(shapes), strict=True))
    pad = shapely.box(512319.991, 5276125.988, 512327.987, 5276130.486)
    report = json.loads((out / "report.json").read_text("utf-8"))
    factor = report["network"]["frame"]["combined_factor"]
    under = shapely.force_2d(areas["apron"]).intersection(pad).area / factor**2
    asphalt = next(
        row
        for row in rows(out / "quantities.csv")
        if (row["feature"], row["code"]) == ("", "asphalt")
    )
    assert float(asphalt["replaced_area_m2"]) == pytest.approx(under, abs=0.01)
    left = (float(asphalt["net_area_m2"]) - under) * 0.10 * 1.05
    assert float(asphalt["order_volume_m3"]) == pytest.approx(left, abs=0.01)
    # what is cut and filled is of the ground, whatever lies on it
    (design,) = rows(out / "designs.csv")
    assert float(design["fill_m3"]) == pytest.approx(4.7, abs=0.1)
