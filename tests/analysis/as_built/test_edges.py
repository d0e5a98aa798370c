"""Built edges against designed ones, on lines whose every distance is known by hand."""

from __future__ import annotations

import math

import linework_cases
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.analysis.as_built.datum import Datum
from geosite.analysis.as_built.edges import edge_deviations
from geosite.analysis.as_built.model import Deviation
from geosite.analysis.design_ground.zones import Edge
from geosite.linework.draw import draw

FACTOR = 0.5
"""A metre on the map is two on the ground."""
HELD = Datum(np.array([0]), np.array([0]), np.zeros(2), np.zeros((3, 2)))
"""A frame that nothing shifts; its height is that of the first mark."""


def compared(
    built: list[tuple[str, float, float, float]], *designs: Edge, area: bool = False, **how: float
) -> list[Deviation]:
    """Compare a kerb, or a pad, that was walked after a mark far from it."""
    rows = linework_cases.rows("", "", [("", -50.0, -50.0)])
    rows += linework_cases.rows("kerb", "kerb", built)
    codes = {"kerb": linework_cases.Code(geometry="area" if area else "line")}
    notes, network = linework_cases.survey(rows, codes, **how)  # type: ignore[arg-type]
    return edge_deviations(network, draw(notes, network), HELD, designs)


def line(*places: tuple[float, float, float], closed: bool = False) -> Edge:
    return Edge("kerb", np.array(places, float), closed)


STRAIGHT = line((0, 0, 10), (10, 0, 12))


@given(st.floats(-3, 3), st.floats(-1, 1), st.floats(-2, 2), st.floats(0, 6.28))
def test_a_line_beside_its_design_is_off_by_its_distance_wherever_both_lie(
    beside: float, higher: float, fall: float, turn: float
) -> None:
    way = np.array([math.cos(turn), math.sin(turn)])
    left = np.array([-way[1], way[0]])
    corner = np.array([30.0, -70.0])
    design = [(*(corner + at * way), 10 + fall * at) for at in (0.0, 10.0)]
    walked = [corner + at * way + beside * left for at in (-4.0, 14.0)]
    built = [
        ("line", *place, 10 + higher + fall * at)
        for place, at in zip(walked, (-4.0, 14.0), strict=True)
    ]
    found = compared(built, line(*design), combined_factor=FACTOR)
    # ten metres of the map are twenty on the ground, a station in each
    assert [one.name for one in found] == [f"kerb+{at}.00" for at in range(21)]
    assert [one.plan.value for one in found if one.plan] == pytest.approx(
        [beside / FACTOR] * 21, abs=1e-8
    )
    assert [one.up.value for one in found if one.up] == pytest.approx([higher] * 21, abs=1e-9)
    for k, one in enumerate(found):
        on = corner + k * FACTOR * way
        assert one.shift == pytest.approx(beside * left, abs=1e-9)
        up = 10 + higher + fall * k * FACTOR
        assert one.place == pytest.approx([*(on + beside * left), up], abs=1e-9)
        assert (one.what, one.code, one.east, one.north) == ("edge", "kerb", None, None)


@pytest.mark.parametrize("factor", [1.0, FACTOR])
def test_a_place_between_two_marks_is_known_as_a_mix_of_both(factor: float) -> None:
    """A share t of the way sigma is sqrt((1-t)^2 + t^2) times that of a mark."""
    built = [("line", 0.0, 0.3, 10.0), ("line", 10.0, 0.3, 12.0)]
    how = {"sigma": 0.02, "sigma_up": 0.03, "combined_factor": factor}
    found = compared(built, STRAIGHT, **how)
    assert len(found) == round(10 / factor) + 1
    for one, t in zip(found, np.linspace(0, 1, len(found)), strict=True):
        assert one.plan is not None
        assert one.up is not None
        mix = (1 - t) ** 2 + t**2
        # 2 cm of the map are as many more on the ground as the distance is
        assert one.plan.sigma == pytest.approx(0.02 / factor * math.sqrt(mix))
        assert one.plan.high - one.plan.value == pytest.approx(1.96 * one.plan.sigma, rel=1e-3)
        # the mark that holds the frame is as uncertain as one of the line
        assert one.up.sigma == pytest.approx(0.03 * math.sqrt(mix + 1))
        assert one.up.value == pytest.approx(0.0, abs=1e-9)


