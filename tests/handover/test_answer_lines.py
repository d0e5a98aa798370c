"""What one question came to, in lines for a terminal."""

import math
from typing import Any

import pytest

from geosite.base.errors import Finding
from geosite.base.map_frame import Frame
from geosite.handover.model import Layer, Package, Table
from geosite.handover.wording.answers import QUESTIONS, answer_lines, findings_about


def package(unit: str = "m", findings: tuple[Finding, ...] = (), **records: Any) -> Package:
    tables = tuple(Table(name, "", (), found) for name, found in records.items())
    return Package("Yard", "", Frame(), tables=tables, unit=unit, findings=findings)


def grade(verdict: str, value: float, limit: float | None = 5.0) -> dict[str, Any]:
    return {
        "line": "ramp", "check_of": "running", "from_point": "A", "to_point": "B",
        "value": value, "value_95": 0.5, "unit": "percent", "limit_value": limit,
        "verdict": verdict, "limits": "own", "section": "4.2", "limit_from": "site",
    }  # fmt: skip


def test_what_is_beyond_is_told_first_and_of_that_the_worst() -> None:
    rows = [grade("within", 2.0), grade("undecided", 5.1), grade("beyond", 6.0)]
    rows += [grade("beyond", -9.0), grade("within", 3.0)]
    told = answer_lines("grades", package(grades=rows))
    assert [line.split(": ", 1)[1] for line in told] == [
        "-9.0 +/- 0.5 %, limit 5 %: beyond (own 4.2)",
        "6.0 +/- 0.5 %, limit 5 %: beyond (own 4.2)",
        "5.1 +/- 0.5 %, limit 5 %: undecided (own 4.2)",
        "3.0 +/- 0.5 %, limit 5 %: within (own 4.2)",
        "2.0 +/- 0.5 %, limit 5 %: within (own 4.2)",
    ]
    assert told[0].startswith("ramp, running, A to B: ")


def test_a_grade_that_was_not_measured_is_told_as_that_once() -> None:
    row = {**grade("not measured", 1.0), "value": None, "limits": "", "section": None}
    told = answer_lines("grades", package(grades=[row]))
    assert told == ["ramp, running, A to B: not measured, limit 5 %"]


def test_a_width_is_told_in_the_unit_of_the_site_with_its_limit() -> None:
    row = {**grade("within", 1.524, 0.9144), "check_of": "width", "unit": "m", "value_95": 0.03048}
    told = answer_lines("grades", package("ft", grades=[row]))
    assert told == ["ramp, width, A to B: 5.00 +/- 0.10 ft, limit 3 ft: within (own 4.2)"]


def test_parcel_lines_are_told_by_verdict_and_then_the_nearest() -> None:
    def near(feature: str, metres: float, verdict: str) -> dict[str, Any]:
        return {"feature": feature, "parcel": "7", "verdict": verdict,
                "distance_m": metres, "distance_95_m": 0.2}  # fmt: skip

    rows = [near("a", 9.0, "clear"), near("b", 2.0, "clear"), near("c", 0.05, "cannot tell")]
    rows += [near("d", -0.1, "cannot tell"), near("e", -0.5, "crosses")]
    share = {"feature": "a", "parcel": "7", "area_m2": 12.0, "area_95_m2": 0.3,
             "share_of_parcel": 0.25}  # fmt: skip
    told = answer_lines("parcels", package(parcel_clearances=rows, parcel_shares=[share]))
    assert told == [
        "e: reaches over the line of parcel 7 by 0.50 +/- 0.20 m",
        "d: cannot tell, measured over the line of parcel 7 by 0.10 +/- 0.20 m",
        "c: cannot tell, measured short of the line of parcel 7 by 0.05 +/- 0.20 m",
        "b: clear of the line of parcel 7 by 2.00 +/- 0.20 m",
        "a: clear of the line of parcel 7 by 9.00 +/- 0.20 m",
        "a in parcel 7: 12.0 +/- 0.3 m2, 25.0 % of the parcel",
    ]


