"""Distances, directions and angles with their sigmas."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from linework_cases import Row, count_knots, moved, rows, survey

from geosite.analysis.distances import (
    Edge,
    angle_at,
    distance,
    outline_edges,
)
from geosite.base.errors import InputError
from geosite.fieldbook.sitefile import Code
from geosite.linework.draw import draw
from geosite.linework.model import Drawing, Measure
from geosite.network.model import Network

CODES = {"apron": Code(geometry="area"), "kerb": Code(geometry="line")}
MARKS = rows(
    "",
    "",
    [("", 10, 20, 1, "A"), ("", 13, 24, 1.5, "B"), ("", 10, 29, 1, "C"), ("", 3, 20, 0, "D")],
)


def simulated(network: Network, pick: Callable[[Network], list[float]]) -> list[float]:
    """Spread of quantities over simulated noise of the marks, 1 cm and 2 cm up."""
    rng = np.random.default_rng(5)
    knots = count_knots(network)
    values = [
        pick(moved(network, rng.normal(0.0, [0.01, 0.01, 0.02], (knots, 3)))) for _ in range(200)
    ]
    return [float(v) for v in np.std(values, axis=0)]


def test_between_two_marks() -> None:
    notes, network = survey(MARKS, sigma=0.01, sigma_up=0.02, combined_factor=0.9996)
    found = distance(notes.book, network, "A", "B")
    assert found.horizontal.grid == 5.0
    assert found.horizontal.value == pytest.approx(5.0 / 0.9996, rel=1e-14)
    assert found.slope.value == pytest.approx(math.hypot(5.0 / 0.9996, 0.5), rel=1e-14)
    assert found.rise.value == 0.5
    assert found.grade.value == pytest.approx(0.5 * 0.9996 / 5.0, rel=1e-14)
    assert math.degrees(found.azimuth.value) == pytest.approx(36.86989764584402, abs=1e-12)
    back = distance(notes.book, network, "B", "A")
    assert math.degrees(back.azimuth.value) == pytest.approx(216.86989764584402, abs=1e-12)
    assert back.rise.value == -0.5


@pytest.mark.parametrize(("end", "degrees"), [("C", 0.0), ("D", 270.0), ("B", 36.86989764584402)])
def test_azimuth_runs_clockwise_from_north(end: str, degrees: float) -> None:
    notes, network = survey(MARKS)
    assert math.degrees(distance(notes.book, network, "A", end).azimuth.value) == pytest.approx(
        degrees
    )


def test_sigmas_against_simulated_noise() -> None:
    notes, network = survey(MARKS, sigma=0.01, sigma_up=0.02, combined_factor=0.9996)

    def measures(n: Network) -> list[Measure]:
        d = distance(notes.book, n, "A", "B")
        angle = angle_at(notes.book, n, "A", "D", "B").value
        return [d.horizontal, d.slope, d.azimuth, d.rise, d.grade, angle]

    spread = simulated(network, lambda n: [m.value for m in measures(n)])
    assert [m.sigma for m in measures(network)] == pytest.approx(spread, rel=0.16)


def test_sigma_by_hand() -> None:
    notes, network = survey(MARKS, sigma=0.01, sigma_up=0.02)
    found = distance(notes.book, network, "A", "B")
    assert found.horizontal.sigma == pytest.approx(0.01 * math.sqrt(2.0), rel=1e-12)
    assert found.azimuth.sigma == pytest.approx(0.01 * math.sqrt(2.0) / 5.0, rel=1e-12)
    assert found.rise.sigma == pytest.approx(0.02 * math.sqrt(2.0), rel=1e-12)
    expected = math.hypot(0.02 * math.sqrt(2.0) / 5.0, 0.1 * 0.01 * math.sqrt(2.0) / 5.0)
    assert found.grade.sigma == pytest.approx(expected, rel=1e-12)


def test_angle_at_a_mark() -> None:
    notes, network = survey(MARKS, sigma=0.01)
    angle = angle_at(notes.book, network, "A", "D", "B")  # from west by north to north-east
    assert math.degrees(angle.value.value) == pytest.approx(126.86989764584402, abs=1e-12)
    back = angle_at(notes.book, network, "A", "B", "D")
    assert math.degrees(back.value.value) == pytest.approx(233.13010235415598, abs=1e-12)
    assert back.value.sigma == pytest.approx(angle.value.sigma, rel=1e-12)


def test_unknown_and_coinciding_marks() -> None:
    notes, network = survey(
        [*MARKS, *rows("", "", [("", 10, 20, 7, "A2"), ("", 0, 0, 0, "slip-1")])]
    )
    with pytest.raises(InputError) as caught:
        distance(notes.book, network, "slip-2", "nowhere")
    assert [p.code for p in caught.value.problems] == ["mark-unknown", "mark-unknown"]
    assert "did you mean 'slip-1'?" in str(caught.value.problems[0])
    with pytest.raises(InputError, match="same place"):
        distance(notes.book, network, "A", "A2")
    with pytest.raises(InputError, match="same place"):
        distance(notes.book, network, "A", "A")
    with pytest.raises(InputError, match="same place"):
        angle_at(notes.book, network, "A", "B", "A2")


# --- corners and edges


def corners_and_edges(
    network: Network, drawing: Drawing
) -> tuple[tuple[Measure, ...], tuple[Edge, ...]]:
    """Corners in the order of their edges; an area's first corner comes last."""
    edges = outline_edges(network, drawing)
    turned = (*edges[1:], edges[0])
    return tuple(e.corner for e in turned if e.corner is not None), edges