def test_stations_are_a_metre_apart_or_less_and_a_short_edge_has_both_ends() -> None:
    built = [("line", -5.0, 0.0, 0.0), ("line", 25.0, 0.0, 0.0)]
    for length, count in ((0.4, 2), (1.0, 2), (1.5, 3), (7.0, 8), (7.005, 8), (7.5, 9)):
        found = compared(built, line((0, 0, 0), (length, 0, 0)))
        assert len(found) == count, length
        at = [float(one.name.partition("+")[2]) for one in found]
        assert at == pytest.approx(np.linspace(0, length, count), abs=0.006)
        assert [one.plan.value for one in found if one.plan] == [0.0] * count


def test_what_was_not_built_across_a_gap_is_off_by_the_way_to_the_nearest_end() -> None:
    built = [
        *(("line", 0.0, 0.0, 0.0), ("line", 3.0, 0.0, 0.0)),
        *(("gap", 7.0, 0.0, 0.0), ("line2", 10.0, 0.0, 0.0)),
    ]
    found = compared(built, line((0, 0, 0), (10, 0, 0)))
    off = [abs(one.plan.value) for one in found if one.plan]
    assert off == pytest.approx([0, 0, 0, 0, 1, 2, 1, 0, 0, 0, 0], abs=1e-9)


def test_only_pieces_that_run_the_way_of_the_design_count_where_there_are_some() -> None:
    # a short branch crosses the design; the kerb itself lies 2 m to its left
    built = [("line", 5.0, -1.0, 0.0), ("line", 5.0, 2.0, 0.0), ("line", 12.0, 2.0, 0.0)]
    found = {one.name: one.plan for one in compared(built, line((0, 0, 0), (10, 0, 0)))}
    assert found["kerb+5.00"].value == pytest.approx(2.0)
    assert found["kerb+8.00"].value == pytest.approx(2.0)
    # where nothing runs along, the nearest of what was built
    across = compared(built[:2], line((0, 0, 0), (10, 0, 0)))
    assert abs(across[3].plan.value) == pytest.approx(2.0)
    # half a right angle is still along, a little more is not
    for turn, off in ((44.9, math.sin(math.radians(44.9))), (45.1, 1.0)):
        way = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        slant = ("line", 1.0, 0.0, 0.0), ("line", 1 + 9 * way[0], 9 * way[1], 0.0)
        other = ("line2", 20.0, 30.0, 0.0), ("line2", 2.0, 30.0, 0.0)
        built = [*slant, ("gap", 20.0, 30.0, 0.0), *other[1:]]
        (_, _, third) = compared(built, line((0, 0, 0), (2, 0, 0)))
        expected = off if turn < 45 else 30.0
        assert abs(third.plan.value) == pytest.approx(expected, rel=1e-6), turn


def test_a_bend_is_measured_square_to_both_sides_and_the_worse_is_told() -> None:
    # designed east, then north; built 0.1 m too far south and 0.4 m too far east
    design = line((0, 0, 0), (4, 0, 0), (4, 4, 0))
    built = [("line", 0.0, -0.1, 0.0), ("line", 4.4, -0.1, 0.0), ("line", 4.4, 4.0, 0.0)]
    off = [one.plan.value for one in compared(built, design)]
    assert off[:4] == pytest.approx([-0.1] * 4)
    assert off[5:] == pytest.approx([-0.4] * 4)
    assert off[4] == pytest.approx(-0.4)
    # the ends of an open edge belong to one side alone
    assert len(off) == 9


def test_a_pad_is_compared_once_round_and_its_last_side_as_well() -> None:
    corners = [(0, 0), (4, 0), (4, 3), (0, 3)]
    design = line(*[(x, y, 5.0) for x, y in (*corners, corners[0])], closed=True)
    # the west side alone was built 0.2 m too far in, its marks lie 10 cm higher
    built = [("line", max(x, 0.2), y, 5.1 if x == 0 else 5.0) for x, y in corners]
    found = compared(built, design, area=True)
    assert len(found) == 14
    off = [one.plan.value for one in found]
    assert off[1:11] == pytest.approx([0.0] * 10, abs=1e-9)
    assert off[11:] == pytest.approx([0.2] * 3)
    assert off[0] == pytest.approx(0.2)  # the first corner belongs to the last side, too
    assert [one.up.value for one in found[11:]] == pytest.approx([0.1] * 3)


def test_an_edge_that_nobody_walked_and_a_point_of_its_name_are_passed_over() -> None:
    built = [("line", 0.0, 0.0, 0.0), ("line", 4.0, 0.0, 0.0)]
    assert compared(built, Edge("wall", STRAIGHT.places)) == []
    assert len(compared(built, Edge("wall", STRAIGHT.places), STRAIGHT)) == 11
