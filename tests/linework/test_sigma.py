"""Derivatives against finite differences, sigmas against simulated noise."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from linework_cases import Row, count_knots, knot_of, moved, rows, survey

from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code
from geosite.linework.draw import draw
from geosite.linework.model import Feature, Measure
from geosite.network.model import Network

CODES = {"apron": Code(geometry="area"), "kerb": Code(geometry="line")}


def noisy(points: list[tuple[float, float]], seed: int = 3) -> list[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    return [
        (e + d, n + h)
        for (e, n), (d, h) in zip(points, rng.normal(0, 0.02, (len(points), 2)), strict=True)
    ]


def on_circle(
    radius: float, *angles: float, east: float = 0, north: float = 0
) -> list[tuple[float, float]]:
    return [(east + radius * math.cos(a), north + radius * math.sin(a)) for a in angles]


def words(word: str, points: list[tuple[float, float]]) -> list[tuple[float, ...]]:
    return [(word, *p) for p in points]  # type: ignore[list-item]


STADIUM = rows(
    "s",
    "apron",
    [
        ("line", 0, -2, 0, "A"),
        ("line", 10, -2),
        ("arc", 12, 0.1),
        ("arc", 10, 2),
        ("line", 0, 2),
        ("arc", -2, 0.2),
        ("arc", 0, -2, 0, "A"),
    ],
)
FITTED_CIRCLE = rows("c", "apron", words("circle", noisy(on_circle(5, 0, 1, 2, 3, 4, 5.5))))
EXACT_CIRCLE = rows("c", "apron", words("circle", on_circle(5, 0, 2.5, 4)))
BIG_ARC = rows(
    "k", "apron", [("line", 9, -1), *words("arc", noisy(on_circle(4, -0.5, 1, 2, 3.5, 4.8)))]
)
CLOCKWISE = rows("k", "kerb", [("line", 9, -1), *words("arc", noisy(on_circle(9, 3, 2, 1.5, 1)))])
FLAT = rows("k", "apron", [("line", 0, 0), ("arc", 5, 0.1), ("arc", 10, 0), ("line", 5, 8)])
STREAM = rows(
    "k", "apron", [("stream", 9 * math.cos(a), 6 * math.sin(a)) for a in np.linspace(0, 6, 30)]
)
GAPS = rows("k", "kerb", [("line", 0, 0), ("line", 4, 3), ("gap", 6, 1), ("line", 9, 9)])

AREA: Callable[[Feature], Measure | None] = lambda f: f.area  # noqa: E731
NET: Callable[[Feature], Measure | None] = lambda f: f.net_area  # noqa: E731
PERIMETER: Callable[[Feature], Measure | None] = lambda f: f.perimeter  # noqa: E731
LENGTH: Callable[[Feature], Measure | None] = lambda f: f.length  # noqa: E731


def value(notes: Notes, network: Network, pick: Callable[[Feature], Measure | None]) -> float:
    measure = pick(draw(notes, network).features[0])
    assert measure is not None
    return measure.value


def check_form(
    made: list[Row], pick: Callable[[Feature], Measure | None], rel: float = 2e-6
) -> None:
    notes, network = survey(made, CODES, sigma=0.01, combined_factor=0.9997)
    measure = pick(draw(notes, network).features[0])
    assert measure is not None
    knots = count_knots(network)
    analytic = np.zeros((knots, 2))
    at = knot_of(network)[measure.form.rows]
    np.add.at(analytic, (at, 0), measure.form.east)
    np.add.at(analytic, (at, 1), measure.form.north)
    assert not measure.form.up.any()
    step = 1e-5
    numeric = np.zeros((knots, 2))
    for knot in range(knots):
        for axis in range(2):
            shift = np.zeros((knots, 3))
            shift[knot, axis] = step
            ahead = value(notes, moved(network, shift), pick)
            behind = value(notes, moved(network, -shift), pick)
            numeric[knot, axis] = (ahead - behind) / (2 * step)
    assert analytic == pytest.approx(numeric, abs=rel * float(np.abs(numeric).max()))
    # independent marks of 1 cm
    assert measure.sigma == pytest.approx(0.01 * float(np.sqrt((analytic**2).sum())), rel=1e-9)
    # moving everything changes nothing
    assert analytic.sum(axis=0) == pytest.approx(0.0, abs=rel * float(np.abs(numeric).max()))


@pytest.mark.parametrize(
    "made", [STADIUM, FITTED_CIRCLE, EXACT_CIRCLE, BIG_ARC, FLAT, STREAM, BIG_ARC[::-1]]
)
def test_area_and_perimeter_derivatives(made: list[Row]) -> None:
    check_form(made, AREA)
    check_form(made, PERIMETER)


def test_area_derivatives_of_what_is_smaller_than_one_square_metre() -> None:
    slab = [(0.0, 0.0), (0.8, 0.1), (0.7, 0.6), (-0.1, 0.5)]
    check_form(rows("s", "apron", words("line", slab)), AREA)
    check_form(rows("s", "apron", words("line", slab[::-1])), AREA)


@pytest.mark.parametrize("made", [CLOCKWISE, GAPS])
def test_length_derivatives(made: list[Row]) -> None:
    check_form(made, LENGTH)


def ring(name: str, points: list[tuple[float, float]]) -> list[Row]:
    return rows(name, "apron", words("line", points))


@pytest.mark.slow
def test_net_area_derivatives() -> None:
    yard = ring("yard", [(-9, -9), (20, -9), (20, 20), (-9, 20)])
    pad = ring("pad", [(0, 0), (8, 0), (8, 8), (0, 8)])
    check_form(yard + STADIUM, NET)
    check_form(yard + FITTED_CIRCLE, NET)
    # overlapping children: only the outline of their union counts
    check_form(yard + pad + ring("other", [(5, 5), (12, 6), (12, 12), (5, 13)]), NET)
    # cut by an arc, by a fitted circle: the outline is densified to 2 mm, so to about 1e-3
    check_form(yard + pad + BIG_ARC, NET, rel=3e-3)
    check_form(yard + pad + FITTED_CIRCLE, NET, rel=3e-3)
    # neighbours that share two marks, and neighbours measured twice
    tied = ring("next", [(8, 0), (12, 0), (12, 8), (8, 8)])
    named = {(8.0, 0.0): "B", (8.0, 8.0): "C"}
    check_form(yard + [(*r[:3], named.get(r[4:6]), *r[4:]) for r in pad + tied], NET)
    check_form(yard + pad + ring("next", [(7.98, -0.1), (12, 0), (12, 8), (7.99, 8.2)]), NET)


@pytest.mark.parametrize(
    ("made", "pick"),
    [(STADIUM, AREA), (FITTED_CIRCLE, AREA), (BIG_ARC, AREA), (CLOCKWISE, LENGTH)],
)
def test_sigma_against_simulated_noise(
    made: list[Row], pick: Callable[[Feature], Measure | None]
) -> None:
    notes, network = survey(made, CODES, sigma=0.01)
    measure = pick(draw(notes, network).features[0])
    assert measure is not None
    rng = np.random.default_rng(11)
    knots = count_knots(network)
    values = []
    for _ in range(200):
        shift = np.zeros((knots, 3))
        shift[:, :2] = rng.normal(0.0, 0.01, (knots, 2))
        values.append(value(notes, moved(network, shift), pick))
    # the standard deviation of 200 values is itself known to 5 %
    assert np.std(values) == pytest.approx(measure.sigma, rel=0.16)
    assert np.mean(values) == pytest.approx(measure.value, abs=0.3 * measure.sigma)


def test_shared_mark_moves_both_ends() -> None:
    # two rows on the same mark: a closed line through it does not change when the mark moves along
    made = rows("k", "kerb", [("", 0, 0, 0, "A"), ("", 10, 0, 0, "B"), ("", 0, 0, 0, "A")])
    length = draw(*survey(made, CODES, sigma=0.01)).features[0].length
    assert length is not None
    # 2 x the distance AB, not two independent legs
    assert length.sigma == pytest.approx(2 * 0.01 * math.sqrt(2.0), rel=1e-12)


SLOPING = rows(
    "k", "kerb", [("line", 0, 0, 1.0), ("line", 6, 3, 2.5), ("gap", 8, 3, 2), ("line", 9, 9, 0.5)]
)
HELIX = rows("k", "kerb", [("line", 10, 0, 0.0), ("arc", 0, 10, 1.0), ("arc", -10, 0, 2.0)])


@pytest.mark.parametrize(("made", "rel"), [(SLOPING, 1e-6), (HELIX, 1e-3)])
@pytest.mark.parametrize("name", ["length_3d", "rise", "fall"])
def test_derivatives_along_the_slope(made: list[Row], name: str, rel: float) -> None:
    notes, network = survey(made, CODES, sigma=0.01, sigma_up=0.02, combined_factor=0.9997)

    def measured(n: Network) -> Measure:
        found: Measure = getattr(draw(notes, n).features[0], name)
        return found

    form = measured(network).form
    at = knot_of(network)[form.rows]
    knots = count_knots(network)
    analytic, numeric = np.zeros((knots, 3)), np.zeros((knots, 3))
    for axis, by_axis in enumerate((form.east, form.north, form.up)):
        np.add.at(analytic, (at, axis), by_axis)
    for knot in range(knots):
        for axis in range(3):
            shift = np.zeros((knots, 3))
            shift[knot, axis] = 1e-5
            ahead, behind = (measured(moved(network, s)).value for s in (shift, -shift))
            numeric[knot, axis] = (ahead - behind) / 2e-5
    assert analytic == pytest.approx(numeric, abs=rel * max(float(np.abs(numeric).max()), 1e-3))
    variance = 1e-4 * (analytic[:, :2] ** 2).sum() + 4e-4 * (analytic[:, 2] ** 2).sum()
    assert measured(network).sigma == pytest.approx(math.sqrt(variance), rel=1e-9)
