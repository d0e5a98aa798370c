"""What holds for every outline."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from linework_cases import Row, rows, survey

from geosite.analysis.distances import outline_edges
from geosite.analysis.takeoff.quantities import take_off
from geosite.base.errors import Problem, SurveyRefused
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code
from geosite.linework.draw import draw
from geosite.linework.model import Drawing, Feature, Measure
from geosite.linework.nesting import direct_children
from geosite.network.model import Network

CODES = {"apron": Code(geometry="area"), "kerb": Code(geometry="line")}
PROFILE = settings(max_examples=60, deadline=None, derandomize=True)


@st.composite
def star_outlines(draw_: st.DrawFn) -> list[tuple[float, float]]:
    """Outlines seen whole from (300, 700): they cannot cross themselves."""
    count = draw_(st.integers(3, 12))
    parts = draw_(st.lists(st.floats(0.2, 1.0), min_size=count, max_size=count))
    reach = draw_(st.lists(st.floats(0.5, 40.0), min_size=count, max_size=count))
    turned = np.cumsum(parts) / sum(parts) * 2 * math.pi
    assume(float(np.diff(turned, prepend=turned[-1] - 2 * math.pi).max()) < 3.0)
    return [
        (300 + r * math.cos(a), 700 + r * math.sin(a)) for r, a in zip(reach, turned, strict=True)
    ]


def one(made: list[Row], factor: float = 1.0) -> Feature:
    return draw(*survey(made, CODES, sigma=0.01, combined_factor=factor)).features[0]


def outline(points: list[tuple[float, float]], word: str = "line") -> list[Row]:
    return rows("p", "apron", [(word, *p) for p in points])


@PROFILE
@given(star_outlines(), st.sampled_from(["line", "stream", "gap"]))
def test_straight_outlines_agree_with_shapely(points: list[tuple[float, float]], word: str) -> None:
    polygon = shapely.Polygon(points)
    feature = one(outline(points, word), 0.9995)
    assert feature.area is not None
    assert feature.perimeter is not None
    assert feature.area.grid == pytest.approx(polygon.area, rel=1e-10)
    assert feature.area.value == pytest.approx(polygon.area / 0.9995**2, rel=1e-10)
    assert feature.perimeter.value == pytest.approx(polygon.length / 0.9995, rel=1e-12)
    assert feature.geometry.equals(polygon)


@PROFILE
@given(star_outlines(), st.integers(0, 11), st.booleans())
def test_area_knows_no_start_and_no_direction(
    points: list[tuple[float, float]], start: int, back: bool
) -> None:
    start %= len(points)
    other = points[start:] + points[:start]
    if back:
        other = other[::-1]
    a, b = one(outline(points)), one(outline(other))
    for name in ("area", "perimeter"):
        assert getattr(a, name).value == pytest.approx(getattr(b, name).value, rel=1e-11)
        assert getattr(a, name).sigma == pytest.approx(getattr(b, name).sigma, rel=1e-9)


@PROFILE
@given(star_outlines())
def test_closing_explicitly_changes_nothing(points: list[tuple[float, float]]) -> None:
    made = [(*row[:3], f"m{k}", *row[4:]) for k, row in enumerate(outline(points))]
    a, b = one(made), one([*made, made[0]])
    for name in ("area", "perimeter"):
        assert getattr(a, name).value == pytest.approx(getattr(b, name).value, rel=1e-12)
        assert getattr(a, name).sigma == pytest.approx(getattr(b, name).sigma, rel=1e-9)


@PROFILE
@given(
    st.floats(0.5, 80.0),
    st.floats(-3.0, 3.0),
    st.floats(0.3, 6.0),
    st.floats(0.1, 0.9),
    st.booleans(),
)
def test_arc_walked_back_is_the_same_arc(
    radius: float, start: float, sweep: float, share: float, back: bool
) -> None:
    angles = [start, start + share * sweep, start + sweep]
    if back:
        angles.reverse()
    marks = [("arc", 9 + radius * math.cos(a), 4 + radius * math.sin(a)) for a in angles]
    feature = one(rows("k", "kerb", marks))
    (piece,) = feature.pieces
    assert piece.radius == pytest.approx(radius, rel=1e-7)
    assert piece.sweep == pytest.approx(-sweep if back else sweep, rel=1e-7)
    assert feature.length.value == pytest.approx(radius * sweep, rel=1e-7)  # type: ignore[union-attr]
    # the chords of the geometry are shorter, by no more than 8 s / 3 c per chord
    assert feature.geometry.length <= feature.length.value + 1e-9  # type: ignore[union-attr]


@PROFILE
@given(
    st.floats(0.5, 80.0),
    st.floats(0.3, 6.0),
    st.floats(0.1, 0.9),
    st.sampled_from([1, -1]),
    st.data(),
)
def test_area_under_an_arc_is_the_circular_segment(
    radius: float, sweep: float, share: float, sign: int, data: st.DataObject
) -> None:
    angles = [0.7, 0.7 + sign * share * sweep, 0.7 + sign * sweep]
    marks = [("arc", radius * math.cos(a), radius * math.sin(a)) for a in angles]
    feature = one(rows("p", "apron", marks))
    segment = radius**2 * (sweep - math.sin(sweep)) / 2
    assert feature.area is not None
    assert feature.perimeter is not None
    assert feature.area.value == pytest.approx(segment, rel=1e-6)
    chord = 2 * radius * math.sin(sweep / 2)
    assert feature.perimeter.value == pytest.approx(radius * sweep + chord, rel=1e-7)
    # the geometry cuts corners of at most the sagitta
    assert feature.geometry.area == pytest.approx(segment, abs=0.002 * radius * sweep)


@PROFILE
@given(
    st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=3, max_size=8, unique=True)
)
def test_outlines_are_refused_exactly_when_invalid(points: list[tuple[int, int]]) -> None:
    valid = shapely.Polygon(points).is_valid
    made = outline([(float(e), float(n)) for e, n in points])
    if valid:
        assert one(made).area.value == pytest.approx(shapely.Polygon(points).area)  # type: ignore[union-attr]
    else:
        with pytest.raises(SurveyRefused) as caught:
            one(made)
        assert caught.value.problems[0].code in ("outline-crosses-itself", "area-is-straight")


@PROFILE
@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20), st.integers(1, 12)), max_size=12))
def test_contents_against_every_pair(squares: list[tuple[int, int, int]]) -> None:
    shapes = [shapely.box(x, y, x + s, y + s) for x, y, s in dict.fromkeys(squares)]
    children, overlaps = direct_children(shapes)
    n = len(shapes)
    # in whole metres there is no noise: inside is covers, sharing is interiors that meet
    inside = {(i, j) for i in range(n) for j in range(n) if i != j and shapes[i].covers(shapes[j])}
    direct = {
        (i, j)
        for i, j in inside
        if not any((i, k) in inside and (k, j) in inside for k in range(n))
    }
    assert {(i, j) for i, inner in enumerate(children) for j in inner} == direct
    crossing = {
        (i, j)
        for i in range(n)
        for j in range(i + 1, n)
        if (i, j) not in inside
        and (j, i) not in inside
        and shapes[i].intersection(shapes[j]).area > 0
    }
    assert {(o.first, o.second) for o in overlaps} == crossing


@PROFILE
@given(star_outlines(), st.floats(0.1, 0.6), st.floats(0.1, 0.6))
def test_net_area_is_what_is_left(
    points: list[tuple[float, float]], one_size: float, other_size: float
) -> None:
    def shrunk(size: float) -> list[tuple[float, float]]:
        return [(300 + size * (e - 300), 700 + size * (n - 700)) for e, n in points]

    big, small = max(one_size, other_size) + 0.2, min(one_size, other_size)
    made = outline(points)
    made += rows("in", "apron", [("", *p) for p in shrunk(big)])
    made += rows("core", "apron", [("", *p) for p in shrunk(small)])
    outer, inner, core = draw(*survey(made, CODES)).features
    assert outer.inside == ("in",)
    assert inner.inside == ("core",)
    total = outer.net_area.value + inner.net_area.value + core.net_area.value  # type: ignore[union-attr]
    assert total == pytest.approx(outer.area.value, rel=1e-9)  # type: ignore[union-attr]


WORDS = ["line", "arc", "arc2", "circle", "stream", "gap", "line3"]


def drawn_or_refused(notes: Notes, network: Network) -> tuple[Drawing | None, tuple[Problem, ...]]:
    try:
        return draw(notes, network), ()
    except SurveyRefused as refused:
        return None, refused.problems


@pytest.mark.slow
@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["p", "q"]),
            st.sampled_from(WORDS),
            st.integers(0, 4),
            st.integers(0, 4),
            st.sampled_from([None, "A", "B"]),
        ),
        min_size=1,
        max_size=12,
    ),
    st.sampled_from(["apron", "kerb", ""]),
)
def test_any_rows_are_drawn_or_refused(
    walk: list[tuple[str, str, int, int, str]], code: str
) -> None:
    # the same name is the same place, as after the adjustment
    spots = {"A": (0.0, 0.0), "B": (3.0, 1.0)}
    made: list[Row] = []
    for name, word, e, n, mark in walk:
        east, north = spots[mark] if mark else (float(e), float(n))
        made.append((name, code, word, mark, east, north, float(e)))
    notes, network = survey(made, CODES, sigma=0.01)
    drawing, refused = drawn_or_refused(notes, network)
    assert all(2 <= (p.line or 0) <= len(made) + 1 for p in refused)
    if drawing is None:
        return
    out = take_off(notes, network, drawing)
    for fact in (*out.features, *outline_edges(network, drawing)):
        for measure in vars(fact).values():
            if isinstance(measure, Measure):
                numbers = (measure.value, measure.grid, measure.sigma, measure.half_width)
                assert all(map(math.isfinite, numbers))
    for feature in drawing.features:
        assert feature.geometry.is_valid
        if feature.area is not None:
            # the geometry and the exact value differ by the sagitta at most
            length = feature.perimeter.grid  # type: ignore[union-attr]
            assert feature.geometry.area == pytest.approx(feature.area.grid, abs=0.002 * length)
