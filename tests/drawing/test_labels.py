"""The label placer: nothing taken is covered, crossed places are avoided, reading is upright."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from geosite.drawing.labels import Board, Leader, Line, along, around, away, upright
from geosite.drawing.sheet import Outline, Rectangle

WINDOW = Rectangle(20.0, 30.0, 120.0, 90.0)


def box_of(line: Line, place: np.ndarray) -> shapely.Polygon:
    """Box of the letters around the middle of a label; angles counter-clockwise as seen."""
    x, y, angle = place
    turn = math.radians(angle)
    right = np.array([math.cos(turn), -math.sin(turn)]) * line.width / 2
    down = np.array([math.sin(turn), math.cos(turn)]) * line.size * 0.45
    middle = np.array([x, y])
    return shapely.Polygon(
        [middle - right - down, middle + right - down, middle + right + down, middle - right + down]
    )


def placed(board: Board, line: Line, place: list[float]) -> bool:
    return bool(board.place([line], np.array([place])))


@pytest.mark.slow
@given(seed=st.integers(0, 1_000_000))
def test_turned_labels_never_overlap_and_stay_in_the_window(seed: int) -> None:
    rng = np.random.default_rng(seed)
    board, line = Board(WINDOW), Line("12.345 m", 2.4)
    kept = []
    for x, y, angle in rng.uniform((15, 25, -90), (145, 125, 90), (60, 3)):
        if placed(board, line, [x, y, angle]):
            kept.append(box_of(line, np.array([x, y, angle])))
    assert len(kept) > 3
    frame = shapely.box(WINDOW.x - 0.3, WINDOW.y - 0.3, WINDOW.right + 0.3, WINDOW.bottom + 0.3)
    assert all(frame.covers(box) for box in kept)
    for i, one in enumerate(kept):
        for other in kept[i + 1 :]:
            assert one.intersection(other).area < 0.3  # half a cell of 0.5 mm along an edge


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, -60.0])
def test_a_symbol_is_not_covered(angle: float) -> None:
    board, line = Board(WINDOW), Line("402.61", 2.4)
    board.take(80.0, 75.0, 1.0)
    assert not placed(board, line, [80.0, 75.0, angle])
    turn = math.radians(angle)
    # beyond the end of the label along its own direction: free
    away = line.width / 2 + 2.5
    assert placed(board, line, [80 + away * math.cos(turn), 75 - away * math.sin(turn), angle])


def test_a_small_symbol_takes_its_room_once_and_none_where_a_label_stands() -> None:
    board, line = Board(WINDOW), Line("402.61", 2.4)
    sliver = np.array([(60.0, 60.0), (64.0, 60.1), (64.0, 59.9)])
    assert board.claim(sliver)
    assert not board.claim(sliver + 0.2)
    assert board.claim(sliver + np.array([0.0, 8.0]))
    assert not placed(board, line, [62.0, 60.0, 0.0])
    assert placed(board, line, [100.0, 75.0, 0.0])
    assert not board.claim(np.array([(99.0, 70.0), (101.0, 70.0), (100.0, 80.0)]))
    # a wide one has an inside too, wherever its outline begins
    wide = np.array([(40.0, 90.0), (35.0, 95.0), (30.0, 90.0), (35.0, 85.0)])
    assert board.claim(wide)
    assert not board.claim((wide - wide.mean(axis=0)) / 10 + [33.0, 90.0])


def test_the_place_that_crosses_least_is_taken() -> None:
    line = Line("apron", 2.4)
    crossing = [np.array([(20.0, 60.0), (140.0, 60.0)])]
    candidates = np.array([(60.0, 60.0, 0.0), (60.0, 80.0, 0.0)])
    free = Board(WINDOW)
    (text,) = free.place([line], candidates)
    assert text.y == pytest.approx(60.0 + 0.36 * 2.4, abs=0.5)  # the favourite
    crossed = Board(WINDOW)
    crossed.cross(crossing)
    (text,) = crossed.place([line], candidates)
    assert text.y == pytest.approx(80.0 + 0.36 * 2.4, abs=0.5)
    hatched = Board(WINDOW)
    hatched.fill([Outline((crossing[0],))])
    (text,) = hatched.place([line], candidates)
    assert text.y > 70


def test_a_label_that_has_no_room_beside_its_sign_stands_away_at_the_end_of_a_leader() -> None:
    board, line = Board(WINDOW), Line("402.61", 2.4)
    x, y = 70.0, 70.0
    # a road runs through the sign: beside it every place is on its lines
    board.cross([np.array([(20.0, y + d), (140.0, y + d)]) for d in (-2, -1, 0, 1, 2)], 2)
    board.take(x, y, 0.6)
    beside = around(x, y, line.width, line.size, 1.0)
    far = away(x, y, line.width, line.size, (4.0, 8.0))
    leader = Leader(x, y, 0.6, len(beside))
    (text,), drawn = board.place_led([line], np.concatenate([beside, far]), leader)
    assert text.y < y - 2.0 or text.y - 0.72 * text.size > y + 2.0  # off every line
    assert drawn is not None
    assert math.dist(drawn[0], (x, y)) == pytest.approx(0.6)  # from the rim of the sign
    letters = box_of(line, np.array([text.x, text.y - 0.36 * 2.4, 0.0]))
    assert letters.distance(shapely.Point(drawn[1])) < 1.0
    # the leader is taken: nothing is written upon it
    assert not placed(board, line, [*((drawn[0] + drawn[1]) / 2).tolist(), 0.0])


def test_a_leader_ends_at_the_nearest_edge_of_its_label() -> None:
    line = Line("402.61", 2.4)
    beside = np.array([[90.0, 70.0, 0.0]])
    _, drawn = Board(WINDOW).place_led([line], beside, Leader(70.0, 70.0, 0.6, 0))
    # letters have a rim of 0.3 mm
    assert drawn == pytest.approx(np.array([(70.6, 70.0), (90.0 - line.width / 2 - 0.3, 70.0)]))


def test_of_places_alike_the_shortest_leader_is_taken() -> None:
    line = Line("402.61", 2.4)
    beside = np.array([[110.0, 70.0, 0.0], [90.0, 70.0, 0.0], [70.0, 105.0, 0.0]])
    (text,), _ = Board(WINDOW).place_led([line], beside, Leader(70.0, 70.0, 0.6, 0))
    assert text.x == 90.0


def test_a_leader_runs_through_nothing_that_is_taken() -> None:
    board, line = Board(WINDOW), Line("402.61", 2.4)
    x, y = 70.0, 70.0
    for angle in np.arange(0.0, 360.0, 4.0):  # a ring of symbols all round
        turn = math.radians(angle)
        board.take(x + 5.0 * math.cos(turn), y + 5.0 * math.sin(turn), 0.6)
    far = away(x, y, line.width, line.size, (9.0,))
    assert board.place_led([line], far, Leader(x, y, 0.6, 0)) == ([], None)
    assert board.place_led([line], far)[0]  # without a leader there is room


def test_beyond_the_most_that_may_be_covered_a_label_is_left_out() -> None:
    board, line = Board(WINDOW), Line("1.8 %", 1.8)
    board.cross([np.array([(20.0, 60.0), (140.0, 60.0)])])
    place = np.array([(60.0, 60.0, 0.0)])
    assert board.place_led([line], place, most=2.0) == ([], None)
    assert board.place_led([line], place)[0]


def test_nothing_to_say_and_nowhere_to_go() -> None:
    board = Board(WINDOW)
    assert board.place([Line("", 2.0)], np.array([(60.0, 60.0, 0.0)])) == []
    assert board.place([Line("x", 2.0)], np.zeros((0, 3))) == []
    assert board.place([Line("x", 2.0)], np.array([(0.0, 0.0, 0.0)])) == []
    board.cross([np.zeros((1, 2)), np.array([(50.0, 50.0), (50.0, 50.0)])])


def test_candidates_along_a_line_lie_beside_it_and_read_upright() -> None:
    line = np.array([(100.0, 50.0), (60.0, 50.0)])  # drawn from right to left
    found = along(line, (-2.0, 2.0), (0.25,))
    assert found[:, 0] == pytest.approx([90.0, 90.0])
    assert sorted(found[:, 1]) == pytest.approx([48.0, 52.0])
    assert found[:, 2] == pytest.approx([0.0, 0.0])
    steep = along(np.array([(50.0, 50.0), (50.0, 90.0)]), (0.0,), (0.5,))
    assert abs(steep[0, 2]) == pytest.approx(90.0)
    assert len(along(np.array([(1.0, 1.0), (1.0, 1.0)]), (0.0,), (0.5,))) == 0
    short = along(np.array([(1.0, 1.0), (1.2, 1.0), (1.4, 1.0)]), (0.0,), (0.25, 0.75))
    assert short[:, 0] == pytest.approx([1.1, 1.3])


@given(st.floats(-720, 720))
def test_text_never_stands_on_its_head(angle: float) -> None:
    turned = upright(angle)
    assert -90.0 - 1e-5 <= turned <= 90.0 + 1e-5
    assert math.isclose(math.sin(2 * math.radians(turned - angle)), 0.0, abs_tol=1e-6)


def test_candidates_around_a_symbol_leave_it_free() -> None:
    symbol = shapely.Point(50, 50).buffer(1.0)
    for x, y, _ in around(50.0, 50.0, 10.0, 3.0, 1.5):
        assert not shapely.box(x - 5, y - 1.5, x + 5, y + 1.5).intersects(symbol)


def test_linework_noted_together_is_avoided_as_that_noted_thing_by_thing() -> None:
    rng = np.random.default_rng(3)
    things = [
        [Outline((np.cumsum(rng.normal(0, 1, (6, 2)), axis=0) + 70,)) for _ in range(2)]
        for _ in range(3000)
    ]
    one_by_one, together = Board(WINDOW), Board(WINDOW)
    for thing in things:
        one_by_one.fill(thing)
    together.fill_each(things)
    together.fill_each([])
    assert np.array_equal(one_by_one._crossed, together._crossed)
    # where all pass the count ends; one thing counts once in a cell, however often it passes
    assert together._crossed.max() == 255
    once = Board(WINDOW)
    once.fill([*things[0], *things[0]])
    assert once._crossed.max() == 1