def parts(
    made: list[Row], factor: float = 1.0, sigma: float = 0.01
) -> tuple[tuple[Measure, ...], tuple[Edge, ...]]:
    notes, network = survey(made, CODES, sigma=sigma, combined_factor=factor)
    return corners_and_edges(network, draw(notes, network))


def degrees(corners: tuple[Measure, ...]) -> list[float]:
    return [math.degrees(c.value) for c in corners]


ELL = [(0, 0), (6, 0), (6, 2), (2, 2), (2, 5), (0, 5)]


def test_corners_of_an_area_either_way_round() -> None:
    inner = {(2, 2): 270.0}
    for walk in (ELL, ELL[::-1]):
        corners, edges = parts(rows("p", "apron", [("", e, n) for e, n in walk]))
        assert len(edges) == len(corners) == 6
        expected = [inner.get(p, 90.0) for p in [*walk[1:], walk[0]]]
        assert degrees(corners) == pytest.approx(expected, abs=1e-9)
        assert sum(degrees(corners)) == pytest.approx(180.0 * 4)
        assert [e.start for e in edges] == [0, 1, 2, 3, 4, 5]


def test_corner_of_a_line_is_clockwise_from_the_edge_before() -> None:
    corners, edges = parts(rows("k", "kerb", [("", 0, 0), ("", 0, 5), ("", 5, 5), ("", 5, 9)]))
    assert [e.kind for e in edges] == ["line"] * 3
    # north, then east: from the way back (south) clockwise over west and north to east
    assert degrees(corners) == pytest.approx([270.0, 90.0])


def test_closed_line_has_a_corner_at_its_start() -> None:
    walk = [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0)]
    corners, _ = parts(rows("k", "kerb", [("", e, n) for e, n in walk]))
    assert degrees(corners) == pytest.approx([90.0] * 4)


