from __future__ import annotations

import copy
from typing import Any

import pytest

from geosite.processes.summary import lines, of_process

REPORT: dict[str, Any] = {
    "site": {"title": "Landing", "date": "2026-04-12"},
    "network": {
        "closures": [
            {"run": "R1", "mark": "B1", "ratio": 4000.2, "misclosure_m": 0.05, "length_m": 200.0},
            {"run": "R2", "mark": "B2", "ratio": 1000.0, "misclosure_m": 0.1, "length_m": 100.0},
            {"run": "R3", "mark": "B2", "ratio": None, "misclosure_m": 0.0, "length_m": 100.0},
        ],
        "ties": [
            {"mark": "B1", "spread_m": 0.01, "runs": ["R1", "R2"]},
            {"mark": "B2", "spread_m": 0.04, "runs": ["R1", "R2"]},
        ],
        "baseline": {
            "from": "B1", "to": "B2", "measured_m": 34.019, "mapped_m": 34.0, "ppm": 558.0,
            "sigma_m": 0.02, "sigmas": 0.95,
        },
    },
    "areas": {
        "a": {"code": "asphalt", "net_area_m2": {"value": 100.0, "sigma": 0.5, "grid": 99.9}},
        "b": {"code": "asphalt", "net_area_m2": {"value": 50.25, "sigma": 0.2, "grid": 50.2}},
        "c": {
            "code": "setts",
            "net_area_m2": {"value": 7.0, "low": 6.8, "high": 7.2, "sigma": 0.1, "grid": 7.0},
        },
    },
    "terrain": {
        "lowest": 400.1, "highest": 402.0, "elevation_unit": "metre", "unit": "metre",
        "rows": 4, "cols": 5, "cell_size": 0.25,
    },
    "findings": [
        {"level": "look", "code": "x", "text": "Leg 3 looks wrong.", "file": "book.csv", "line": 9},
        {"level": "note", "code": "y", "text": "Two rows agree.", "file": None, "line": None},
    ],
}  # fmt: skip


def text(report: dict[str, Any], style: str | None = None) -> str:
    return "\n".join(words for kind, words in lines(report) if style in (None, kind))


def test_what_a_contractor_wants_to_know_first() -> None:
    found = text(REPORT)
    assert "Landing, 2026-04-12" in found
    assert "3 loops, the worst 0.100 m off in 100 m, 1:1000 (run R2, mark B2)" in found
    assert "tied at 2 marks, up to 0.040 m apart before the adjustment (mark B2)" in found
    assert "walked 34.019 m, on the map 34.000 m, +19 mm; 20 mm is the standard" in found
    assert "asphalt      150.25 m2 in 2 areas" in found
    assert "setts    7.00 +/- 0.20 m2 (95 %)" in found
    assert "elevations 400.10 to 402.00 metres in the raster, 4 x 5 cells of 0.25 metres" in found
    assert "Leg 3 looks wrong. (book.csv:9)" in text(REPORT, "look")
    assert "Two rows agree." in text(REPORT, "plain")
    assert all("\n" not in words for _, words in list(lines(REPORT)))


def test_what_is_missing_is_said() -> None:
    report = copy.deepcopy(REPORT)
    report["network"] = {"closures": [], "ties": [], "baseline": None}
    report["terrain"] = None
    report["findings"] = []
    look = text(report, "look")
    assert "no walk came back" in look
    assert "only one of its marks has a known place on the map" in look
    assert "no rasters" in look
    assert "Nothing needs a look" in text(report, "good")


def test_a_check_says_nothing_of_a_surface_it_does_not_make() -> None:
    report = {key: value for key, value in REPORT.items() if key != "terrain"}
    assert "Ground" not in text(report)


def test_a_baseline_that_does_not_fit_stands_out() -> None:
    report = copy.deepcopy(REPORT)
    report["network"]["baseline"]["sigmas"] = -3.4
    assert "Baseline B1 to B2" in text(report, "look")