def test_quantities_say_what_is_ordered_and_why_something_is_not() -> None:
    lane = {"code": "asphalt", "kind": "area", "net_area_m2": 100.0, "net_area_95_m2": 2.0,
            "gross_area_m2": 120.0, "gross_area_95_m2": 2.0, "order_by": "volume",
            "order_volume_m3": 10.5, "order_volume_95_m3": 0.21, "waste_percent": 5.0}  # fmt: skip
    one = {**lane, "feature": "lane"}
    top = {"code": "kerb_top", "kind": "line", "length_m": 9.0, "length_95_m": 0.1,
           "order_by": "elsewhere", "counted_in": "kerb_foot"}  # fmt: skip
    inlet = {"code": "inlet", "kind": "point", "count": 2, "order_by": "existing"}
    told = answer_lines("areas", package(quantities=[one, lane, top, inlet]))
    assert told == [
        "asphalt: 100.0 +/- 2.0 m2, 120.0 +/- 2.0 m2 with what lies in it; "
        "to order 10.50 +/- 0.21 m3 with 5 % waste",
        "kerb_top: 9.00 +/- 0.10 m long; counted in kerb_foot",
        "inlet: 2 pieces; is there and stays",
    ]
    assert (
        "to order 13.73 +/- 0.27 yd3" in answer_lines("areas", package("ft", quantities=[lane]))[0]
    )


def test_of_an_earthwork_the_exact_volume_alone_is_told() -> None:
    exact = {"earthwork": "even", "feature": "lane", "method": "exact", "cut_m3": 0.06,
             "cut_low_m3": 0.0, "cut_high_m3": 3.12}  # fmt: skip
    told = answer_lines("earthworks", package(earthworks=[exact, {**exact, "method": "grid"}]))
    assert told == ["even on lane: cut 0.1 m3 (0.0 to 3.1)"]


def test_an_accuracy_that_nothing_tells_is_said_to_be_not_known() -> None:
    row = {"section": "s", "length_m": 9.0, "length_95_m": None}
    assert answer_lines("sections", package(sections=[row])) == [
        "s: 9.00 m (accuracy not known) long"
    ]


def test_what_was_built_beyond_its_tolerance_is_told_first() -> None:
    def off(point: str, plan: float, verdict: str | None) -> dict[str, Any]:
        return {"point": point, "plan_m": plan, "plan_95_m": 0.03, "plan_limit_m": 0.12,
                "verdict_plan": verdict, "up_m": -0.04, "up_95_m": 0.07,
                "verdict_height": None}  # fmt: skip

    rows = [off("1", 0.01, "within"), off("2", 0.11, "undecided"), off("3", 0.19, "beyond")]
    pad = {"code": "pad", "mean_m": -0.03, "mean_low_m": -0.08, "mean_high_m": 0.05,
           "share_within": 0.9}  # fmt: skip
    assert answer_lines("deviations", package(deviations=rows, surfaces=[pad])) == [
        "3 places in plan: 1 beyond, 1 undecided, 1 within",
        "surface pad: mean height above the design -0.03 m (-0.08 to 0.05), "
        "90 % of it within its tolerance",
        "3: plan 0.19 +/- 0.03 m of 0.12 m allowed: beyond; height -0.04 +/- 0.07 m",
        "2: plan 0.11 +/- 0.03 m of 0.12 m allowed: undecided; height -0.04 +/- 0.07 m",
        "1: plan 0.01 +/- 0.03 m of 0.12 m allowed: within; height -0.04 +/- 0.07 m",
    ]


def test_a_point_that_cannot_be_set_out_is_told_first_in_the_unit_of_the_walk() -> None:
    def point(name: str, offset: float, cut: float | None, verdict: str | None) -> dict[str, Any]:
        return {"point": name, "along": 9.52, "offset": offset, "cut_m": cut, "cut_95_m": 0.0305,
                "error_95_m": 0.03048, "verdict": verdict}  # fmt: skip

    rows = [point("1", -17.73, -0.3048, "can"), point("2", 4.0, 0.3048, "cannot")]
    rows += [point("3", 0.0, None, None)]
    told = answer_lines("setting_out", package("ft", setting_out=rows))
    assert told == [
        "2: along 9.52 ft, 4.00 ft to the right, cut 1.00 +/- 0.10 ft, "
        "the device comes within 0.100 ft: cannot be set out within the tolerance",
        "1: along 9.52 ft, 17.73 ft to the left, fill 1.00 +/- 0.10 ft, "
        "the device comes within 0.100 ft: can be set out within the tolerance",
        "3: along 9.52 ft, 0.00 ft to the right, the device comes within 0.100 ft",
    ]