def test_arc_edges() -> None:
    # MatheAss help, "Circular Sections": arc 1, central angle 45 degrees
    r = 1.2732395
    marks = [("", r * math.cos(a), r * math.sin(a)) for a in (0.0,)] + [
        ("arc", r * math.cos(a), r * math.sin(a)) for a in (0.3, math.pi / 4)
    ]
    _, (edge,) = parts(rows("k", "kerb", marks))
    assert edge.radius is not None
    assert edge.sagitta is not None
    assert edge.sweep is not None
    assert edge.length.value == pytest.approx(1.0, abs=5e-6)
    assert edge.radius.value == pytest.approx(1.2732395, abs=5e-6)
    assert edge.chord.value == pytest.approx(0.97449536, abs=5e-6)
    assert edge.sagitta.value == pytest.approx(0.096919589, abs=5e-6)
    assert math.degrees(edge.sweep.value) == pytest.approx(45.0, abs=5e-6)


def test_tangents_make_the_corners_of_a_stadium_straight() -> None:
    stadium = [
        ("line", 0, -2),
        ("line", 10, -2),
        ("arc", 12, 0),
        ("arc", 10, 2),
        ("line", 0, 2),
        ("arc", -2, 0),
        ("arc", 0, -2),
    ]
    corners, edges = parts(rows("s", "apron", stadium), factor=0.9996)
    assert degrees(corners) == pytest.approx([180.0] * 4, abs=1e-9)
    assert [e.kind for e in edges] == ["line", "arc", "line", "arc"]
    assert edges[1].radius is not None
    assert edges[1].radius.value == pytest.approx(2.0 / 0.9996)
    assert edges[1].radius.grid == pytest.approx(2.0)


def test_half_disc_has_right_angles() -> None:
    marks = [("", 2, 0), ("arc", 0, 2), ("arc", -2, 0)]
    for walk in (marks, [("", -2, 0), ("arc", 0, 2), ("arc", 2, 0)]):
        corners, _ = parts(rows("p", "apron", walk))
        assert degrees(corners) == pytest.approx([90.0, 90.0], abs=1e-9)


def test_stream_is_one_edge_and_a_circle_has_no_corners() -> None:
    t = np.linspace(0.0, math.pi, 40)
    marks = [("stream", 5 * math.cos(a), 5 * math.sin(a)) for a in t]
    corners, edges = parts(rows("p", "apron", marks))
    assert [e.kind for e in edges] == ["stream", "line"]
    assert len(corners) == 2
    assert edges[0].length.value == pytest.approx(5 * math.pi, rel=1e-3)
    assert edges[0].chord.value == pytest.approx(10.0)
    ring = [("circle", 5 * math.cos(a), 5 * math.sin(a)) for a in (0, 2, 4)]
    corners, (edge,) = parts(rows("c", "apron", ring))
    assert corners == ()
    assert edge.radius is not None
    assert edge.radius.value == pytest.approx(5.0)
    assert edge.length.value == pytest.approx(10 * math.pi)
    assert edge.azimuth is None


def test_closed_stream_has_no_direction() -> None:
    t = np.linspace(0.0, 2 * math.pi, 40)
    marks = [("stream", 5 * math.cos(a), 5 * math.sin(a)) for a in t[:-1]] + [("stream", 5.0, 0.0)]
    corners, (edge,) = parts(rows("p", "apron", marks))
    assert corners == ()
    assert edge.azimuth is None
    assert edge.chord.value == 0.0


ROUNDED = [
    ("", 0, 0),
    ("", 8, 0.5),
    ("arc", 10.5, 3),
    ("arc", 10.2, 4.5),
    ("arc", 8.1, 6),
    ("", 1, 6),
]


def test_edge_and_corner_sigmas_against_simulated_noise() -> None:
    made = rows("p", "apron", ROUNDED)
    notes, network = survey(made, CODES, sigma=0.01)
    drawing = draw(notes, network)
    names = ("length", "chord", "azimuth", "radius", "sagitta", "sweep", "departure", "arrival")

    def measures(n: Network) -> list[Measure]:
        corners, edges = corners_and_edges(n, drawing)
        return [getattr(edges[1], name) for name in names] + list(corners)

    spread = simulated(network, lambda n: [m.value for m in measures(n)])
    assert [m.sigma for m in measures(network)] == pytest.approx(spread, rel=0.16)
