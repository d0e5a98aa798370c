"""Measures, grades and amounts in words, on either side of where the words change."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely

from geosite.base.columns import Field
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame
from geosite.fieldbook.sitefile import Code, Revision, Sheet
from geosite.handover.model import Layer, Package, Table
from geosite.handover.names import design_called, readable_name
from geosite.handover.wording.codes import code_title
from geosite.handover.wording.grades import grade_words
from geosite.handover.wording.measures import (
    Measures,
    grade_told,
    layer_of,
    section_letter,
    steepness,
    told,
    verdict_told,
)
from geosite.handover.wording.money import amount_words, range_words
from geosite.handover.wording.reference import (
    MarkAccuracy,
    accuracy_words,
    convergence_spread,
    convergence_words,
    crs_words,
    height_words,
    mark_accuracy,
    parcel_source_words,
)
from geosite.handover.wording.title_block import revision_words, title_fields
from geosite.handover.wording.titles import column_title, column_titles

METRES, FEET = Measures("m"), Measures("ft")


def package(*layers: Layer, tables: tuple[Table, ...] = (), **more: Any) -> Package:
    frame = more.pop("frame", Frame())
    return Package("Yard", "2026-05-01", frame, layers, tables=tables, **more)


def layer(name: str, *records: dict[str, Any]) -> Layer:
    return Layer(name, name, "", "PointZ", (), records, [])


@pytest.mark.parametrize(
    ("area_m2", "metric", "feet"),
    [
        (9.994, "9.99 m²", "107.6 ft²"),
        (10.0, "10.0 m²", "107.6 ft²"),
        (0.92, "0.92 m²", "9.90 ft²"),
        (9999.9, "9\u202f999.9 m²", "107\u202f638 ft²"),
        (10_000.0, "10\u202f000 m²", "107\u202f639 ft²"),
    ],
)
def test_areas_have_fewer_digits_the_larger_they_are(
    area_m2: float, metric: str, feet: str
) -> None:
    assert (METRES.area(area_m2), FEET.area(area_m2)) == (metric, feet)
    for nothing in (None, math.inf, math.nan, 0.0, -1.0):
        assert METRES.area_known(area_m2, nothing) == metric


def test_no_digit_is_told_that_is_not_known() -> None:
    assert METRES.area_known(749.812, 0.02) == "749.81 m²"
    assert METRES.area_known(749.812, 0.00002) == "749.81 m²"
    assert METRES.area_known(749.812, 30.0) == "750 m²"
    assert (METRES.length(3.048), FEET.length(3.048)) == ("3.05 m", "10.00 ft")
    assert (METRES.fine(1234.5678), METRES.fine(1.0, 1)) == ("1\u202f234.568", "1.0")
    assert METRES.fine(math.inf) == METRES.fine(math.nan) == ""
    assert FEET.with_interval(3.048, 0.06096) == "10.00 +/- 0.20 ft"
    assert FEET.with_interval(3.048, None) == "10.00 ft"
    assert (METRES.known(9.144, 0.0002), METRES.known(9.144, 5.0)) == ("9.14", "9")
    assert (METRES.unit_m, FEET.unit_m) == (1.0, 0.3048)


def test_volumes_end_where_their_interval_does() -> None:
    assert METRES.volume(2.345, None, None) == METRES.volume(2.345, 1.0, None) == "2.35 m³"
    assert METRES.volume(2.344, 0.0, 3.1) == "2.3 m³"
    assert METRES.volume(2.344, 2.3439, 2.3441) == "2.34 m³"
    assert FEET.volume(0.028316846592 * 50, 0.0, 0.028316846592 * 90) == "50 ft³"


def test_numbers_with_both_ends() -> None:
    assert told(Estimate(-2.0, -7.0, 3.0), sign=True) == ("\u22122", "\u22127", "+3")
    assert told(Estimate(0.02, -0.34, 0.3), sign=True) == ("0.0", "\u22120.3", "+0.3")
    assert told(Estimate(10.0, 9.9999, 10.0001)) == ("10.000", "10.000", "10.000")
    assert told(Estimate(10.0, 9.9999, 10.0001), most=1) == ("10.0", "10.0", "10.0")
    assert told(Estimate(3.048, 2.743, 3.353), per=0.3048) == ("10.0", "9.0", "11.0")
    assert told(Estimate(5.0, -math.inf, math.inf)) == ("5.00", "?", "?")


def test_arrows_and_letters() -> None:
    assert [steepness(v) for v in (0.04, 9.949, 9.951, 10.0, 10.4)] == [
        "0.0", "9.9", "10", "10", "10",
    ]  # fmt: skip
    assert [section_letter(n) for n in (1, 26, 27, 51, 52)] == ["B", "AA", "AB", "AZ", "BA"]


def test_a_layer_that_is_missing_or_empty_is_none() -> None:
    one, empty = layer("areas", {"a": 1}), layer("lines")
    assert layer_of(package(empty, one), "areas") is one
    assert layer_of(package(empty, one), "lines") is None
    assert layer_of(package(empty, one), "marks") is None


def test_verdicts_and_grades() -> None:
    assert verdict_told({"verdict": "beyond", "limit_from": "site"}) == "beyond"
    assert verdict_told({"verdict": None}) == ""
    width = {"value": 1.524, "value_95": 0.03048, "unit": "m"}
    assert grade_told(width, FEET) == "5.00 +/- 0.10 ft"
    assert grade_told({"value": 2.04, "unit": "percent"}, FEET) == "2.0 %"


def words(rise: float, half: float, grade_half: float | None = None) -> tuple[str, ...]:
    stations = np.array([0.0, 4.0, 10.0])
    heights = np.array([100.0, 7.0, 100.0 + rise])
    known = None if grade_half is None else np.array([grade_half, 2 * grade_half])
    return grade_words(stations, heights, np.array([half, 9.0, half]), known)


def test_an_arrow_points_down_where_the_ground_is_known_to_fall() -> None:
    # both ends err on their own: 10 mm each over 10 m are 0.14 percent
    assert words(-0.016, 0.01) == ("→ 0.2",)
    assert words(-0.2, 0.01) == ("→ 2.0",)
    assert words(0.2, 0.01) == ("← 2.0",)
    assert words(0.014, 0.01) == ("0.1 +/- 0.1", "0.1")
    assert words(0.2, 0.2) == ("2.0 +/- 2.8", "2.0")
    assert words(0.2, math.inf) == ("← 2.0",)
    assert words(0.0, math.inf) == ("0.0",)
    # of grades that err as one over 4 and 6 m: (4 g + 12 g) / 10, where that is less
    assert words(0.2, 0.2, 0.01) == ("← 2.0",)
    assert words(0.2, 0.2, 0.0126) == ("2.0 +/- 2.0", "2.0")
    assert words(0.2, 0.01, 1.0) == ("← 2.0",)
    assert words(0.2, math.inf, 0.02) == ("2.0 +/- 3.2", "2.0")


def test_amounts() -> None:
    assert amount_words(1234.5, "EUR", 0) == "1\u202f234 EUR"
    assert range_words(999.6, 1000.6) == "1\u202f000 to 1\u202f001"
    assert range_words(-0.4, 0.4) == "-0.4 to 0.4"


def test_names_of_codes_keys_and_designs() -> None:
    codes = {"a_b": Code(title=""), "c": Code(title="C, 4 cm")}
    assert [code_title(codes, code) for code in ("a_b", "c", "d_e", None)] == [
        "a b", "C, 4 cm", "d e", "without a code",
    ]  # fmt: skip
    assert (readable_name(7), readable_name("_a_b_")) == ("7", "a b")
    assert design_called({"design": "a_b", "title": ""}) == "a b"
    assert design_called({}) == ""


def test_titles_of_columns() -> None:
    def title(name: str, unit: str = "", given: str = "") -> str:
        return column_title(Field(name, "real", unit=unit, title=given))

    assert [title("sigma_m", "m"), title("v_95_m", "m"), title("grade_percent", "percent")] == [
        "Standard deviation [m]", "± vertical, 95 % [m]", "Grade [%]",
    ]  # fmt: skip
    assert [title("turn_deg", "deg"), title("drift_ppm", "ppm"), title("x", "", "East")] == [
        "Turn [°]", "Drift [ppm]", "East",
    ]  # fmt: skip
    fields = [Field("a", "text"), Field("Area", "text"), Field("area", "text"), Field("b", "text")]
    assert column_titles(fields) == {"a": "A", "Area": "Area", "area": "Area (area)", "b": "B"}
    # a title that is another column's name is no title either
    fields = [Field("x", "text", title="y"), Field("y", "text")]
    assert column_titles(fields) == {"x": "y (x)", "y": "Y"}


def test_the_title_block_names_who_is_known() -> None:
    sheet = Sheet(surveyor="J. S.", licence="12", client="Trust", approved_by="B. A.", number="7")
    other = package(surveyor="Site", client="Owner", sheet=sheet)
    assert title_fields(other) == {
        "Client": "Trust", "Surveyed by": "J. S., 12", "Approved by": "B. A.", "Sheet": "7",
    }  # fmt: skip
    assert "Sheet" not in title_fields(other, with_number=False)
    assert title_fields(package(surveyor="Site", client="Owner")) == {
        "Client": "Owner", "Surveyed by": "Site",
    }  # fmt: skip
    revisions = (Revision(number="A", date="2026-05-01", text="First"),)
    assert revision_words(package(sheet=Sheet(revisions=revisions))) == [
        ("Revision A", "2026-05-01: First")
    ]


def test_names_of_a_crs_are_told_once() -> None:
    assert crs_words(' PROJCRS["Yard",BASE', "Yard") == "Yard"
    assert crs_words("no WKT", "EPSG:1") == "EPSG:1"
    assert crs_words(f'PROJCRS["{"n" * 80}",', "EPSG:1") == f"{'n' * 80} (EPSG:1)"
    assert crs_words(f'PROJCRS["{"n" * 81}",', "EPSG:1") == "EPSG:1"
    assert len(crs_words("", "n" * 200)) == len(crs_words(f'A["{"n" * 80}",', "m" * 99)) == 120
    assert height_words(Frame(vertical_name="EPSG:1")) == "EPSG:1"
    assert parcel_source_words(" map of 1999. ") == "Parcel map: map of 1999."


def test_true_north_is_told_from_half_a_minute_on() -> None:
    minute = math.radians(1 / 60)
    assert convergence_words(-0.49 * minute) == "Arrow: grid north, which is true north here."
    assert convergence_words(0.51 * minute).startswith(
        "Arrow: grid north. True north (dashed) is 0° 00.5\u2032 west of it, the angle drawn larg"
    )
    assert "1° 59.0\u2032 east of it" in convergence_words(-119 * minute)
    assert "2° 00.0\u2032 east of it" in convergence_words(-119.96 * minute)
    assert convergence_words(14.1 * 60 * minute).endswith("14° 06.0\u2032 west of it.")
    assert convergence_words(13.9 * 60 * minute).endswith("west of it, the angle drawn larger.")
    across = " in the middle of the site, across which that differs by 0.02°"
    assert convergence_words(0.0, math.radians(0.02)) == (
        f"Arrow: grid north, which is true north{across}."
    )
    assert "differs" not in convergence_words(0.0, math.radians(0.0099))
    assert "differs by 0.01°" in convergence_words(0.0, math.radians(0.0101))


def test_the_spread_of_the_convergence_is_that_of_the_corners() -> None:
    from pyproj import CRS

    def spread(code: int, *places: tuple[float, float], wkt: bool = True) -> float:
        frame = Frame(crs_wkt=CRS(f"EPSG:{code}").to_wkt() if wkt else "")
        marks = Layer("points", "", "", "Point", (), [{}] * len(places), shapely.points(places))
        return convergence_spread(package(marks, frame=frame))

    # 10 km at 47.85 degrees are 0.134 degrees of longitude, times its sine
    found = spread(25832, (500_000.0, 5_300_000.0), (510_000.0, 5_300_000.0))
    assert math.degrees(found) == pytest.approx(0.1336 * math.sin(math.radians(47.85)), rel=2e-3)
    # beside a pole it may pass the half turn
    across = [(2e6 + x, 2e6 + 500.0) for x in (-50.0, 50.0)]
    assert math.degrees(spread(5041, *across)) == pytest.approx(
        2 * math.degrees(math.atan2(50, 500)), abs=1e-6
    )
    assert spread(25832, (0.0, 0.0), (9e7, 9e7)) == 0.0
    assert spread(25832, (5e5, 5e6), (6e5, 5e6), wkt=False) == 0.0
    assert convergence_spread(package(frame=Frame(crs_wkt=CRS("EPSG:25832").to_wkt()))) == 0.0


def test_how_good_the_marks_are() -> None:
    def points(*pairs: tuple[float | None, float | None], **more: float) -> Layer:
        return layer("points", *({"sigma_h_m": h, "sigma_v_m": v, **more} for h, v in pairs))

    assert mark_accuracy(package()) is None
    assert mark_accuracy(package(points((0.01, None)))) is None
    assert mark_accuracy(package(points((None, 0.01)))) is None
    # a circle of 2.4477 sigmas, an interval of 1.96; the middle of three, and the worst
    found = mark_accuracy(package(points((0.01, 0.03), (0.02, 0.01), (0.06, 0.02), (None, None))))
    assert found is not None
    assert (found.plan_m, found.worst_plan_m) == pytest.approx((0.048955, 0.146864), abs=1e-6)
    assert (found.height_m, found.worst_height_m) == pytest.approx((0.039199, 0.058799), abs=1e-6)
    # noise known from few misclosures makes intervals wider, and circles as much
    wide = mark_accuracy(package(points((0.01, 0.01), h_95_m=0.0392, v_95_m=0.05)))
    assert wide == MarkAccuracy(
        pytest.approx(0.048957, abs=1e-5), pytest.approx(0.048957, abs=1e-5), 0.05, 0.05
    )
    # ellipses go before circles
    marks = layer("marks", {"ellipse_major_m": 0.3}, {"ellipse_major_m": None}, {})
    known = mark_accuracy(package(points((0.01, 0.01), v_95_m=0.05), marks))
    assert known == MarkAccuracy(0.3, 0.3, 0.05, 0.05)
    said = accuracy_words(package(points((0.01, 0.01), v_95_m=0.05), marks), FEET)
    assert said.startswith(
        "At 95 % confidence the marks are right to 0.98 ft in position (worst 0.98 ft) and 0.16 ft "
        "in elevation (worst 0.16 ft), as the baseline marks place them. Every mark"
    )
    assert accuracy_words(package(), METRES) == "The accuracy of the marks is not known."


@pytest.mark.parametrize(
    ("kinds", "names", "is_said"),
    [
        (("leg",), ("A", "A"), True),
        (("leg", "visit"), ("A", "A"), False),
        (("leg",), ("A", "B"), False),
        (("leg",), ("A", ""), False),
        (None, ("A", "A"), False),
    ],
)
def test_pointing_that_is_in_no_figure_is_said(
    kinds: tuple[str, ...] | None, names: tuple[str, str], is_said: bool
) -> None:
    rows = [{"point": name, "sigma_h_m": 0.01, "sigma_v_m": 0.01} for name in names]
    tables = () if kinds is None else (Table("residuals", "", (), [{"kind": k} for k in kinds]),)
    said = accuracy_words(package(layer("points", *rows), tables=tables), METRES)
    assert ("(pointing) is in none of these figures" in said) == is_said