def test_what_moved_is_told_before_what_kept_its_place_in_the_unit_of_the_site() -> None:
    def moved(point: str, metres: float, verdict: str) -> dict[str, Any]:
        return {"point": point, "horizontal_m": metres, "horizontal_95_m": 0.061,
                "verdict_plan": verdict, "up_m": 0.0, "up_95_m": 0.061,
                "verdict_height": "stable"}  # fmt: skip

    ground = {"raised_m3": 3.9, "raised_low_m3": 2.0, "raised_high_m3": 5.8, "lowered_m3": 0.0,
              "lowered_low_m3": 0.0, "lowered_high_m3": 0.0, "net_m3": 5.0, "net_low_m3": 0.0,
              "net_high_m3": 10.0, "compared_m2": 92.903}  # fmt: skip
    rows = [moved("A", 0.01, "stable"), moved("B", 0.3048, "moved")]
    told = answer_lines("displacements", package("ft", displacements=rows, ground=[ground]))
    assert told == [
        "ground, where it is more than noise: rose by 5.1 yd3 (2.6 to 7.6), fell nowhere",
        "ground, all 1000.0 ft2 compared: rose less fell 7 yd3 (0 to 13)",
        "2 common marks in plan: 1 moved, 0 undecided, 1 stable",
        "2 common marks in height: 0 moved, 0 undecided, 2 stable",
        "B: plan 1.00 +/- 0.20 ft: moved; height 0.00 +/- 0.20 ft: stable",
        "A: plan 0.03 +/- 0.20 ft: stable; height 0.00 +/- 0.20 ft: stable",
    ]


@pytest.mark.parametrize("question", sorted(QUESTIONS))
def test_nothing_asked_tells_nothing(question: str) -> None:
    assert answer_lines(question, package()) == []


def test_findings_of_another_question_are_left_out() -> None:
    codes = ("leg-off", "outlier", "parcel-line", "pond", "grade-beyond", "prices-missing")
    found = tuple(Finding("look", code, "") for code in (*codes, "limits-not-local"))
    said = package(findings=found)
    told = {q: [f.code for f in findings_about(q, said)] for q in QUESTIONS}
    assert told["distances"] == ["leg-off", "outlier"]
    assert told["parcels"] == ["leg-off", "outlier", "parcel-line"]
    assert told["areas"] == ["leg-off", "outlier", "prices-missing"]
    assert told["grades"] == ["leg-off", "outlier", "grade-beyond"]
    # limits that are no law there matter to grades held against a built-in one
    rows = [{"limit_from": "default"}]
    graded = Package("Yard", "", Frame(), (Layer("grades", "", "", "", (), rows, []),),
                     findings=found)  # fmt: skip
    assert findings_about("grades", graded)[-1].code == "limits-not-local"


def test_distances_angles_and_sides_in_feet_and_degrees() -> None:
    pair = {"from_point": "A", "to_point": "B", "horizontal_m": 3.048, "horizontal_95_m": 0.061,
            "rise_m": -0.3048, "rise_95_m": 0.061, "grade_percent": -10.0,
            "grade_95_percent": 2.0, "azimuth_deg": 45.5, "azimuth_95_deg": 0.5}  # fmt: skip
    corner = {"at_point": "A", "from_point": "B", "to_point": "C", "angle_deg": 90.04,
              "angle_95_deg": 0.31}  # fmt: skip
    told = answer_lines("distances", package("ft", distances=[pair], angles=[corner], edges=[{}]))
    assert told == [
        "A to B: 10.00 +/- 0.20 ft level, rise -1.00 +/- 0.20 ft, grade -10.0 +/- 2.0 %, "
        "azimuth 45.5 +/- 0.5 degrees",
        "angle at A from B to C: 90.0 +/- 0.3 degrees",
        "sides and corners of features: 1, in edges.csv",
    ]


def test_what_is_ordered_by_the_piece_the_unit_and_the_length() -> None:
    paint = {"code": "", "kind": "area", "net_area_m2": 9.0, "net_area_95_m2": 0.2,
             "gross_area_m2": 9.0, "gross_area_95_m2": 0.2, "edging_m": 12.0, "edging_95_m": 0.3,
             "order_by": "material", "order_material": 4.5, "order_material_95": 0.1,
             "material_unit": "bags", "waste_percent": 0.0}  # fmt: skip
    plain = {"code": "sand", "kind": "area", "order_by": "material", "order_material": 4.5,
             "volume_m3": 2.0, "volume_95_m3": 0.1, "waste_percent": 2.5}  # fmt: skip
    rail = {"code": "rail", "kind": "line", "length_m": 9.0, "length_95_m": 0.1, "count": 3,
            "order_by": "length", "order_length_m": 9.9, "order_length_95_m": 0.1}  # fmt: skip
    post = {"code": "post", "kind": "point", "count": 1, "order_by": "pieces"}
    none = {"code": "bench", "kind": "point", "count": None, "order_by": "material"}
    assert answer_lines("areas", package(quantities=[paint, plain, rail, post, none])) == [
        "without a code: 9.00 +/- 0.20 m2, edge 12.0 +/- 0.3 m; to order 4.50 +/- 0.10 bags",
        "sand: volume 2.00 +/- 0.10 m3; to order 4.50 with 2.5 % waste",
        "rail: 9.00 +/- 0.10 m long; to order 9.90 +/- 0.10 m",
        "post: 1 piece",
        "bench: ",
    ]


