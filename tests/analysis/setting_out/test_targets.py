"""What of a design is set out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geosite.analysis.setting_out.targets import arcs_in, targets
from geosite.base.errors import InputError
from geosite.reading.designs import Design, DesignShape


def shape(kind: str, places: object, name: str = "") -> DesignShape:
    return DesignShape(name, "", kind, np.asarray(places, np.float64))  # type: ignore[arg-type]


def names(*shapes: DesignShape, **how: float) -> list[str]:
    return [t.name for t in targets(Design("d", shapes, None), 1.0, **how)]


def test_points_vertices_and_rings_have_names_of_their_own() -> None:
    line = shape("line", [(0, 0, 1), (4, 0, 1), (4, 3, 2)], "kerb")
    ring = shape("area", [(0, 0, 1), (4, 0, 1), (4, 3, 2), (0, 0, 1)])
    point = shape("point", [(9, 9, 1)])
    assert names(point, line, ring) == [
        "P1", "kerb-1", "kerb-2", "kerb-3", "A3-1", "A3-2", "A3-3",
    ]  # fmt: skip


def test_a_mark_listed_twice_is_one_and_two_of_one_name_are_told_apart() -> None:
    twice = [shape("point", [(0, 0, 1)], "M"), shape("point", [(0, 0.0005, 1)], "M")]
    assert names(*twice, shape("point", [(1, 0, 1)], "M")) == ["M", "M (2)"]


def test_stations_lie_every_so_many_ground_metres_and_take_the_slope_along() -> None:
    line = shape("line", [(0, 0, 0), (10, 0, 1), (10, 10, 1)], "wall")
    found = targets(Design("d", (line,), None), 0.5, 2.5)
    stations = {t.name: t.place for t in found if t.role == "station"}
    assert list(stations) == ["wall+2.5", "wall+7.5"]  # the vertex at 5 m stands for itself
    assert stations["wall+2.5"] == pytest.approx([5, 0, 0.5])
    assert stations["wall+7.5"] == pytest.approx([10, 5, 1])


def test_a_drawn_arc_is_set_out_by_ends_middle_and_centre() -> None:
    angle = np.radians(np.linspace(0, 90, 31))
    arc = np.column_stack([8 * np.cos(angle), 8 * np.sin(angle), np.linspace(1, 4, 31)])
    line = shape("line", np.vstack([[(8, -5, 0)], arc, [(-5, 8, 0)]]), "edge")
    found = targets(Design("d", (line,), None), 1.0)
    assert [t.name for t in found] == [
        "edge-1", "edge-2", "edge-17", "edge-32", "edge-33", "edge centre",
    ]  # fmt: skip
    assert found[-1].role == "centre"
    # at the height of the arc's middle
    assert found[-1].place == pytest.approx([0, 0, 2.5], abs=1e-9)


@pytest.mark.parametrize(("vertices", "kept"), [(8, 8), (9, 3), (10, 3)])
def test_an_arc_of_eight_vertices_is_set_out_whole_and_of_a_longer_one_ends_and_middle(
    vertices: int, kept: int
) -> None:
    angle = np.linspace(0, 0.6, vertices)
    arc = np.column_stack([8 * np.cos(angle), 8 * np.sin(angle), np.zeros(vertices)])
    line = shape("line", arc, "edge")
    whole = [f"edge-{k + 1}" for k in range(vertices)]
    short = ["edge-1", f"edge-{(vertices - 1) // 2 + 1}", f"edge-{vertices}"]
    assert names(line) == [*(whole if kept == vertices else short), "edge centre"]


def test_a_drawn_circle_has_its_centre() -> None:
    angle = np.radians(np.linspace(0, 360, 73))
    ring = np.column_stack([30 + 3 * np.cos(angle), 20 + 3 * np.sin(angle)])
    (arc,) = arcs_in(ring, 0.002)
    assert (arc.first, arc.last) == (0, 72)
    assert arc.centre == pytest.approx((30, 20))
    assert arc.radius == pytest.approx(3)


@pytest.mark.parametrize(
    "places",
    [
        [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0)],  # a square lies on a circle and is none
        [(0, 0), (1, 0.01), (2, -0.01), (3, 0.02), (4, 0), (5, 0)],
        [(0, 0), (1, 0), (2, 0), (3, 0), (4, 0), (5, 0)],
    ],
)
def test_corners_wavering_lines_and_straight_ones_are_no_arcs(places: list[tuple]) -> None:
    assert arcs_in(np.array(places, float), 0.002) == []


def test_two_arcs_that_bend_the_other_way_are_two() -> None:
    one = np.radians(np.arange(180, 89, -10))
    two = np.radians(np.arange(-90, 1, 10))
    line = np.vstack(
        [
            np.column_stack([5 * np.cos(one), 5 * np.sin(one)]),
            np.column_stack([5 * np.cos(two), 10 + 5 * np.sin(two)])[1:],
        ]
    )
    found = arcs_in(line, 0.002)
    assert [(a.first, a.last) for a in found] == [(0, 9), (9, 18)]
    assert [a.centre[1] for a in found] == pytest.approx([0, 10])


def test_more_than_a_day_of_points_is_refused() -> None:
    line = shape("line", [(0, 0, 0), (10_000, 0, 0)], "L")
    with pytest.raises(InputError, match="stations every 1 m along L"):
        names(line, station_m=1.0)
    many = [shape("point", [(n, 0, 0)]) for n in range(5001)]
    with pytest.raises(InputError, match="more than 5000 points"):
        names(*many)
    assert math.isclose(len(names(*many[:5000])), 5000)
