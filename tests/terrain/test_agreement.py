"""How draws are made to agree with comparisons of marks: conditioning in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.base.arrays import Floats
from geosite.network.independent_marks import independent_marks
from geosite.terrain.surface.realisations import Lattice, RoughDraws
from geosite.terrain.surface.roughness import Roughness
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.conditioning import Conditions
from geosite.terrain.uncertainty.contrasts import contrasts
from geosite.terrain.uncertainty.ground import ground_between

LATTICE = Lattice(-5.0, -5.0, 2.0, 12, 12)
PLACES = np.array([(0.0, 0.0), (6.0, 1.0), (3.0, 7.0), (9.0, 8.0)])
ALONG = np.array([[1.0, -0.5, -0.3, -0.2], [-0.2, 1.0, -0.4, -0.4]])
"""Two comparisons of four marks."""
SLOPE = np.array([[0.3, -0.7], [0.05, 0.4]])


def conditions(own: Floats, built: Floats, sill: float = 1.0) -> tuple[Conditions, Roughness]:
    """Compare marks whose heights have a covariance and whose places are known."""
    made = Conditions(
        departure=np.array([0.05, -0.12]),
        touched=np.arange(4),
        along=ALONG,
        slope=SLOPE,
        pulls=own @ ALONG.T,
        noise=ALONG @ own @ ALONG.T,
        scale=np.array([1.0, 2.0]),
        places=PLACES,
        built=built,
    )
    return made, Roughness((0.04 * sill,), (10.0,), (1.0,))


def agreed(
    made: Conditions, rough: Roughness, errors: Floats, on_marks: Floats, normal: Floats
) -> Floats:
    count = len(errors)
    nodes = np.zeros((count, LATTICE.rows * LATTICE.cols))
    still = RoughDraws(LATTICE, nodes, np.ones(count), np.zeros(count, np.int64))
    moved, _ = made.agree(errors, still, on_marks, rough, normal)
    return moved


numbers = st.floats(-0.5, 0.5)


@given(st.lists(numbers, min_size=12, max_size=12))
def test_where_only_heights_are_unsure_a_draw_says_of_the_marks_what_they_say(
    errors: list[float],
) -> None:
    """Sideways errors of a mark on a slope count as the height that they make."""
    own = np.diag([1.0, 2.0, 0.5, 1.5]) * 1e-2
    made, even = conditions(own, np.zeros((2, 2)), sill=1e-18)
    drawn = np.array(errors).reshape(1, 4, 3)
    moved = agreed(made, even, drawn, np.zeros((1, 4)), np.zeros((1, 2)))[0]
    assert np.array_equal(moved[:, :2], drawn[0, :, :2])
    compared = [
        sum(
            along[k] * (moved[k, 2] - slope[0] * moved[k, 0] - slope[1] * moved[k, 1])
            for k in range(4)
        )
        for along, slope in zip(ALONG, SLOPE, strict=True)
    ]
    # what was measured less its error is what was there
    assert compared == pytest.approx(-made.departure, abs=1e-6)


def test_what_is_left_open_is_that_of_kriging() -> None:
    """Var(z) - Var(z) A' (A Var(z) A' + rough + built)^-1 A Var(z), from what each number moves."""
    root = np.array([[0.1, 0, 0, 0], [0.03, 0.12, 0, 0], [0, 0.02, 0.08, 0], [0.01, 0, 0, 0.1]])
    own, built = root @ root.T, np.array([[0.05, 0.0], [0.02, 0.09]])
    made, rough = conditions(own, built)
    apart = np.hypot(*(PLACES[:, None] - PLACES).transpose(2, 0, 1))
    between = 0.04 * rough.correlation(apart, 10.0)
    scaled = ALONG * np.array([[1.0], [2.0]])
    # one draw without any error, then one with each number alone
    count = 1 + 4 + 4 + 2
    errors, on_marks, normal = np.zeros((count, 4, 3)), np.zeros((count, 4)), np.zeros((count, 2))
    errors[1:5, :, 2] = np.eye(4)
    on_marks[5:9] = np.eye(4)
    normal[9:] = np.eye(2)
    moved = agreed(made, rough, errors, on_marks, normal)[:, :, 2]
    mean, change = moved[0], (moved[1:] - moved[0]).T
    start = np.zeros((10, 10))
    start[:4, :4], start[4:8, 4:8], start[8:, 8:] = own, between, np.eye(2)
    whole = ALONG @ own @ ALONG.T + scaled @ between @ scaled.T + built @ built.T
    gain = np.linalg.solve(whole, ALONG @ own).T
    assert mean == pytest.approx(-gain @ made.departure, rel=1e-6)
    assert change @ start @ change.T == pytest.approx(own - gain @ ALONG @ own, rel=1e-5)


def yard(
    shift: tuple[float, float] = (0.0, 0.0), **sigma: float
) -> tuple[Floats, dict[str, Floats]]:
    """Return marks of a yard with a long side, and how they are compared, shifted on the map."""
    draw = np.random.default_rng(3)
    grid = np.stack(np.meshgrid(np.arange(6.0), np.arange(5.0)), axis=-1).reshape(-1, 2) * 4
    flat = np.vstack([grid + draw.normal(0, 0.4, grid.shape), [(60.0, 8.0)]])
    up = 100 + 0.03 * flat[:, 0] - 0.05 * flat[:, 1] + draw.normal(0, 0.03, len(flat))
    places = np.column_stack([flat + shift, up])
    network = independent_marks(places, **sigma)
    found = contrasts(network, np.arange(len(places)), triangulate(places))
    return places, {
        "departure": found.departure, "noise": found.noise, "points": found.points,
        "shares": found.shares, "slope": np.asarray(found.slope),
    }  # fmt: skip


def test_marks_are_compared_alike_wherever_the_map_begins() -> None:
    _, here = yard(sigma_m=0.01, sigma_up_m=0.02)
    _, there = yard((700.0, -9000.0), sigma_m=0.01, sigma_up_m=0.02)
    for name, values in here.items():
        assert values == pytest.approx(there[name], abs=1e-6), name
    assert len(here["departure"]) > 12


def test_a_comparison_is_a_mark_less_the_others_with_the_errors_of_all() -> None:
    places, found = yard(sigma_m=0.01, sigma_up_m=0.02)
    compared = 0
    for departure, noise, points, shares, slope in zip(
        *(found[name] for name in ("departure", "noise", "points", "shares", "slope")), strict=True
    ):
        weight = np.append(1.0, -shares)
        assert weight @ places[points, :2] == pytest.approx([0.0, 0.0], abs=1e-9) or not slope.any()
        assert departure == pytest.approx(weight @ places[points, 2])
        # up: the weights; sideways: the weights times the slope of the others
        variance = (0.02**2 + 0.01**2 * float(slope @ slope)) * 1.0
        by_mark = {int(p): 0.0 for p in points}
        for point, one in zip(points.tolist(), weight.tolist(), strict=True):
            by_mark[point] += one
        assert noise == pytest.approx(np.sqrt(variance * sum(w**2 for w in by_mark.values())))
        compared += 1
    assert compared > 12
    # the lone mark far out ends two sides that go over whatever is between
    lone = len(places) - 1
    assert lone not in found["points"][:, 0]


def test_the_covariance_of_the_ground_is_that_of_the_mark_on_a_mark_and_even_ground() -> None:
    corners = np.array([[0, 0, 1], [8, 0, 2], [8, 8, 2], [0, 8, 1]], float)
    network = independent_marks(corners, sigma_up_m=0.02)
    ground = ground_between(network, np.arange(4), triangulate(corners))
    at = [(0.0, 0.0), (4.0, 0.0), (8.0, 8.0)]
    told = ground.covariance_at(at) - ground.departure_covariance(at)
    # half of the second mark is in the middle of the side, and nothing of the third
    assert told == pytest.approx(np.array([[4, 2, 0], [2, 2, 0], [0, 0, 4]]) * 1e-4, abs=1e-12)
    assert ground.departure_covariance(at)[[0, 2], [0, 2]] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert np.isnan(ground.departure_covariance([(20.0, 20.0)])).all()


@pytest.mark.parametrize(("apart", "compared"), [(5.0, True), (7.0, False)])
def test_a_mark_on_the_border_is_compared_unless_its_sides_are_long_for_the_spacing(
    apart: float, compared: bool
) -> None:
    """Marks 4 m from each other; on the east side one between two others farther away."""
    flat = np.stack(np.meshgrid(np.arange(6.0), np.arange(5.0)), axis=-1).reshape(-1, 2) * 4
    east = np.array([(24.0, 8 - apart), (24.0, 8.0), (24.0, 8 + apart)])
    at = np.vstack([flat, east]) + np.array([300.0, -200.0])
    places = np.column_stack([at, np.full(len(at), 5.0)])
    found = contrasts(independent_marks(places), np.arange(len(places)), triangulate(places))
    assert (len(flat) + 1 in found.points[:, 0]) == compared
