"""Sides of lines and circles that rounding could turn, against exact fractions."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from geosite.terrain.surface.breakline import in_circle, orientation, orientations

Place = tuple[float, float]


def exact_turn(a: Place, b: Place, c: Place) -> int:
    (ax, ay), (bx, by), (cx, cy) = (map(Fraction, place) for place in (a, b, c))
    twice = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    return (twice > 0) - (twice < 0)


def exactly_inside(a: Place, b: Place, c: Place, d: Place) -> bool:
    """Distance from the centre of a, b, c against its radius."""
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = (map(Fraction, place) for place in (a, b, c, d))
    bx, by, cx, cy, dx, dy = bx - ax, by - ay, cx - ax, cy - ay, dx - ax, dy - ay
    twice = 2 * (bx * cy - by * cx)
    b2, c2 = bx * bx + by * by, cx * cx + cy * cy
    ux, uy = (cy * b2 - by * c2) / twice, (bx * c2 - cx * b2) / twice
    return (dx - ux) ** 2 + (dy - uy) ** 2 < ux * ux + uy * uy


@pytest.mark.parametrize("away", [0.0, 691_000.0])
@pytest.mark.parametrize("spread", [1.0, 1e-4, 0.0])
def test_near_a_circle_the_side_is_exact(away: float, spread: float) -> None:
    rng = np.random.default_rng(3)
    inside = []
    for _ in range(300):
        angles = np.sort(rng.uniform(0, 6.28, 3))
        angles = np.append(angles, rng.uniform(0, 6.28))
        radius = 7 + spread * rng.uniform(-1, 1, 4)
        marks = away + radius[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
        a, b, c, d = map(tuple, marks.tolist())
        if exact_turn(a, b, c) > 0:
            inside.append(exactly_inside(a, b, c, d))
            assert in_circle(a, b, c, d) == inside[-1]
    assert 20 < sum(inside) < len(inside) - 20


@pytest.mark.parametrize("first", range(3))
@pytest.mark.parametrize("scale", [1.0, 1024.0])
def test_beside_two_marks_in_line_and_a_far_one_the_side_is_exact(first: int, scale: float) -> None:
    # two of the three differences cancel: what is left is mostly rounding
    rng = np.random.default_rng(6)
    far, inside = 1e6, []
    for _ in range(400):
        near = rng.uniform(-1, 1, 2)
        beside = near * (1 + rng.uniform(-3, 3) * far * 1e-16) + rng.uniform(-1e-16, 1e-16, 2)
        turn = rng.uniform(0, 6.28)
        three = [(far * np.cos(turn), far * np.sin(turn)), tuple(near), tuple(beside)]
        a, b, c = ((scale * float(x), scale * float(y)) for x, y in three[first:] + three[:first])
        if exact_turn(a, b, c) > 0:
            inside.append(exactly_inside(a, b, c, (0.0, 0.0)))
            assert in_circle(a, b, c, (0.0, 0.0)) == inside[-1]
    assert 20 < sum(inside) < len(inside) - 20


def test_on_a_circle_is_not_inside() -> None:
    a, b, c, d = (5.0, 0.0), (0.0, 5.0), (-3.0, 4.0), (4.0, -3.0)
    assert not in_circle(a, b, c, d)
    assert in_circle(a, b, c, (4.0, -3.0 + 1e-15 * 4))
    assert not in_circle(a, b, c, (4.0, -3.0 - 1e-15 * 4))


@pytest.mark.parametrize("away", [0.0, 691_000.0])
def test_near_a_line_the_side_is_exact(away: float) -> None:
    rng = np.random.default_rng(4)
    a, step = rng.uniform(-9, 9, (300, 2)), rng.uniform(-9, 9, (300, 2))
    share = rng.uniform(-1, 2, (300, 1))
    corners = away + np.stack([a, a + step, a + share * step], axis=1)
    corners[:100, 2] += rng.uniform(-1, 1, (100, 2))
    expected = [exact_turn(*map(tuple, three)) for three in corners.tolist()]
    assert len(set(expected)) >= 2
    assert [orientation(*map(tuple, three)) for three in corners.tolist()] == expected
    found = orientations(corners.reshape(-1, 2), np.arange(900).reshape(-1, 3))
    assert found.tolist() == expected
