"""Falls from buildings, flat paving and ponds: every figure of an answer, worked out by hand.

Cells, units and falls are powers of two or short decimals near zero, so that what is said of limits
("or more", "most of") is tested on the limit itself.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from fall_cases import falls_from_building
from scipy import ndimage

from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.terrain.water.falls_from_buildings import (
    FallFromBuilding,
    FlatPaving,
    bilinear,
    flat_paving,
    largest_patch,
)
from geosite.terrain.water.ponding import Pond
from geosite.terrain.water.water_estimates import PavingEstimate, PondEstimate, estimate_ponds
from geosite.terrain.wording import paving_findings, pond_findings

FRAME = Frame()


# 12 x 12 m; the house stands in the middle, with four metres of ground to the rim on every side
GRID = Grid(0.0, 12.0, 1.0, 12, 12)
HOUSE = shapely.box(4.0, 4.0, 8.0, 8.0)


def around_the_house() -> np.ndarray:
    """Ground 8 % down from every wall, but 1 % down from the east wall, 0.5 % at its north end."""
    e, n = np.meshgrid(*GRID.centres())
    away = np.maximum(np.maximum(4.0 - e, e - 8.0), np.maximum(4.0 - n, n - 8.0))
    grade = np.where((e > 8.0) & (n < 8.0) & (n > 4.0), 0.01, 0.08)
    grade[4, 8:] = 0.005
    return np.where(away < 0.0, np.nan, -grade * away)


@pytest.mark.parametrize("turns", range(4))
def test_the_rim_of_the_raster_ends_the_distance(turns: int) -> None:
    # samples every half metre; the first known one is the centre half a metre from the wall, the
    # last one the rim's, 3.5 m from it, whichever side of the raster that is
    place = [(8.0, 7.5), (4.5, 8.0), (4.0, 4.5), (7.5, 4.0)][turns]
    for distance in (3.5, 7.0):
        fall = falls_from_building(
            "shed",
            HOUSE,
            np.rot90(around_the_house(), turns),
            GRID,
            distance_m=distance,
        )
        assert fall is not None
        # one wall misses the limit, by most at its north end
        assert fall == FallFromBuilding(
            name="shed",
            distance_m=distance,
            wall_m=16.0,
            short_m=4.0,
            toward_m=0.0,
            worst=fall.worst,
            worst_percent=pytest.approx(0.5, rel=1e-12),  # type: ignore[arg-type]
            limit_percent=5.0,
            is_paved=False,
            over_m=3.0,
            easting=place[0],
            northing=place[1],
        )


# of the seven samples before a wall the columns away from it hold 2, 1, 3 and 1 (a sample half way
# between two centres belongs to the even one)
@pytest.mark.parametrize(
    ("cols", "is_paved"),
    [((8, 9), False), ((10,), False), ((11,), False), ((8, 9, 11), True), ((10, 11), True)],
)
@pytest.mark.parametrize("is_north", [False, True])
def test_paved_is_where_most_of_the_known_ground_is(
    cols: tuple[int, ...], is_paved: bool, is_north: bool
) -> None:
    paved = np.zeros(GRID.shape, dtype=bool)
    paved[:, list(cols)] = True
    z = around_the_house()
    if is_north:  # rows take the part of the columns
        z, paved = z.T, paved.T
    fall = falls_from_building("shed", HOUSE, z, GRID, distance_m=7.0, paved=paved)
    assert fall is not None
    assert fall.is_paved is is_paved
    assert fall.limit_percent == (2.0 if is_paved else 5.0)


def test_paved_on_one_half_is_not_paved() -> None:
    # known up to the wall: eight samples, four of them in columns 8 and 9
    paved = np.zeros(GRID.shape, dtype=bool)
    paved[:, [8, 9]] = True
    z = np.full(GRID.shape, np.nan)
    z[4:8, 7:] = -0.01 * np.arange(7, 12)
    fall = falls_from_building("shed", HOUSE, z, GRID, distance_m=3.5, paved=paved)
    assert fall is not None
    assert (fall.is_paved, fall.over_m) == (False, 3.5)


# half metre cells of a grid in an odd unit of 0.25 m
FINE = Grid(0.0, 80.0, 2.0, 40, 40)
UNIT = 0.25
SHED = shapely.box(8.0, 31.0, 31.0, 55.0)


def east_of_the_shed(first: int, last: int) -> np.ndarray:
    """Ground 4 % down to the east in columns first to last; the wall is on the centre of 15."""
    z = np.full(FINE.shape, np.nan)
    col = np.arange(first, last + 1)
    z[:, first : last + 1] = -0.04 * (col - 15) * 0.5
    return z


def fall_east(first: int, last: int, distance: float) -> FallFromBuilding | None:
    return falls_from_building(
        "shed",
        SHED,
        east_of_the_shed(first, last),
        FINE,
        ground_m=UNIT,
        distance_m=distance,
    )


def test_ground_begins_within_two_cells_of_the_wall() -> None:
    at_once, gap = fall_east(15, 23, 4.0), fall_east(17, 23, 4.0)
    assert at_once is not None
    assert (at_once.over_m, at_once.wall_m) == (4.0, 6.0)
    assert at_once.worst_percent == pytest.approx(4.0, rel=1e-12)
    assert gap is not None
    assert gap.over_m == 3.0
    assert fall_east(18, 23, 4.0) is None


@pytest.mark.parametrize(
    ("last", "distance", "over"),
    [
        (17, 4.0, 1.0),  # two cells will do
        (16, 4.0, None),
        (16, 1.0, 0.5),  # half the distance will do
        (16, 1.125, None),
        (30, 3.0, 3.0),
    ],
)
def test_ground_is_known_over_two_cells_or_half_the_distance(
    last: int, distance: float, over: float | None
) -> None:
    fall = fall_east(15, last, distance)
    assert (fall and fall.over_m) == over


def test_no_known_ground_is_no_answer() -> None:
    assert fall_east(38, 37, 4.0) is None


def level_but_for(drop: float) -> FallFromBuilding:
    """Ground all round that falls this many metres over the two metres from every wall."""
    grid = Grid(0.0, 8.0, 1.0, 8, 8)
    e, n = np.meshgrid(*grid.centres())
    away = np.maximum(np.abs(e - 4.0), np.abs(n - 4.0))
    # 2.5 m from the middle at the first centres beyond the house, 3.5 m at the next
    z = -drop * (away - 1.5) / 2.0
    house = shapely.box(2.5, 2.5, 5.5, 5.5)
    fall = falls_from_building("shed", house, z, grid, distance_m=2.0, limit_percent=0.0)
    assert fall is not None
    assert fall.over_m == 2.0
    return fall


def test_a_tenth_of_a_millimetre_is_rounding() -> None:
    # the limit is level ground: what falls towards the house by more than 0.1 mm is short of it
    assert level_but_for(0.0).short_m == 0.0
    assert level_but_for(-0.995e-4).short_m == 0.0
    assert level_but_for(-0.995e-4).toward_m == 0.0
    assert level_but_for(-1.005e-4).short_m == pytest.approx(12.0)
    assert level_but_for(-1.005e-4).toward_m == pytest.approx(12.0)


@pytest.mark.parametrize(
    ("outline", "wall"),
    [
        ([(4, 4), (8, 4), (8, 4), (8, 8), (4, 8), (4, 8)], 16.0),  # corners told twice
        ([(5, 5), (6, 5), (6, 6), (5, 6)], 4.0),  # walls of one metre
        ([(5.8, 5.8), (6.2, 5.8), (6.2, 6.2), (5.8, 6.2)], 1.6),  # shorter than half a cell
    ],
)
def test_all_walls_count_with_their_length(outline: list[tuple[float, float]], wall: float) -> None:
    fall = falls_from_building("shed", shapely.Polygon(outline), np.zeros((12, 12)), GRID)
    assert fall is not None
    assert fall.wall_m == pytest.approx(wall, rel=1e-12)
    assert fall.short_m == fall.wall_m


def test_a_place_for_every_cell_of_wall_and_one_for_a_short_wall() -> None:
    # ground ever flatter to the north: the worst of the two places at a wall of 1.6 m is the second
    e, n = np.meshgrid(*Grid(0.0, 12.0, 0.5, 24, 24).centres())
    z = -(e - 6.0) * (12.0 - n) / 100.0
    grid = Grid(0.0, 12.0, 0.5, 24, 24)
    wall = shapely.box(2.0, 5.0, 6.0, 6.0)
    z[:, :12] = np.nan
    fall = falls_from_building("shed", wall, z, grid, distance_m=2.0)
    assert fall is not None
    # a metre of wall, cells of half a metre: places at 5.25 and 5.75
    assert (fall.wall_m, fall.easting, fall.northing) == (1.0, 6.0, 5.75)
    assert fall.worst_percent == pytest.approx(12.0 - 5.75, rel=1e-9)
    short = falls_from_building("shed", shapely.box(5.9, 5.0, 6.0, 5.2), z, grid, distance_m=2.0)
    assert short is not None
    assert (short.wall_m, short.northing) == (pytest.approx(0.2), pytest.approx(5.1))


def test_flat_paving_in_ground_units() -> None:
    # cells of 2 units of a quarter metre: 0.25 m2
    slope = np.full((6, 6), 3.0)
    slope[1, 1:4], slope[4, 5] = 0.5, 0.999
    slope[0, 0] = 1.0  # the least slope that drains
    grid = Grid(100.0, 212.0, 2.0, 6, 6)
    numbers = np.ones((6, 6), dtype=np.int32)
    numbers[5] = 2
    yard, lane = flat_paving(slope, numbers, ["yard", "lane"], grid, ground_m=0.25)
    assert yard == FlatPaving("yard", 1.0, 7.5, 1.0, 0.75, 105.0, 209.0)
    assert (lane.flat_m2, lane.known_m2, lane.patch_m2) == (0.0, 1.5, 0.0)
    assert np.isnan([lane.easting, lane.northing]).all()


@pytest.mark.parametrize(
    ("patch", "low", "share", "level"),
    [
        (0.75, 0.5, 0.975, "note"),
        (1.0, 0.5, 0.975, "look"),
        (1.5, 0.0, 0.975, "look"),
        (1.5, 0.0, 0.97, "note"),
    ],
)
def test_a_square_metre_in_one_piece_that_is_sure_is_looked_at(
    patch: float, low: float, share: float, level: str
) -> None:
    paving = FlatPaving("yard", 2.0, 9.0, 1.0, patch, 5.0, 6.0)
    (finding,) = paving_findings([PavingEstimate(paving, Estimate(2.0, low, 3.0), share)], FRAME)
    assert finding.level == level
    assert ("on some possible grounds none is" in finding.text) == (share < 0.975)
    told = f"yard: 2.0 m2 ({low:.1f} to 3.0) of 9.0 m2 looked at are flatter than 1 %"
    assert told in finding.text
    assert "will hold water" not in finding.text


def test_ponds_are_told_with_their_intervals() -> None:
    pond = Pond(1, 9.0, 0.055, 0.4, 0.4, 3, 1, 1, 2, 2, 5.0)
    none = Estimate(0.0, 0.0, 0.0)
    deep = PondEstimate(
        pond,
        Estimate(0.055, 0.021, 0.09),
        Estimate(3.0, 1.0, 4.0),
        Estimate(0.4, 0.05, 2.1),
        none,
        none,
        1.0,
    )
    maybe = replace(deep, depth_m=Estimate(0.03, 0.0, 0.08), probability=0.62)
    first, rest = pond_findings([deep, maybe], lambda row, col: (100.0 + 2 * col, 200.0 - 2 * row))
    assert first.text == (
        "After rain water stands 55 mm (21 to 90) deep at E 102.00, N 198.00, "
        "0.4 m3 (0.1 to 2.1) on 3.0 m2 (1.0 to 4.0), before it spills at E 104.00, N 196.00."
    )
    unseen = replace(deep, spill_apart_m=2.43)
    (far,) = pond_findings([unseen], lambda row, col: (100.0 + 2 * col, 200.0 - 2 * row))
    assert far.text == (
        f"{first.text} No mark is within 2.4 m of there: a notch in the rim lets more of it off. "
        "A mark at the lowest place of the rim would decide."
    )
    assert (first.level, rest.level) == ("look", "note")
    assert "in 38 of 100 grounds that fit the marks none stands there" in rest.text
    assert pond_findings((), lambda row, col: (0.0, 0.0)) == ()


def test_hollows_are_undecided_where_no_grounds_were_drawn() -> None:
    ponds = estimate_ponds(
        [Pond(k, 9.0, depth, 0.4, 0.4, 3, k, 1, 2, 2, 5.0) for k, depth in ((1, 0.001), (2, 0.05))],
        None,
        cell_m2=1.0,
    )
    (found,) = pond_findings(ponds, lambda row, col: (100.0 + col, 200.0 - row))
    assert (found.level, found.code, found.place) == ("look", "ponds-not-asked", (101.0, 198.0))
    assert "2 hollows; the deepest, at E 101.00, N 198.00, holds water 50 mm deep." in found.text
    assert "Undecided" in found.text


def test_between_centres_a_raster_is_read_bilinearly() -> None:
    r, c = np.mgrid[:4, :5].astype(np.float64)
    z = 1.0 + 2.0 * r + 3.0 * c + 0.5 * r * c
    rng = np.random.default_rng(1)
    row = np.append(rng.uniform(0.0, 3.0, 40), [0.0, 0.0, 3.0, 3.0, 0.25, 2.75, 1.5, 2.5])
    col = np.append(rng.uniform(0.0, 4.0, 40), [0.0, 4.0, 0.0, 4.0, 1.5, 2.5, 0.25, 3.75])
    expected = 1.0 + 2.0 * row + 3.0 * col + 0.5 * row * col
    np.testing.assert_allclose(bilinear(z, row, col), expected, rtol=1e-13)
    beyond = np.array([[-1e-9, 1.0], [3.0 + 1e-9, 1.0], [1.0, -1e-9], [1.0, 4.0 + 1e-9]])
    assert np.isnan(bilinear(z, *beyond.T)).all()


def test_a_neighbour_without_weight_may_be_unknown() -> None:
    z = np.array([[1.0, 2.0], [3.0, np.nan]])
    row, col = np.array([0.0, 0.0, 1.0, 0.5, 0.5]), np.array([0.0, 0.5, 0.0, 0.0, 0.5])
    assert bilinear(z, row, col)[:4].tolist() == [1.0, 1.5, 3.0, 2.0]
    assert np.isnan(bilinear(z, row, col)[4])


@pytest.mark.parametrize("seed", range(12))
def test_the_largest_patch_is_that_of_a_general_labelling(seed: int) -> None:
    rng = np.random.default_rng(seed)
    flat = rng.random(rng.integers(1, 9, 2)) < 0.4
    flat[0, 0] = True
    label, _ = ndimage.label(flat, structure=np.ones((3, 3)))
    rows, cols = largest_patch(flat)
    found = np.unique(label[rows, cols])
    assert found.size == 1
    size = np.bincount(label.ravel())
    assert size[found[0]] == rows.size == size[1:].max()
