"""``report.json``: plain JSON, as its schema says, and no number without its interval."""

from __future__ import annotations

import datetime
import json
import math
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import package_cases
import pytest
from built_samples import package_of
from quick_landing import quick_landing, take_coarse_cells

from geosite.base.errors import Finding
from geosite.build import build, check
from geosite.fieldbook.read import read_survey
from geosite.handover.report_json.order import worst_first
from geosite.handover.report_json.schema import report_schema, schema_of
from geosite.handover.report_model import answers as answers_model
from geosite.handover.report_model import ground as ground_model
from geosite.handover.report_model import site as model
from geosite.handover.report_model.serialise import as_json, plain, write_report
from geosite.handover.report_model.site import SurveyReport

SAMPLES = Path(__file__).parents[2] / "sample_data"

EXACT = {
    "of the rasters, chosen": ("Ground.cell_size",),
    "of the raster, whose cells have their own in elevation_sigma.tif": (
        "Ground.lowest",
        "Ground.highest",
    ),
    "itself an accuracy": (
        *("AnchoredMark.sigma_m", "BaselineCheck.sigma_m", "ClosureReport.sigma_m"),
        *("CheckPoint.sigma_h_m", "CheckPoint.sigma_v_m", "CheckedAccuracy.rmse_r_m"),
        *("CheckedAccuracy.rmse_z_m", "Direction.sigma_deg"),
        *("Spread.median", "Spread.largest", "Score.rmse", "Score.mean", "Score.largest"),
        *("Roughness.sigma_m", "Roughness.range_m", "Roughness.reach_m"),
        "Roughness.wide_range_m",
    ),
    "shares of a variance": (
        *("ErrorSharesReport.horizontal_percent", "ErrorSharesReport.vertical_percent"),
        "ErrorSharesReport.distance_percent",
    ),
    "itself a probability": ("Pond.probability", "Grade.probability", "Roughness.weight"),
    "an extent": ("Points.outline_wgs84",),
    "a price, given": ("PricedLine.rate", "PricedLine.minimum", "PricedLine.waste_percent"),
    "a limit, given": (
        *("Direction.limit_10_deg", "Direction.limit_30_deg", "NeighbourReport.allowed_m"),
        *("Ground.slope_breaks_percent", "Grade.limit", "Paving.minimum_percent"),
        *("Fall.limit_percent", "Fall.distance_m"),
    ),
    "a station along the line, chosen by the check": ("Grade.start_m", "Grade.end_m"),
    "a place, where to look": (
        *("Finding.place", "Fall.easting", "Fall.northing", "Paving.easting", "Paving.northing"),
        "Fall.over_m",
    ),
    "what was looked at": ("Fall.wall_m", "Paving.known_m2", "Earthwork.covered"),
    "wall by verdict, which has the accuracy in it": (
        *("Fall.beyond_m", "Fall.undecided_m", "Fall.not_measured_m", "Fall.within_m"),
    ),
    "the largest part of flat_m2, which has the interval": ("Paving.patch_m2",),
    "what was seen in the field, beside the sigma it is held against": (
        *("ClosureReport.length_m", "ClosureReport.misclosure_m", "ClosureReport.misclosure_up_m"),
        *("ClosureReport.ratio", "ClosureReport.levelling_mm_per_sqrt_km", "Tie.spread_m"),
        *("Direction.misclosure_deg", "BaselineCheck.measured_m", "BaselineCheck.mapped_m"),
        *("BaselineCheck.ppm", "BaselineCheck.sigmas", "PlanResidual.east_m"),
        *("PlanResidual.north_m", "HeightResidual.up_m", "CheckPoint.east_m"),
        *("CheckPoint.north_m", "CheckPoint.up_m", "MistakeReport.error_m"),
        *("LeastCertain.distance_m", "LeastCertain.baseline_m"),
    ),
    "a factor of the map": (
        *("MapFrame.combined_factor", "MapFrame.convergence_deg", "MapFrame.elevation_factor"),
        "MapFrame.grid_scale_factor",
    ),
    "where the map lies, to a metre": ("MapFrame.latitude", "MapFrame.longitude"),
    "the statistic of a test, or its chance": (
        *("Noise.chance", "Noise.degrees_of_freedom", "Noise.estimate", "Noise.factor"),
        *("Noise.freedom", "Noise.squares", "PlanMisfit.chi_square", "HeightsMisfit.chi_square"),
        "MistakeReport.chance",
    ),
    "given in the site file": ("Anchor.grid_azimuth_deg",),
    "the difference of two computed numbers": ("Volume.cut_error_m3", "Volume.fill_error_m3"),
}
"""Numbers that need no interval, by the reason."""

PART = re.compile(r"_(low|high|sigma|95)(_|$)")
"""An end of an interval, half of it, or a standard deviation."""

WAITING: tuple[str, ...] = ()
"""Numbers whose fact has no interval yet. One leaves this list when its fact brings one."""


@cache
def report(sample: str) -> dict[str, Any]:
    built = package_of(sample)
    assert built.report is not None
    return as_json(built.report)


def numbers(schema: dict[str, Any]) -> Iterator[str]:
    """Name every property that holds numbers, as ``Type.property``."""
    for kind, part in schema["$defs"].items():
        for name, one in part["properties"].items():
            if '"number"' in json.dumps(one):
                yield f"{kind}.{name}"