def test_no_difference_has_no_sign_of_its_own() -> None:
    report = copy.deepcopy(REPORT)
    check = report["network"]["baseline"]
    check["measured_m"] = check["mapped_m"] - 0.0003
    assert ", +0 mm;" in text(report)


def test_many_findings_do_not_flood_the_screen() -> None:
    report = copy.deepcopy(REPORT)
    report["findings"] = REPORT["findings"][:1] * 500
    assert len(list(lines(report))) < 30
    assert "and 488 more, in report.json" in text(report)


def told(summary: dict[str, Any]) -> list[str]:
    return [words.strip() for style, words in of_process("Run", summary) if style == "plain"]


def test_a_table_of_numbers_is_told_with_its_names_not_counted() -> None:
    assert told({"verdicts": {"can": 5, "cannot": 0}}) == ["verdicts: can 5, cannot 0"]
    test = {"statistic": 3.38671, "noise_freedom": None, "congruent": False}
    assert told({"plan": test}) == ["plan: statistic 3.39, noise freedom none, congruent no"]
    assert told({"layers": {"a": {"href": "a.csv"}}, "runs": [1, 2], "none": {}}) == [
        "layers: 1", "runs: 2", "none: none",
    ]  # fmt: skip


def test_a_table_of_things_is_told_thing_by_thing_with_intervals() -> None:
    exact = {"cut_m3": 0.06034, "cut_low_m3": 0.0, "cut_high_m3": 3.12126, "net_m3": -2.4}
    works = {"even_slipway": {"feature": "slipway", "volumes": {"grid": {}, "exact": exact}}}
    assert told({"earthworks": works}) == ["earthworks: 1", "even slipway: cut 0.1 m3 (0.0 to 3.1)"]
    area = {"code": "asphalt", "net_area_m2": {"value": 749.81, "low": 747.85, "high": 751.76}}
    assert told({"areas": {"apron": area}})[1] == "apron: net area 749.8 m2 (747.9 to 751.8)"
    line = {"length_m": 36.9195, "length_95_m": 0.065, "length_sigma_m": 0.03}
    many = told({"sections": {f"s{i}": line for i in range(20)}})
    assert many[:2] == ["sections: 20", "s0: length 36.92 +/- 0.07 m"]
    assert many[-1] == "and 8 more, in the files"


def test_a_quantity_is_rounded_by_its_interval_and_told_with_it() -> None:
    volume = {"raised_m3": 3.88155, "raised_low_m3": 2.30383, "raised_high_m3": 5.73087}
    assert told(volume) == ["raised: 3.9 m3 (2.3 to 5.7)"]
    wide = {"net_m3": 1234.567, "net_low_m3": 1100.2, "net_high_m3": 1400.9}
    assert told(wide) == ["net: 1235 m3 (1100 to 1401)"]
    nothing = {"lowered_m3": 0.0, "lowered_low_m3": 0.0, "lowered_high_m3": 0.0}
    assert told(nothing) == ["lowered: 0.00 m3 (0.00 to 0.00)"]
    assert told({"interval_low_m": 2.0}) == ["interval low: 2.000 m"]
    assert told({"worst_misclosure_m": None}) == ["worst misclosure: none"]


def test_the_map_and_the_place_on_earth_are_told_in_one_line() -> None:
    report = copy.deepcopy(REPORT)
    report["network"]["frame"] = {
        "crs": "EPSG:32719", "vertical_crs": "EPSG:5773",
        "latitude": -33.45694, "longitude": -70.64827,
    }  # fmt: skip
    assert "Map: EPSG:32719, heights EPSG:5773; the site lies at 33.4569 S, 70.6483 W" in text(
        report
    )


def test_a_misclosure_is_rounded_in_the_unit_that_is_told() -> None:
    # 0.0585 m is 0.192 ft, as the survey report has it; told as 0.059 m first it would be 0.194 ft
    report = copy.deepcopy(REPORT)
    report["site"]["unit"] = "ft"
    del report["network"]["closures"][1:]
    report["network"]["closures"][0] |= {"misclosure_m": 0.0585, "length_m": 57.96}
    assert "0.192 ft off in 190 ft" in text(report)
    check = report["network"]["baseline"]
    check |= {"measured_m": check["mapped_m"] + 0.0254, "sigma_m": 0.0127}
    assert "+1.0 in; 0.5 in is the standard deviation" in text(report)


