"""The parts of the basin graph: order of elevations, regions, spanning tree, and its root."""

from __future__ import annotations

import numpy as np
import pytest

from geosite.terrain.water import regions
from geosite.terrain.water.regions import connected_regions
from geosite.terrain.water.spanning_trees import ascending_order, minimum_spanning_forest, root_tree


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_elevations_of_any_size_and_sign_are_put_in_order(kind: type) -> None:
    rng = np.random.default_rng(7)
    z = np.concatenate([rng.normal(0, size, 200) for size in (1e-6, 1.0, 400.0)]).astype(kind)
    z[::7] = 1.5  # equal values keep their places
    z[3::50] = -12.25
    assert ascending_order(z).tolist() == np.argsort(z, kind="stable").tolist()


STEPS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]


@pytest.mark.parametrize("seed", range(16))
def test_regions_are_what_a_flood_from_each_cell_reaches(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(regions, "_CHUNK", 7 + seed)
    rng = np.random.default_rng(seed)
    rows, cols = shape = tuple(rng.integers(1, 9, 2))
    z = rng.integers(0, 3, rows * cols).astype(float) if seed % 2 else None
    cells = np.flatnonzero(rng.random(rows * cols) < 0.6)
    shut = {
        (int(r), int(c), k)
        for r, c, k in np.ndindex(rows, cols, 4)
        if seed % 3 == 0 and rng.random() < 0.3
    }
    walls = np.zeros(shape, dtype=np.uint8)
    for r, c, k in shut:
        walls[r, c] |= 1 << k
        i, j = r + STEPS[k][0], c + STEPS[k][1]
        if 0 <= i < rows and 0 <= j < cols:
            walls[i, j] |= 1 << k + 4
    ends = rng.integers(0, cells.size, (2, 2)) if cells.size and seed % 4 == 1 else None

    place = {int(cell): n for n, cell in enumerate(cells)}
    reached = np.full(cells.size, -1)
    count = 0
    for first in range(cells.size):
        todo = [first] if reached[first] < 0 else []
        count += len(todo)
        while todo:
            n = todo.pop()
            if reached[n] >= 0:
                continue
            reached[n] = count - 1
            r, c = divmod(int(cells[n]), cols)
            for k, (down, over) in enumerate(STEPS):
                i, j = r + down, c + over
                there = place.get(i * cols + j) if 0 <= i < rows and 0 <= j < cols else None
                if there is None or walls[r, c] >> k & 1:
                    continue
                if z is None or z[i * cols + j] == z[r * cols + c]:
                    todo.append(there)
            if ends is not None:
                todo += [int(b) for a, b in [*ends.T, *ends[::-1].T] if a == n]
    part, parts = connected_regions(
        cells,
        (int(rows), int(cols)),
        walls=walls.ravel() if shut else None,
        z=z,
        links=None if ends is None else (ends[0], ends[1]),
    )
    assert parts == count
    # the same cells hang together, and the numbers run from 0
    assert len(set(zip(part.tolist(), reached.tolist(), strict=True))) == count
    assert sorted(set(part.tolist())) == list(range(count))


@pytest.mark.parametrize("seed", range(12))
def test_the_links_chosen_are_those_of_kruskal(seed: int) -> None:
    """Kruskal (1956), doi:10.1090/S0002-9939-1956-0078686-7: the cheapest that closes no ring."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 30))
    near, far = rng.integers(0, count, (2, rng.integers(0, 60))).astype(np.int32)
    apart = near != far
    near, far = near[apart], far[apart]
    root = list(range(count))
    expected = []
    for link, (a, b) in enumerate(zip(near.tolist(), far.tolist(), strict=True)):
        if root[a] != root[b]:
            expected.append(link)
            old, new = root[a], root[b]
            root = [new if part == old else part for part in root]
    chosen, part, parts = minimum_spanning_forest(near, far, count)
    assert chosen.tolist() == expected
    assert parts == len(set(root))
    assert len(set(zip(part.tolist(), root, strict=True))) == parts
    assert sorted(set(part.tolist())) == list(range(parts))


@pytest.mark.parametrize("seed", range(12))
def test_a_tree_hangs_from_its_root(seed: int) -> None:
    rng = np.random.default_rng(seed)
    root = int(rng.integers(1, 40))
    # each node but the root hangs on one with a larger number, under names that are shuffled
    name = np.append(rng.permutation(root), root)
    node = np.arange(root)
    above = rng.integers(node + 1, root + 1)
    order = rng.permutation(root)
    near, far = name[node][order], name[above][order]
    swap = rng.random(root) < 0.5
    link, up = root_tree(
        np.where(swap, far, near).astype(np.int32), np.where(swap, near, far).astype(np.int32), root
    )
    assert up[name[node]].tolist() == name[above].tolist()
    assert up[root] == root
    assert order[link[name[node]]].tolist() == node.tolist()