def test_parts_of_parcels_and_clearances_that_are_not_told() -> None:
    near = {"feature": "a", "parcel": "7", "verdict": "clear", "distance_m": None}
    odd = {"feature": "b", "parcel": "7", "verdict": "other", "distance_m": 1.0}
    line = {"feature": "c", "parcel": "7", "verdict": "crosses", "distance_m": 0.0,
            "distance_95_m": math.inf}  # fmt: skip
    share = {"feature": "a", "parcel": "7", "area_m2": 12.0, "area_95_m2": 0.3}
    told = answer_lines("parcels", package(parcel_clearances=[near, odd, line],
                                           parcel_shares=[share]))  # fmt: skip
    assert told == [
        "c: reaches over the line of parcel 7 by 0.00 m (accuracy not known)",
        "a in parcel 7: 12.0 +/- 0.3 m2",
    ]


def test_sections_climb_and_fall() -> None:
    row = {"section": "s", "length_m": 9.0, "length_95_m": 0.1, "rise_m": 0.26, "rise_low_m": 0.2,
           "rise_high_m": 0.4, "fall_m": -0.0, "fall_low_m": -0.0, "fall_high_m": 0.0}  # fmt: skip
    assert answer_lines("sections", package(sections=[row])) == [
        "s: 9.00 +/- 0.10 m long, climbs 0.26 m (0.20 to 0.40), falls 0.00 m (0.00 to 0.00)"
    ]


def test_grades_of_one_verdict_are_told_by_how_much_of_their_limit_they_take() -> None:
    rows = [{**grade("cannot tell", 1.0), "line": "a"}, {**grade("within", 4.0, None), "line": "b"},
            {**grade("within", 1.0, 1.0), "line": "c"}, {**grade("within", 4.0, 5.0), "line": "d"},
            {**grade("", 1.0), "line": "e", "from_point": None}]  # fmt: skip
    told = answer_lines("grades", package(grades=rows))
    assert [line[0] for line in told] == ["a", "c", "d", "e", "b"]


def test_marks_that_cannot_be_judged_come_last_of_what_moved() -> None:
    rows = [{"point": n, "horizontal_m": 0.1, "horizontal_95_m": 0.1, "verdict_plan": p,
             "up_m": 0.0, "up_95_m": 0.1, "verdict_height": h}
            for n, p, h in (("A", None, None), ("B", "stable", "undecided"), ("C", "moved", None),
                            ("D", "stable", "stable"))]  # fmt: skip
    told = answer_lines("displacements", package(displacements=rows))
    assert told[:2] == [
        "3 common marks in plan: 1 moved, 0 undecided, 2 stable",
        "2 common marks in height: 0 moved, 1 undecided, 1 stable",
    ]
    assert [line[0] for line in told[2:]] == ["C", "B", "D", "A"]


def test_the_built_surface_says_what_is_missing_and_what_was_laid() -> None:
    pad = {"code": "pad", "mean_m": 0.03, "mean_low_m": 0.01, "mean_high_m": 0.05,
           "above_m3": 1.0, "above_low_m3": 0.5, "above_high_m3": 1.5, "below_m3": 0.2,
           "below_low_m3": 0.0, "below_high_m3": 0.4, "placed_m3": 30.0, "placed_low_m3": 28.0,
           "placed_high_m3": 32.0}  # fmt: skip
    assert answer_lines("deviations", package(surfaces=[pad])) == [
        "surface pad: mean height above the design 0.030 m (0.010 to 0.050), 1.0 m3 (0.5 to 1.5) "
        "lie above it, 0.20 m3 (0.00 to 0.40) are missing below it, laid since the survey before "
        "30.0 m3 (28.0 to 32.0)"
    ]