def test_an_area_is_rounded_in_the_unit_that_is_told() -> None:
    # half of 23.3 ft2 is 2.168 m2: told as 2.2 m2 first it would be 24 ft2
    report = copy.deepcopy(REPORT)
    report["site"]["unit"] = "ft"
    area = {"value": 67.0668, "low": 64.8991, "high": 69.2345}
    report["areas"] = {"deck": {"code": "planks", "net_area_m2": area}}
    assert "planks  722 +/- 23 ft2 (95 %)" in " ".join(text(report).split()).replace(
        "planks ", "planks  "
    )


def test_what_a_process_says_itself_is_told_up_to_twenty_lines() -> None:
    many = told({"told": [f"line {i}" for i in range(30)], "grades": [1, 2]})
    assert many[:2] == ["line 0", "line 1"]
    assert many[19:] == ["line 19", "and 10 more, in the files"]
    assert told({"told": []}) == []


def test_numbers_are_told_in_the_unit_of_the_site() -> None:
    assert told({"unit": "ft", "baseline_m": 3.048}) == ["baseline: 10.000 ft"]
    assert told({"unit": "m", "baseline_m": 3.048}) == ["baseline: 3.048 m"]
    # a unit that is none of lengths is told
    assert told({"unit": "percent", "mean": 1.52}) == ["unit: percent", "mean: 1.52"]


def test_intervals_and_tables_within_a_summary_are_told_in_feet_too() -> None:
    area = {"value": 92.90304, "low": 83.612736, "high": 102.193344}  # 1000 ft2, 900 to 1100
    unbounded = area | {"high": None}
    earth = {"value": 7.64554857984, "low": 6.881, "high": 8.4101}  # 10 yd3, 9 to 11
    found = told(
        {
            "unit": "ft",
            "pads": {"north": {"paved_m2": area, "dug_m3": earth}, "east": {"paved_m2": unbounded}},
        }
    )
    assert found == ["pads: 2", "north: paved 1000 ft2 (900 to 1100), dug 10.0 yd3 (9.0 to 11.0)"]


def test_facts_are_told_in_words() -> None:
    assert told({"closed": True, "open_m": False, "steep": None, "text": "", "word": "x"}) == [
        "closed: yes",
        "open: no",
        "steep: none",
        "word: x",
    ]
    assert told({"unit": "ft", "closed_m": True}) == ["closed: yes"], "no length"


def test_areas_of_one_code_are_summed_in_the_unit_of_the_site() -> None:
    report = copy.deepcopy(REPORT)
    report["site"]["unit"] = "ft"
    pad = {"value": 92.90304, "sigma": 0.1}  # 1000 ft2
    report["areas"] = {n: {"code": "pad", "net_area_m2": pad} for n in ("a", "b")}
    report["areas"]["c"] = {"code": "", "net_area_m2": pad}
    found = " ".join(text(report).split())
    assert "pad 2000.0 ft2 in 2 areas" in found
    assert "without a code 1000.0 ft2, accuracy not known" in found


@pytest.mark.parametrize(
    ("latitude", "longitude", "told"),
    [
        (47.5, 9.25, "47.5000 N, 9.2500 E"),
        (-33.5, -70.25, "33.5000 S, 70.2500 W"),
        (0.0, 0.0, "0.0000 N, 0.0000 E"),
    ],
)
def test_the_place_on_earth_is_told_with_its_side(
    latitude: float, longitude: float, told: str
) -> None:
    report = copy.deepcopy(REPORT)
    place = {"latitude": latitude, "longitude": longitude}
    report["network"]["frame"] = {"crs": "EPSG:1", "vertical_crs": "", **place}
    assert f"Map: EPSG:1; the site lies at {told}" in text(report)
