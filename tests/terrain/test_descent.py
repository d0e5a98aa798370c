"""The raw ground one cell at a time: the rules of `find_flow_directions` in plain Python."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geosite.terrain.water import flow_directions
from geosite.terrain.water.descent import (
    CONNECTED,
    INLET,
    NO_FLOW,
    NODATA,
    OUTFLOW,
    STRAIGHT_OUT,
    FlowGrid,
    neighbour_elevations,
)
from geosite.terrain.water.flow_directions import find_flow_directions

STEPS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]
NEAR = [1.0, 2.0**0.5] * 4


class Ground:
    """Known ground with walls; a height is None beyond it."""

    def __init__(
        self, z: np.ndarray, inlets: np.ndarray, barriers: np.ndarray, walls: np.ndarray
    ) -> None:
        self.z, self.inlets, self.barriers, self.walls = z, inlets, barriers, walls

    def is_known(self, r: int, c: int) -> bool:
        is_in = 0 <= r < self.z.shape[0] and 0 <= c < self.z.shape[1]
        return is_in and bool(np.isfinite(self.z[r, c]))

    def height(self, r: int, c: int, k: int) -> float | None:
        i, j = r + STEPS[k][0], c + STEPS[k][1]
        if self.walls[r, c] >> k & 1 or not self.is_known(i, j):
            return None
        return float(self.z[i, j])

    def fall(self, r: int, c: int, k: int) -> float:
        there = self.height(r, c, k)
        return -np.inf if there is None else (self.z[r, c] - there) / NEAR[k]

    def outside(self, r: int, c: int) -> list[int]:
        ways = []
        for k, (down, over) in enumerate(STEPS):
            i, j = r + down, c + over
            is_in = 0 <= i < self.z.shape[0] and 0 <= j < self.z.shape[1]
            is_site = self.is_known(i, j) or (is_in and self.barriers[i, j])
            if not is_site and not self.walls[r, c] >> k & 1:
                ways.append(k)
        return ways

    def straight_out(self, r: int, c: int) -> list[int]:
        return straight(self.outside(r, c))

    def lower(self, r: int, c: int) -> set[int]:
        """Neighbours that are lower; of two as high the later one is higher."""
        found = set()
        for k, (down, over) in enumerate(STEPS):
            there = self.height(r, c, k)
            is_earlier = (down, over) < (0, 0)
            if there is not None and (
                there < self.z[r, c] or (there == self.z[r, c] and is_earlier)
            ):
                found.add(k)
        return found

    def way(self, r: int, c: int) -> int:
        """The steepest way down, the first clockwise from north, or what else becomes of water."""
        if not self.is_known(r, c):
            return NODATA
        if self.inlets[r, c]:
            return INLET
        falls = [self.fall(r, c, k) for k in range(8)]
        if max(falls) > 0:
            return falls.index(max(falls))
        out = self.straight_out(r, c)
        return OUTFLOW + out[0] if out else NO_FLOW

    def leaves_at_once(self, r: int, c: int) -> int | None:
        """The way across the edge of water that would run along the edge until it leaves."""
        way = self.way(r, c)
        if not self.outside(r, c) or way >= OUTFLOW:
            return None
        i, j = r, c
        while (k := self.way(i, j)) < OUTFLOW:
            i, j = i + STEPS[k][0], j + STEPS[k][1]
            if not self.outside(i, j):
                return None  # it comes inside again
        if self.way(i, j) == INLET:
            return None
        on = self.fall(r, c, way)
        # how steeply the ground comes to the edge, from the cell on the other side
        carried = {k: -self.fall(r, c, (k + 4) % 8) for k in self.outside(r, c)}
        carried = {k: fall for k, fall in carried.items() if np.isfinite(fall)}
        across = max(carried.values(), default=-np.inf)
        if not any(carried.get(k, -1.0) > 0 for k in self.straight_out(r, c)) or across < on:
            return None
        # lower than the edge on both sides by more than a hundredth of the drop across: a channel
        rise = -self.fall(r + STEPS[way][0], c + STEPS[way][1], way)
        if np.isfinite(rise) and min(on, rise) > 0.01 * across:
            return None
        return next(k for k in range(8) if carried.get(k) == across)


def straight(outside: list[int]) -> list[int]:
    """Directions most nearly along the sum of all; of two alike the nearer."""
    turn = np.arange(8) * np.pi / 4
    east, north = np.sin(turn[outside]).sum(), np.cos(turn[outside]).sum()
    along = {k: round(float(np.sin(turn[k]) * east + np.cos(turn[k]) * north), 9) for k in outside}
    best = [k for k in outside if along[k] == max(along.values())]
    return [k for k in best if k % 2 == 0] or best


def hang_together(ways: set[int]) -> bool:
    """Whether neighbours of one cell touch, one after the other, by a side or a corner."""
    left = set(ways)
    group = [left.pop()] if left else []
    for k in group:
        beside = {
            o for o in left if max(abs(a - b) for a, b in zip(STEPS[k], STEPS[o], strict=True)) == 1
        }
        group += beside
        left -= beside
    return not left


def cases(first: int, last: int) -> list[Ground]:
    made = []
    for number in range(first, last):
        rng = np.random.default_rng(number)
        shape = tuple(rng.integers(1, 10, 2))
        r, c = np.mgrid[: shape[0], : shape[1]]
        turn = rng.uniform(0.0, 2.0 * np.pi) if number % 3 else rng.integers(8) * np.pi / 4.0
        plane = np.sin(turn) * c + np.cos(turn) * r
        z = [
            # slopes of whole numbers, whose level cells lie corner to corner, or anything
            rng.choice([-1.0, 1.0]) * r + rng.choice([-1.0, 1.0]) * c
            if number % 8 == 4
            else rng.normal(size=shape),
            rng.integers(0, 4, shape).astype(float),
            plane + rng.normal(0.0, 0.3, shape),
            # as rough as the least drop along the edge that says something
            plane + rng.normal(0.0, 0.012, shape),
        ][number % 4]
        if number % 8 == 7:  # the edge of the data aslant of the cells
            z[r > 3.3 + 0.6 * c] = np.nan
        if number % 5 in (1, 2):
            z[rng.random(shape) < 0.2] = rng.choice([np.nan, np.inf, -np.inf])
        inlets, barriers = (rng.random(shape) < 0.1 * (number % 6 == k) for k in (2, 3))
        z[barriers] = np.nan
        walls = np.zeros(shape, dtype=np.uint8)
        if number % 2:
            for (i, j), k in _pairs(shape):
                if rng.random() < 0.15:
                    walls[i, j] |= 1 << k
                    to = i + STEPS[k][0], j + STEPS[k][1]
                    if 0 <= to[0] < shape[0] and 0 <= to[1] < shape[1]:
                        walls[to] |= 1 << k + 4
        made.append(Ground(z, inlets, barriers, walls))
    return made


def _pairs(shape: tuple[int, ...]) -> list[tuple[tuple[int, int], int]]:
    return [((i, j), k) for i in range(shape[0]) for j in range(shape[1]) for k in range(4)]


@pytest.mark.parametrize("part", range(8))
def test_every_cell_goes_where_the_rules_say(part: int, monkeypatch: pytest.MonkeyPatch) -> None:
    if part % 4:  # in bands of a few rows
        monkeypatch.setattr(flow_directions, "_BAND", 24)
    let_out = 0
    for ground in cases(8 * part, 8 * part + 8):
        z, cols = ground.z, ground.z.shape[1]
        has_walls = bool(ground.walls.any())
        inlets, barriers, walls = (
            each if each.any() else None for each in (ground.inlets, ground.barriers, ground.walls)
        )
        relief = find_flow_directions(z, inlets, barriers, walls)
        cells = [(int(r), int(c)) for r, c in np.argwhere(np.isfinite(z))]
        at_once = {at: k for at in cells if (k := ground.leaves_at_once(*at)) is not None}
        let_out += len(at_once)

        expected = np.full(z.shape, NODATA)
        for at in cells:
            expected[at] = OUTFLOW + at_once[at] if at in at_once else ground.way(*at)
        assert relief.direction.tolist() == expected.tolist()

        edge = [at for at in cells if ground.outside(*at)]
        assert relief.edge.tolist() == [r * cols + c for r, c in edge]
        out = [at_once.get(at, ground.straight_out(*at)[0]) for at in edge]
        assert relief.outward.tolist() == [OUTFLOW + k for k in out]
        level = np.flatnonzero(expected == NO_FLOW)
        assert relief.level.tolist() == level.tolist()
        known = np.isfinite(z)
        assert relief.inlets.tolist() == np.flatnonzero(ground.inlets & known).tolist()

        lower = {r * cols + c: ground.lower(r, c) for r, c in cells}
        walled = np.pad(ground.walls, 1)
        loose = {
            r * cols + c
            for r, c in cells
            if (has_walls and (r, c) in at_once) or walled[r : r + 3, c : c + 3].any()
        }
        saddles = {
            r * cols + c
            for r, c in cells
            if (r, c) in at_once
            or (
                lower[r * cols + c]
                and (
                    not hang_together(lower[r * cols + c])
                    or ground.inlets[r, c]
                    or max(ground.fall(r, c, k) for k in range(8)) <= 0
                    or r * cols + c in loose
                )
            )
        }
        assert sorted(relief.saddles.tolist()) == sorted(saddles)
        for cell, ways, near_wall in zip(
            relief.saddles.tolist(), relief.lower.tolist(), relief.near_wall.tolist(), strict=True
        ):
            assert {k for k in range(8) if ways >> k & 1} == lower[cell]
            assert near_wall == (cell in loose)
    assert let_out > 3


def test_heights_around_are_those_of_open_ways() -> None:
    for ground in cases(0, 32):
        z, cols = ground.z, ground.z.shape[1]
        cells = np.arange(z.size)
        got = neighbour_elevations(z, cells, np.arange(8)[:, None], ground.walls)
        each = [
            [ground.height(int(cell) // cols, int(cell) % cols, k) for cell in cells]
            for k in range(8)
        ]
        expected = np.array(each, dtype=np.float64)
        assert np.array_equal(got, expected, equal_nan=True)
    one = np.array([[5.0]])
    assert np.isnan(neighbour_elevations(one, np.array([0]), np.arange(8)[:, None], None)).all()


def test_neighbours_beyond_the_raster_or_a_wall_are_shut() -> None:
    for ground in cases(0, 16):
        (rows, cols), walls = ground.z.shape, ground.walls
        cells = np.arange(rows * cols)
        grid = FlowGrid(ground.z.ravel(), walls.ravel(), rows, cols, walls.ravel())
        there, is_open = grid.neighbours(cells)
        assert is_open is not None
        for k, cell in np.ndindex(8, cells.size):
            r, c = divmod(cell, cols)
            i, j = r + STEPS[k][0], c + STEPS[k][1]
            way = 0 <= i < rows and 0 <= j < cols and not walls[r, c] >> k & 1
            assert is_open[k, cell] == way
            assert there[k, cell] == (i * cols + j if way else cell)
        inner = cells.reshape(rows, cols)[1:-1, 1:-1].ravel()
        free, shut = replace(grid, walls=None).neighbours(inner)
        assert shut is None
        expected = [[cell + down * cols + over for cell in inner] for down, over in STEPS]
        assert free.tolist() == expected


def test_sets_of_neighbours() -> None:
    for ways in range(1, 256):
        chosen = [k for k in range(8) if ways >> k & 1]
        assert [k for k in range(8) if STRAIGHT_OUT[ways] >> k & 1] == straight(chosen)
        for k in range(8):
            group = {o for o in range(8) if CONNECTED[ways, k] >> o & 1}
            assert (k in group) == (k in chosen)
            assert hang_together(group)
            # no other of the set touches the group
            assert all(not hang_together({o, g}) for o in set(chosen) - group for g in group)