def test_every_number_has_its_interval_or_says_why_not() -> None:
    schema = report_schema()
    alone = set()
    for one in numbers(schema):
        kind, name = one.split(".")
        names = schema["$defs"][kind]["properties"]
        if name in {"value", "grid", "low", "high", "sigma"} or PART.search(name):
            continue
        stem, _, unit = name.rpartition("_")
        ways = (
            (f"{name}_low", f"{name}_high"),
            (f"{name}_95",),
            (f"{stem}_low_{unit}", f"{stem}_high_{unit}"),
            (f"{stem}_95_{unit}",),
        )
        if not any(all(part in names for part in way) for way in ways):
            alone.add(one)
    exact = {name for names in EXACT.values() for name in names}
    assert alone - {"SiteReport.distances"} == exact | set(WAITING)


@pytest.mark.slow
@pytest.mark.parametrize("sample", ["ferry_landing", "jetty_feet", "davis_spot_heights"])
def test_reports_are_as_their_schema_says(sample: str) -> None:
    schema = report_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(report(sample), schema, jsonschema.Draft202012Validator)


@pytest.mark.slow
def test_prices_stand_in_the_report_with_their_range(tmp_path: Path) -> None:
    site = quick_landing(tmp_path / "landing")
    take_coarse_cells(site)
    priced = '\n[prices.codes.setts]\nrate = 40.0\nper = "m2"\n'
    site.write_text(site.read_text("utf-8") + priced, "utf-8")
    built = build(read_survey(site))
    assert built.report is not None
    found = as_json(built.report)
    jsonschema.validate(found, report_schema(), jsonschema.Draft202012Validator)
    (line,) = (one for one in found["prices"]["lines"] if one["code"] == "setts")
    assert found["prices"]["currency"] == "EUR"
    assert line["amount"] == pytest.approx(line["charged"] * 40.0, abs=0.01)
    assert line["amount_low"] < line["amount"] < line["amount_high"]
    low, high = found["prices"]["total_low"], found["prices"]["total_high"]
    assert low < found["prices"]["total"] < high


@pytest.mark.slow
def test_the_report_of_a_check_has_a_schema_too() -> None:
    found = as_json(check(read_survey(SAMPLES / "ferry_landing" / "site.toml")))
    schema = schema_of(SurveyReport)
    jsonschema.validate(found, schema, jsonschema.Draft202012Validator)
    assert set(found) < set(report("ferry_landing"))


@pytest.mark.slow
def test_the_schema_refuses_what_no_report_says() -> None:
    schema = report_schema()
    spoilt = report("ferry_landing") | {"areas": {"apron": {"code": 3}}}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spoilt, schema, jsonschema.Draft202012Validator)


def test_every_word_of_the_schema_is_explained() -> None:
    for kind, part in report_schema()["$defs"].items():
        if kind not in {*model.__all__, *ground_model.__all__, *answers_model.__all__}:
            continue  # the facts of a room, explained there
        assert part["description"], kind
        bare = [name for name, one in part["properties"].items() if not one.get("description")]
        assert not bare, f"{kind}: {bare}"


@pytest.mark.slow
def test_the_extent_of_a_site_lies_where_the_site_is() -> None:
    corners = report("ferry_landing")["points"]["outline_wgs84"]
    assert len(corners) == 5
    assert corners[0] == corners[-1]
    (west, south), (east, north) = corners[0], corners[2]
    assert 0 < east - west < 0.01
    assert 0 < north - south < 0.01


def test_what_to_look_at_comes_first() -> None:
    findings = [Finding("note", "a", "A"), Finding("look", "b", "B"), Finding("look", "c", "C")]
    assert [f.code for f in worst_first(findings)] == ["b", "c", "a"]


def test_what_is_broken_comes_before_what_is_undecided_and_what_is_remarked() -> None:
    codes = ("flat-paving", "parcel-line-undecided", "nothing-checks", "pond", "parcel-line")
    findings = [Finding("look", code, "It is so.") for code in (*codes, "names-swapped")]
    assert [f.code for f in worst_first(findings)] == ["names-swapped", *codes[::-1]]


def test_the_report_is_plain_json_without_nan(tmp_path: Path) -> None:
    path = tmp_path / "report.json"
    network = {
        "z": math.nan,
        "a": np.float32(1.5),
        "inf": -math.inf,
        "minus zero": -0.0,
        "array": np.array([[1, 2], [3, 4]]),
        "date": datetime.date(2026, 4, 12),
        "flag": np.bool_(True),
        "whole": np.int64(7),
        "tuple": (1, "ü", None),
        "nested": {1: {"deep": [math.nan]}},
        "lone": "\ud800",
        "path": Path("x"),
    }
    finding = Finding("look", "code", "text", "field_book.csv", 3)
    write_report(path, package_cases.report(network=network, findings=(finding,)))
    text = path.read_text(encoding="utf-8")

    def no_constant(name: str) -> None:
        raise AssertionError(name)

    read = json.loads(text, parse_constant=no_constant)
    assert list(read) == sorted(read)
    assert read["network"] == {
        "z": None,
        "a": 1.5,
        "inf": None,
        "minus zero": 0.0,
        "array": [[1, 2], [3, 4]],
        "date": "2026-04-12",
        "flag": True,
        "whole": 7,
        "tuple": [1, "ü", None],
        "nested": {"1": {"deep": [None]}},
        "lone": "?",
        "path": "x",
    }
    assert read["findings"] == [
        {"level": "look", "code": "code", "text": "text", "file": "field_book.csv", "line": 3}
        | {"mark": None, "place": None}
    ]
    assert "-0.0" not in text


def test_plain_takes_any_finding() -> None:
    assert plain([Finding("note", "c", "t")])[0]["line"] is None
