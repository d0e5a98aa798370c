"""Pieces, outlines, what is refused and what is only looked at."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from linework_cases import Row, rows, survey

from geosite.base.errors import SurveyRefused
from geosite.base.spoken_units import in_feet
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.sitefile import Code
from geosite.linework.checks import BelowNoise
from geosite.linework.draw import draw
from geosite.linework.model import Drawing, Feature
from geosite.linework.wording import findings as told

CODES = {
    "apron": Code(geometry="area"),
    "kerb": Code(geometry="line"),
    "inlet": Code(geometry="point"),
}


def drawing(made: list[Row], **options: Any) -> Drawing:
    return draw(*survey(made, CODES, **options))


def only(made: list[Row], **options: Any) -> Feature:
    (feature,) = drawing(made, **options).features
    return feature


def problems(made: list[Row]) -> list[str]:
    with pytest.raises(SurveyRefused) as caught:
        drawing(made)
    assert caught.value.exit_code == 3
    return [str(p) for p in caught.value.problems]


def square(name: str, east: float, north: float, side: float, code: str = "apron") -> list[Row]:
    corners = [(0, 0), (1, 0), (1, 1), (0, 1)]
    return rows(name, code, [("", east + side * e, north + side * n) for e, n in corners])


STADIUM = [
    ("line", 0, -2),
    ("line", 10, -2),
    ("arc", 12, 0),
    ("arc", 10, 2),
    ("line", 0, 2),
    ("arc", -2, 0),
]


def test_stadium_closes_with_its_arc() -> None:
    made = rows("s", "apron", [*STADIUM, ("arc", 0, -2)])
    feature = only(made)
    assert [p.kind for p in feature.pieces] == ["line", "arc", "line", "arc"]
    assert feature.area is not None
    assert feature.perimeter is not None
    assert feature.area.value == pytest.approx(40.0 + 4.0 * math.pi, abs=1e-12)
    assert feature.perimeter.value == pytest.approx(20.0 + 4.0 * math.pi, abs=1e-12)
    assert feature.pieces[1].centre == pytest.approx((10.0, 0.0), abs=1e-12)
    assert feature.pieces[1].sweep == pytest.approx(math.pi, abs=1e-12)


def test_stadium_closes_by_mark_name() -> None:
    made = rows("s", "apron", [*STADIUM, ("arc", 0, -2)])
    named = [(*made[0][:3], "A", *made[0][4:]), *made[1:-1], (*made[-1][:3], "A", *made[-1][4:])]
    assert only(named).area.grid == only(made).area.grid  # type: ignore[union-attr]
    assert len(only(named).pieces) == 4


def test_area_closes_straight_without_a_word() -> None:
    feature = only(square("p", 0, 0, 5))
    assert [p.kind for p in feature.pieces] == ["line", "line"]
    assert feature.pieces[-1].rows.tolist() == [3, 0]
    assert feature.area.value == 25.0  # type: ignore[union-attr]


def test_explicit_closing_adds_no_edge() -> None:
    made = square("p", 0, 0, 5) + rows("p", "apron", [("", 0, 0)])
    feature = only(made)
    assert len(feature.pieces) == 1
    assert feature.perimeter.value == 20.0  # type: ignore[union-attr]


def test_repeated_positions_collapse() -> None:
    made = square("p", 0, 0, 5)
    feature = only([made[0], made[0], made[1], made[1], made[1], made[2], made[3], made[3]])
    assert feature.area.value == 25.0  # type: ignore[union-attr]
    assert len(feature.geometry.exterior.coords) == 5  # type: ignore[attr-defined]


def test_rows_of_one_mark_collapse_whatever_they_measured() -> None:
    made = square("p", 0, 0, 5)
    again = ("p", "apron", "", "A", 0.01, 0.01, 0.0)
    first = ("p", "apron", "", "A", 0.0, 0.0, 0.0)
    feature = only([first, again, *made[1:]])
    assert feature.area.value == 25.0  # type: ignore[union-attr]
    assert len(feature.geometry.exterior.coords) == 5  # type: ignore[attr-defined]


def test_a_digit_starts_a_new_arc() -> None:
    # two quarter arcs, not one through five marks
    marks = [("line", 0, 0)] + [
        (word, r * math.cos(a) + e, r * math.sin(a) + n)
        for word, e, n, r, a in [
            ("arc", 0, 5, 5, -math.pi / 4),
            ("arc", 0, 5, 5, 0.0),
            ("arc2", 8, 5, 3, 3 * math.pi / 4),
            ("arc2", 8, 5, 3, math.pi / 2),
        ]
    ]
    feature = only(rows("k", "kerb", marks))
    assert [p.kind for p in feature.pieces] == ["arc", "arc"]
    first, second = feature.pieces
    assert (first.radius, second.radius) == pytest.approx((5.0, 3.0), abs=1e-9)
    assert first.sweep == pytest.approx(math.pi / 2, abs=1e-9)
    assert second.sweep == pytest.approx(-math.pi / 2, abs=1e-9)
    assert feature.length.value == pytest.approx(4.0 * math.pi, abs=1e-9)  # type: ignore[union-attr]
    assert second.rows.tolist() == [2, 3, 4]


def test_arc_from_the_first_row() -> None:
    # the feature's first row starts its first piece, whatever its word
    feature = only(rows("k", "kerb", [("arc", 1, 0), ("arc", 0, 1), ("arc", -1, 0)]))
    assert feature.length.value == pytest.approx(math.pi, abs=1e-12)  # type: ignore[union-attr]


@pytest.mark.parametrize("degrees", [200.0, 270.0, 340.0, -200.0, -270.0, -340.0])
def test_arc_of_more_than_half_a_circle(degrees: float) -> None:
    sweep = math.radians(degrees)
    marks = [
        ("arc", 7 + 4 * math.cos(1 + t * sweep), 4 * math.sin(1 + t * sweep)) for t in (0, 0.3, 1)
    ]
    (piece,) = only(rows("k", "kerb", marks)).pieces
    assert piece.sweep == pytest.approx(sweep, abs=1e-9)
    assert piece.radius == pytest.approx(4.0, abs=1e-9)
    assert piece.centre == pytest.approx((7.0, 0.0), abs=1e-9)


def test_arc_vertices_lie_on_the_arc_and_keep_the_sagitta() -> None:
    marks = [("line", 20, 0, 1.0), ("arc", 0, 20, 3.0), ("arc", -20, 0, 2.0)]
    for sagitta in (0.002, 0.05):
        feature = draw(*survey(rows("k", "kerb", marks), CODES), sagitta_m=sagitta).features[0]
        (piece,) = feature.pieces
        v = piece.vertices
        assert np.hypot(v[:, 0], v[:, 1]) == pytest.approx(20.0, abs=1e-12)
        chords = np.hypot(*np.diff(v[:, :2], axis=0).T)
        off = 20.0 - np.sqrt(400.0 - chords**2 / 4.0)
        assert off.max() <= sagitta * (1 + 1e-9)
        assert off.max() > sagitta / 2.0  # and no finer than asked for
        # elevation by arc length: up 2 m along the first quarter, down 1 m along the second
        turned = np.unwrap(np.arctan2(v[:, 1], v[:, 0]))
        expected = np.interp(turned, [0.0, math.pi / 2, math.pi], [1.0, 3.0, 2.0])
        assert v[:, 2] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("back", [False, True])
def test_a_mark_beyond_the_end_of_an_arc_counts_at_that_end(back: bool) -> None:
    # by noise the second mark stands a little before the first, on 230 degrees of arc
    marks = [("arc", 9 * math.cos(a), 9 * math.sin(a), z) for a, z in ((0, 0), (-0.01, 0.1))]
    marks += [("arc", 9 * math.cos(a), 9 * math.sin(a), z) for a, z in ((2, 1.0), (4, 2.0))]
    feature = only(rows("k", "kerb", marks[::-1] if back else marks))
    climbed = (
        (feature.fall.value, feature.rise.value)
        if back
        else (feature.rise.value, feature.fall.value)
    )
    assert climbed == (2.0, 0.0)


@pytest.mark.parametrize("angles", [(0, 3.5, 5), (0, 1.5, 5), (0, 2, 3.5, 5)])
def test_a_circle_runs_as_its_marks_were_walked(angles: tuple[float, ...]) -> None:
    marks = [("circle", 6 * math.cos(a), 6 * math.sin(a)) for a in angles]
    for sign, walk in ((1, marks), (-1, marks[::-1])):
        (piece,) = only(rows("c", "apron", walk)).pieces
        assert piece.sweep == pytest.approx(sign * 2 * math.pi, abs=1e-12)


def test_heights_along_a_circle_follow_its_marks() -> None:
    angles, heights = np.array([0.5, 1.5, 3.0, 5.0]), [1.0, 2.0, 0.0, 4.0]
    marks = [
        ("circle", 6 * math.cos(a), 6 * math.sin(a), z)
        for a, z in zip(angles, heights, strict=True)
    ]
    (piece,) = only(rows("c", "apron", marks)).pieces
    v = piece.vertices
    turned = np.unwrap(np.arctan2(v[:, 1], v[:, 0]))
    expected = np.interp(turned, [*angles, 0.5 + 2 * math.pi], [*heights, 1.0])
    assert v[:, 2] == pytest.approx(expected, abs=1e-6)
    assert np.ptp(turned) == pytest.approx(2 * math.pi, abs=1e-9)


def test_length_in_space_rise_and_fall() -> None:
    marks = [("line", 0, 0, 1.0), ("line", 3, 4, 2.0), ("line", 3, 10, 0.5)]
    feature = only(rows("k", "kerb", marks))
    assert feature.length.value == 11.0  # type: ignore[union-attr]
    assert feature.length_3d.value == pytest.approx(math.sqrt(26.0) + math.sqrt(38.25), abs=1e-12)
    assert (feature.rise.value, feature.fall.value) == (1.0, 1.5)


def test_helix_length_on_the_ground() -> None:
    # half a turn that climbs evenly unrolls to a straight line
    marks = [("line", 10, 0, 0.0), ("arc", 0, 10, 1.0), ("arc", -10, 0, 2.0)]
    feature = only(rows("k", "kerb", marks), combined_factor=0.9996)
    assert feature.length_3d.value == pytest.approx(
        math.hypot(10 * math.pi / 0.9996, 2.0), abs=1e-9
    )


def test_gap_breaks_a_line() -> None:
    marks = [("line", 0, 0), ("line", 4, 0), ("gap", 6, 0), ("line", 9, 0)]
    feature = only(rows("k", "kerb", marks))
    assert feature.geometry.geom_type == "MultiLineString"
    assert feature.length.value == 7.0  # type: ignore[union-attr]
    assert feature.geometry.length == 7.0


def test_gap_bounds_an_area_without_edging() -> None:
    made = square("p", 0, 0, 5)
    made[2] = (*made[2][:2], "gap", *made[2][3:])
    feature = only(made)
    assert feature.area.value == 25.0  # type: ignore[union-attr]
    assert feature.perimeter.value == 20.0  # type: ignore[union-attr]
    assert feature.edging.value == 15.0  # type: ignore[union-attr]


def test_stream_keeps_every_vertex() -> None:
    t = np.linspace(0.0, 1.5 * math.pi, 200)
    marks = [("stream", 10 * math.cos(a), 10 * math.sin(a)) for a in t]
    feature = only(rows("p", "apron", marks))
    assert [p.kind for p in feature.pieces] == ["stream", "line"]
    assert len(feature.geometry.exterior.coords) == 201  # type: ignore[attr-defined]


@pytest.mark.parametrize("first", ["line", "circle"])
def test_circle_alone(first: str) -> None:
    marks = [(first, 5, 1), ("circle", 1, 5), ("circle", -3, 1)]
    feature = only(rows("p", "apron", marks))
    (piece,) = feature.pieces
    assert piece.centre == pytest.approx((1.0, 1.0), abs=1e-12)
    assert feature.area.value == pytest.approx(16.0 * math.pi, abs=1e-12)  # type: ignore[union-attr]
    assert feature.perimeter.value == pytest.approx(8.0 * math.pi, abs=1e-12)  # type: ignore[union-attr]
    assert feature.geometry.area < 16.0 * math.pi
    assert feature.geometry.area > 16.0 * math.pi - 0.002 * 8.0 * math.pi


def test_closed_arc_is_a_circle() -> None:
    marks = [("arc", 5, 0), ("arc", 0, 5), ("arc", -5, 0), ("arc", 5, 0)]
    (piece,) = only(rows("p", "apron", marks)).pieces
    assert piece.kind == "circle"
    assert piece.radius == pytest.approx(5.0, abs=1e-12)


def test_circle_visited_mark_counts_once() -> None:
    marks = [("circle", 5.02, 0), ("circle", 0, 5), ("circle", -5, 0), ("circle", 0, -5)]
    once = only(rows("p", "apron", marks))
    twice = only(rows("p", "apron", [*marks, marks[0]]))
    assert twice.pieces[0].radius == once.pieces[0].radius


def test_fitted_arc_meets_its_neighbours() -> None:
    rng = np.random.default_rng(1)
    marks = [("line", -3.0, 0.0), ("line", 10.0, 0.0)]
    for a in np.linspace(0.2, math.pi, 7):
        e, n = rng.normal(0.0, 0.02, 2)
        marks.append(("arc", 10.0 * math.cos(a) + e, 10.0 * math.sin(a) + n))
    marks.append(("line", -12.0, 0.0))
    feature = only(rows("k", "kerb", marks))
    line, arc, last = feature.pieces
    assert np.array_equal(line.vertices[-1], arc.vertices[0])
    assert np.array_equal(arc.vertices[-1], last.vertices[0])
    assert arc.radius == pytest.approx(10.0, abs=0.05)
    assert 0.001 < arc.residual < 0.08
    assert feature.geometry.geom_type == "LineString"


def test_kind_from_the_marks_without_a_code() -> None:
    made = (
        rows("one", "", [("", 0, 0)])
        + rows("two", "", [("", 0, 0), ("", 1, 0)])
        + rows("three", "", [("", 0, 0), ("", 1, 0), ("", 0, 1)])
        + rows("far", "unheard-of", [("", 0, 0), ("", 1, 0)])
    )
    assert [f.kind for f in drawing(made).features] == ["point", "line", "area", "line"]


def test_points() -> None:
    made = rows("i1", "inlet", [("", 3, 4, 5)])
    made += rows("i2", "inlet", [("", 1, 0, 0), ("", 2, 0, 0), ("", 1, 0, 0)])
    one, several = drawing(made).features
    assert one.geometry.equals(shapely.Point(3, 4, 5))
    assert shapely.get_z(one.geometry) == 5.0
    assert shapely.get_num_geometries(several.geometry) == 2
    # one mark whose height was noted twice
    twice = drawing(rows("i3", "inlet", [("", 3, 4, 5), ("", 3, 4, 5.02)])).features[0]
    assert twice.geometry.equals(shapely.Point(3, 4, 5))


def test_shell_runs_counter_clockwise() -> None:
    made, small = square("p", 0, 0, 5), square("p", 0, 0, 0.5)
    for walk in (made, made[::-1], small, small[::-1]):
        ring = only(walk).geometry.exterior  # type: ignore[attr-defined]
        assert ring.is_ccw
        assert ring.has_z


# --- areas within areas


def test_only_direct_children_are_taken_off() -> None:
    made = square("yard", 0, 0, 20) + square("island", 2, 2, 10) + square("bed", 3, 3, 2)
    yard, island, bed = drawing(made).features
    assert (yard.inside, island.inside, bed.inside) == (("island",), ("bed",), ())
    assert [f.net_area.value for f in (yard, island, bed)] == [300.0, 96.0, 4.0]  # type: ignore[union-attr]
    assert [f.area.value for f in (yard, island, bed)] == [400.0, 100.0, 4.0]  # type: ignore[union-attr]


def test_overlapping_children_are_taken_off_once() -> None:
    made = square("yard", 0, 0, 20) + square("a", 2, 2, 10) + square("b", 10, 10, 4)
    yard, _, _ = drawing(made).features
    assert yard.net_area.value == pytest.approx(400 - 100 - 16 + 4, abs=1e-9)  # type: ignore[union-attr]


def test_same_outline_twice_as_children() -> None:
    made = square("yard", 0, 0, 20) + square("a", 2, 2, 10) + square("b", 2, 2, 10)
    yard, a, b = drawing(made).features
    assert yard.inside == ("a",)
    assert a.inside == ("b",)
    assert yard.net_area.value == 300.0  # type: ignore[union-attr]
    assert b.net_area.value == 100.0  # type: ignore[union-attr]


@pytest.mark.parametrize("off", [-0.03, 0.0, 0.03])
def test_shared_edge_with_centimetres_of_noise_is_inside(off: float) -> None:
    made = square("yard", 0, 0, 20) + square("pad", off, 5, 4)
    yard = drawing(made).features[0]
    assert yard.inside == ("pad",)
    assert yard.net_area.value == pytest.approx(384.0)  # type: ignore[union-attr]


def test_half_outside_is_an_overlap() -> None:
    made = square("yard", 0, 0, 20) + square("pad", -2, 5, 4)
    found = drawing(made)
    assert found.features[0].inside == ()
    (finding,) = found.findings
    assert finding.code == "areas-overlap"
    assert "8.00 m2" in finding.text


def test_sliver_between_neighbours_is_no_overlap() -> None:
    made = square("a", 0, 0, 5) + square("b", 4.98, 0, 5)
    assert drawing(made).findings == ()


def test_exact_area_of_a_round_child_is_taken_off() -> None:
    circle = [("circle", 5 + 2 * math.cos(a), 5 + 2 * math.sin(a)) for a in (0, 2, 4)]
    yard, _ = drawing(square("yard", 0, 0, 10) + rows("island", "apron", circle)).features
    assert yard.net_area.value == pytest.approx(100 - 4 * math.pi, abs=1e-12)  # type: ignore[union-attr]


# --- refused


def test_refusals_are_collected_in_file_order() -> None:
    bad = rows("flat", "kerb", [("", 0, 0), ("arc", 5, 5), ("arc", 10, 10)])
    bad += rows("pair", "apron", [("", 0, 0), ("", 5, 5), ("", 0, 0)])
    bad += rows("bow", "apron", [("", 0, 0, 0, "A"), ("", 5, 5, 0, "B"), ("", 5, 0), ("", 0, 5)])
    flat, pair, bow = problems(bad)
    assert flat.startswith("walk.csv:4: the arc of 'flat'")
    assert "straight line" in flat
    assert pair.startswith("walk.csv:7: area 'pair' has 2 marks")
    assert bow.startswith("walk.csv:11: the outline of 'bow' crosses itself")
    assert "mark 'A' (line 8) to mark 'B' (line 9)" in bow
    assert "(line 10) to the unnamed mark (line 11)" in bow


def test_refusals_of_features_walked_in_turns_are_in_file_order() -> None:
    bow = rows("bow", "apron", [("", 0, 0), ("", 5, 5), ("", 5, 0), ("", 0, 5)])
    flat = rows("flat", "kerb", [("", 0, 0), ("arc", 5, 5), ("arc", 10, 10)])
    first, second = problems([*bow[:1], *flat, *bow[1:]])
    assert first.startswith("walk.csv:5: the arc of 'flat'")
    assert second.startswith("walk.csv:8: the outline of 'bow' crosses itself")


def test_an_edge_that_runs_back_over_the_one_before_is_named_with_it() -> None:
    back = [("", 0, 0, 0, "A"), ("", 10, 0, 0, "B"), ("", 4, 0, 0, "C"), ("", 4, 5, 0, "D")]
    (said,) = problems(rows("spike", "apron", back))
    assert said.startswith("walk.csv:4: the outline of 'spike' crosses itself")
    assert "mark 'A' (line 2) to mark 'B' (line 3) meets" in said
    assert "mark 'B' (line 3) to mark 'C' (line 4)" in said


@pytest.mark.parametrize(
    ("made", "code"),
    [
        (rows("k", "kerb", [("", 0, 0), ("arc", 5, 5)]), "arc-needs-three-marks"),
        (rows("k", "kerb", [("", 0, 0)]), "line-needs-two-marks"),
        (rows("k", "kerb", [("", 0, 0), ("gap", 5, 5)]), "line-all-gap"),
        (rows("k", "kerb", [("circle", 0, 0), ("circle", 5, 5)]), "circle-needs-three-marks"),
        (
            rows("k", "kerb", [("circle", 0, 0), ("circle", 2, 2), ("circle", 5, 5)]),
            "circle-is-straight",
        ),
        (
            rows("k", "kerb", [("", 0, 0), ("arc", 1, 1), ("arc", 2, 2), ("arc", 3, 3)]),
            "arc-is-straight",
        ),
        # an S: the best arc between its ends is the line
        (
            rows("k", "kerb", [("", 0, 0), ("arc", 1, 0.05), ("arc", 2, -0.05), ("arc", 3, 0)]),
            "arc-is-straight",
        ),
        # out of order on a nearly straight line: the long way round a circle of 100 m
        (rows("k", "kerb", [("", 0, 0), ("arc", 2, 0.01), ("arc", 1, 0)]), "arc-is-straight"),
        # inner marks beyond and across: no arc comes near, the best one has no end
        (
            rows("k", "kerb", [("", 0, 4), ("arc", 4, 0), ("arc", 0, 2), ("arc", 2, 2)]),
            "arc-is-straight",
        ),
        (
            rows("p", "apron", [("", 9, 9), ("", 0, 9), ("circle", 0, 0), ("circle", 5, 0)]),
            "circle-not-alone",
        ),
        (
            rows("p", "apron", [("circle", 9, 9), ("circle", 0, 9), ("circle", 0, 0), ("", 5, 0)]),
            "circle-not-alone",
        ),
        (
            rows("p", "apron", [("", -9, 0), ("", 1, 0), ("arc", 0, 1), ("arc", -1, 0)])
            + rows("p", "apron", [("arc", 1, 0)]),
            "arc-ends-at-its-start",
        ),
        (rows("p", "apron", [("", 0, 0), ("", 5, 5), ("", 2, 2)]), "area-is-straight"),
        # out and back over the same edge
        (
            rows("p", "apron", [("", 0, 0), ("", 4, 0), ("", 4, 4), ("", 4, 2), ("", 0, 2)]),
            "outline-crosses-itself",
        ),
        # through the same mark twice
        (
            rows("p", "apron", [("", 0, 0), ("", 2, 2), ("", 4, 0), ("", 4, 4), ("", 2, 2)])
            + rows("p", "apron", [("", 0, 4)]),
            "outline-crosses-itself",
        ),
        # a line cuts off the arc, not its chord
        (
            rows("p", "apron", [("", 10, 0), ("arc", 0, 10), ("arc", -10, 0)])
            + rows("p", "apron", [("", -6, 9), ("", -5, 12), ("", -4, 0)]),
            "outline-crosses-itself",
        ),
        (
            rows("p", "apron", [("", 0, 0), ("", 5, 0)]) + rows("p", "kerb", [("", 5, 5)]),
            "feature-two-codes",
        ),
    ],
)
def test_refused(made: list[Row], code: str) -> None:
    with pytest.raises(SurveyRefused) as caught:
        drawing(made)
    (problem,) = caught.value.problems
    assert problem.code == code
    assert problem.file == "walk.csv"
    assert 2 <= (problem.line or 0) <= len(made) + 1


def test_arc_noted_straight_is_refused_although_the_adjustment_bent_it() -> None:
    from dataclasses import replace

    notes, network = survey(rows("k", "kerb", [("", 0, 0), ("arc", 5, 5), ("arc", 9, 9)]), CODES)
    bent = network.en + np.array([[0.0, 0.0], [0.02, -0.02], [0.0, 0.0]])
    with pytest.raises(SurveyRefused, match="straight line"):
        draw(notes, replace(network, en=bent))


def test_refusals_name_the_row_that_matters() -> None:
    bad = rows("k", "kerb", [("", 0, 0), ("", 4, 0), ("arc", 5, 5)])
    bad += rows("p", "apron", [("", 0, 9), ("", 5, 9)]) + rows("p", "kerb", [("", 5, 15)])
    arc, code = problems(bad)
    assert arc.startswith(
        "walk.csv:4: the arc of 'k' from the unnamed mark (line 3) to the unnamed"
    )
    assert code.startswith("walk.csv:7: feature 'p' has code 'kerb' here and 'apron' in line 5")


def test_straight_as_walked_whatever_its_heights() -> None:
    from dataclasses import replace

    marks = [("", 0, 0, 0.0), ("arc", 5, 5, 2.0), ("arc", 9, 9, 0.0)]
    notes, network = survey(rows("k", "kerb", marks), CODES)
    bent = network.en + np.array([[0.0, 0.0], [0.02, -0.02], [0.0, 0.0]])
    with pytest.raises(SurveyRefused, match="straight line"):
        draw(notes, replace(network, en=bent))


# --- looked at


def test_findings_about_fits() -> None:
    angles = np.linspace(0.0, 2.0, 8)
    marks = [("arc", 10 * math.cos(a), 10 * math.sin(a)) for a in angles]
    assert drawing(rows("k", "kerb", marks), sigma=0.01).findings == ()
    marks[4] = ("arc", marks[4][1] * 1.01, marks[4][2] * 1.01)  # 0.1 m out
    (finding,) = drawing(rows("k", "kerb", marks), sigma=0.01).findings
    assert finding.code == "fit-residual-large"
    assert finding.line == 6
    # one mark of eight pulls the arc a quarter of the way after itself
    assert finding.text.startswith("The unnamed mark (line 6) is 0.074 m off the arc of 'k', where")
    assert "0.009 m was expected" in finding.text

    swapped = [marks[k] for k in (0, 2, 1, 3, 5, 6, 7)]
    assert [f.code for f in drawing(rows("k", "kerb", swapped)).findings] == ["arc-out-of-order"]


def test_findings_about_weak_shapes() -> None:
    short = [("circle", 10 * math.cos(a), 10 * math.sin(a)) for a in (0.0, 0.1, 0.2)]
    codes = [f.code for f in drawing(rows("c", "apron", short), sigma=0.01).findings]
    assert "circle-loose" in codes
    spread = [("circle", 10 * math.cos(a), 10 * math.sin(a)) for a in (0.0, 2.0, 4.0)]
    assert drawing(rows("c", "apron", spread), sigma=0.01).findings == ()
    flat = rows("k", "kerb", [("", 0, 0), ("arc", 5, 0.02), ("arc", 10, 0)])
    assert [f.code for f in drawing(flat, sigma=0.01).findings] == ["arc-flat"]
    tiny = square("p", 0, 0, 0.02)
    assert [f.code for f in drawing(tiny, sigma=0.01).findings] == ["feature-small"]


def test_finding_about_a_start_walked_up_to_again() -> None:
    made = square("p", 0, 0, 5) + rows("p", "apron", [("", 0.02, 0.03)])
    (finding,) = drawing(made).findings
    assert finding.code == "outline-nearly-closed"
    assert finding.line == 6
    assert "0.04 m" in finding.text
    named = [(*r[:3], "A", *r[4:]) if k in (0, 4) else r for k, r in enumerate(made)]
    assert drawing(named).findings == ()
    # 0.14 m is near, 0.16 m is not, nor is more than a twentieth of a small outline
    for size, gap, near in (
        (9, 0.14, True),
        (9, 0.16, False),
        (0.5, 0.09, True),
        (0.5, 0.13, False),
    ):
        ends = square("p", 0, 0, size) + rows("p", "apron", [("", 0, gap)])
        assert [f.code for f in drawing(ends).findings] == ["outline-nearly-closed"] * near


def test_a_long_straight_arc_is_named_by_three_of_its_marks() -> None:
    marks = [("arc", k, k) for k in range(6)]
    (text,) = problems(rows("k", "kerb", marks))
    assert "through the unnamed mark (line 2), the unnamed mark (line 3), the unnamed mark" in text
    assert "mark (line 7) lies on a straight line" in text
    (short,) = problems(rows("k", "kerb", marks[:4]))
    assert [f"(line {n})" in short for n in (2, 3, 4, 5)] == [True] * 4


def test_tiles_of_a_yard() -> None:
    made = square("yard", -1, -1, 52)
    for i in range(10):
        for j in range(10):
            made += square(f"{i}/{j}", i * 5, j * 5, 5)
    yard = drawing(made).features[0]
    assert len(yard.inside) == 100
    assert yard.net_area.value == pytest.approx(52.0**2 - 50.0**2, abs=1e-9)  # type: ignore[union-attr]


def test_what_is_below_noise_is_rounded_once_in_feet() -> None:
    line = book_from_text("run,point,x,y,z,feature\nR1,A1,0,0,0,kerb")
    (found,) = told(line, [BelowNoise("kerb", "line", 0, 0.0414, 0.0186)])
    # 0.041 m were 0.135 ft, 0.019 m were 0.062
    assert "measures 0.136 ft with a standard deviation of 0.061 ft" in in_feet(found.text)
