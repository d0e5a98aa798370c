"""Guards on growth that hold on a busy machine: what is imported, what is called, and ratios.

Nothing here looks at a clock that others can slow down: modules and calls are counted, and times
are the processor's, of a size and of four times it, in one run.
"""

from __future__ import annotations

import gc
import subprocess
import sys
import time
import weakref
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import package_cases
import pytest
import shapely
from closed_runs import closed_runs

from geosite import build
from geosite.base.errors import OutputRefused
from geosite.base.grid import Grid
from geosite.base.large_rasters import ScratchFolder
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import Package
from geosite.handover.plan.sheet import draw_plan
from geosite.handover.viewer.page import write_viewer
from geosite.network import adjust
from geosite.terrain.surface.idw import interpolate_inverse_distance
from geosite.terrain.surface.realisations import BetweenNodes
from geosite.terrain.water import spanning_trees as trees
from geosite.terrain.water.drainage import drain
from geosite.terrain.water.ponding import find_ponds
from geosite.terrain.water.realised_drainage import DrainageReference, drain_realisations
from geosite.terrain.water.strips import drain as strips
from geosite.terrain.water.strips import graph
from geosite.terrain.water.water_estimates import estimate_ponds

SAMPLE = Path(__file__).parents[2] / "sample_data" / "jetty_feet" / "site.toml"

NOT_FOR_THE_JETTY = (
    *("analysis.sections", "analysis.design_ground.model", "analysis.parcels", "analysis.falls"),
    *("analysis.takeoff.prices", "analysis.access.grade_checks", "fieldbook.rough_place"),
    *("reading.pictures", "reading.polygons", "reading.designs", "reading.rasters"),
    *("reading.operations", "handover.plan.background"),
)
"""What only designs, sections, parcels, prices, grades, backgrounds and such need."""

LISTED = """
import contextlib, io, sys
sys.argv = ["geosite", *{arguments!r}]
from geosite_cli.main import main
try:
    with contextlib.redirect_stdout(io.StringIO()):
        main()
except SystemExit as end:
    assert not end.code, end.code
print("", *sorted(sys.modules), sep="\\n")
"""


def imported(*arguments: str) -> set[str]:
    """Return the modules that a command imports in a process of its own."""
    ran = subprocess.run(
        [sys.executable, "-c", LISTED.format(arguments=arguments)],
        capture_output=True,
        text=True,
        check=True,
    )
    return set(ran.stdout.splitlines())


@pytest.mark.parametrize("command", ["--help", "list"])
def test_what_only_lists_imports_no_library(command: str) -> None:
    heavy = {"numpy", "scipy", "shapely", "pyproj", "fiona", "rasterio", "ezdxf", "pandas"}
    assert not heavy & imported(command)


@pytest.mark.slow
def test_a_small_yard_is_checked_without_what_it_does_not_need() -> None:
    found = imported("check", str(SAMPLE))
    assert not {"scipy", "ezdxf", "xlsxwriter", "pypdfium2", "pandas", "geopandas"} & found


@pytest.mark.slow
def test_a_small_yard_is_built_without_what_it_does_not_need(tmp_path: Path) -> None:
    found = imported("build", str(SAMPLE), "--out", str(tmp_path / "map"))
    assert not {"scipy", "pandas", "geopandas", "matplotlib", "jsonschema"} & found
    assert "multiprocessing" not in found  # work is shared without it
    ours = {name for name in found if name.startswith("geosite.")}
    assert not {f"geosite.{name}" for name in NOT_FOR_THE_JETTY} & ours
    # each costs a good half millisecond
    assert len(ours) <= 310


def seconds(work: Callable[[], object], runs: int = 3) -> float:
    """Return the least processor time of some runs."""
    times = []
    for _ in range(runs):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def rough(side: int) -> np.ndarray:
    draw = np.random.default_rng(1)
    z = draw.normal(size=(side, side)).cumsum(0).cumsum(1)
    return z.astype(np.float32)


def test_drainage_grows_with_its_cells() -> None:
    drain(rough(50), 1.0)
    small, large = rough(400), rough(800)
    ratio = seconds(lambda: drain(large, 1.0)) / seconds(lambda: drain(small, 1.0))
    assert ratio < 8  # 4 to 5 as measured, 16 if it were quadratic


def test_inverse_distance_grows_with_its_places() -> None:
    draw = np.random.default_rng(2)
    points = np.column_stack([draw.random((1500, 2)) * 100, draw.normal(size=1500)])

    def of(side: int) -> Callable[[], object]:
        grid = Grid(0.0, 100.0, 100.0 / side, side, side)
        inside = np.ones(grid.shape, dtype=np.bool_)
        return lambda: interpolate_inverse_distance(points, grid, inside)

    assert seconds(of(360), 2) / seconds(of(180), 2) < 6  # 8 with a look at the stack per pond


@pytest.mark.slow
def test_a_check_grows_with_the_runs_that_share_two_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is asked of the ground, so none is made to see what a build would refuse."""
    monkeypatch.setattr(build, "MOST_TRIED", 100)
    monkeypatch.setattr(build, "model_terrain", None)
    few, many = closed_runs(40, 12), closed_runs(160, 12)
    assert "ground-not-tried" in {found.code for found in build.check(few).findings}
    # 3 to 4 as measured, 16 if it were quadratic
    assert seconds(lambda: build.check(many)) / seconds(lambda: build.check(few)) < 8


@pytest.mark.slow
def test_a_large_ground_is_made_where_the_site_file_asks_for_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(build, "MOST_TRIED", 100)
    case = closed_runs(5, 30)
    handover = msgspec.structs.replace(case.site.handover, scale=1.0)
    case = replace(case, site=msgspec.structs.replace(case.site, handover=handover))
    with pytest.raises(OutputRefused):
        build.check(case)


def test_strips_are_solved_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One spill solve however many strips; of each strip no more links than a forest has."""
    solves: list[int] = []
    links: list[tuple[int, int]] = []

    def solved(*arguments: object) -> object:
        solves.append(1)
        return before(*arguments)

    def joined(near: np.ndarray, far: np.ndarray, count: int) -> object:
        found = trees.minimum_spanning_forest(near, far, count)
        links.append((len(found[0]), count))
        return found

    before = graph.find_spills
    monkeypatch.setattr(graph, "find_spills", solved)
    monkeypatch.setattr(graph, "minimum_spanning_forest", joined)
    z = rough(120)
    for height in (10, 60):
        solves.clear()
        folder = tmp_path / str(height)
        folder.mkdir()
        room = ScratchFolder(folder)
        elevation = room.rows(z.shape, z.dtype)
        elevation.mapped(0, len(z))[...] = z
        strips.drain_strips(elevation, room, height)
        assert len(solves) == 1
    assert all(chosen < count for chosen, count in links)


@pytest.mark.slow
@pytest.mark.parametrize("processors", [1, 2])
def test_a_ground_is_drawn_once_for_its_water_and_its_design(
    monkeypatch: pytest.MonkeyPatch,
    have_processors: Callable[[int], None],
    tmp_path: Path,
    processors: int,
) -> None:
    drawn = tmp_path / "drawn"

    def over_cells(self: BetweenNodes, nodes: np.ndarray) -> np.ndarray:
        with drawn.open("ab") as log:  # copies of this process draw, too
            log.write(b".")
        return before(self, nodes)

    before = BetweenNodes.over_cells
    monkeypatch.setattr(BetweenNodes, "over_cells", over_cells)
    have_processors(processors)
    notes = read_survey(SAMPLE.parents[1] / "ferry_landing" / "site.toml")
    assert notes.site.designs
    drainage = msgspec.structs.replace(notes.site.drainage, confidence_runs=12)
    build.build(replace(notes, site=msgspec.structs.replace(notes.site, drainage=drainage)))
    assert drawn.stat().st_size == 12  # 36 when each question drew its own


@pytest.mark.slow
def test_possible_grounds_grow_with_the_hollows() -> None:
    """Four times the hollows, a hollow for every 36 cells, take about four times as long."""

    def of(side: int) -> Callable[[], object]:
        z = np.where(np.indices((side, side)) % 6 == 3, 0.0, 0.1).max(axis=0)
        drainage = drain(z, 1.0)
        pond, ponds = find_ponds(drainage, minimum_depth=1e-4)
        assert len(ponds) == (side // 6) ** 2
        nowhere = np.zeros(z.shape, np.int32)
        reference = DrainageReference(
            drainage=drainage,
            method="d8",
            inlets=nowhere,
            buildings=nowhere > 0,
            pond=pond,
            ponds=len(ponds),
            outlet=nowhere,
            catchments=0,
            areas=nowhere,
            area_count=0,
            breaks_percent=(),
            flat_percent=1.0,
            slope_method="horn",
            profiles=(),
        )

        def answered() -> object:
            found = drain_realisations(reference, lambda some: np.stack([z] * len(some)), 4)
            return estimate_ponds(ponds, found, cell_m2=1.0)

        return answered

    assert seconds(of(360), 2) / seconds(of(180), 2) < 6  # 8 with a look at the stack per pond


def with_hollows(count: int) -> Package:
    """Return a site with so many ponds of the shape of a cross."""
    package = package_cases.ferry_landing()
    (layer,) = (one for one in package.layers if one.name == "ponding")
    west, south, _, _ = layer.geometries[0].bounds
    row, col = np.divmod(np.arange(count), 20)
    x, y = west + 0.5 * col, south + 0.5 * row
    cross = shapely.union(
        shapely.box(x, y + 0.1, x + 0.3, y + 0.2), shapely.box(x + 0.1, y, x + 0.2, y + 0.3)
    )
    records = [{**layer.records[0], "pond": k, "is_significant": 1} for k in range(count)]
    ponds = replace(layer, geometries=list(cross), records=records)
    layers = tuple(ponds if one is layer else one for one in package.layers)
    return replace(package, layers=layers)


@pytest.mark.slow
def test_plan_and_viewer_draw_all_hollows_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many hollows there are, their outlines are rounded and hatched in as many calls."""
    calls: list[str] = []

    def counted(name: str) -> Callable[..., object]:
        before = getattr(shapely, name)

        def call(*values: object, **named: object) -> object:
            calls.append(name)
            return before(*values, **named)

        return call

    for name in ("simplify", "segmentize", "intersection"):
        monkeypatch.setattr(shapely, name, counted(name))
    found = []
    for count in (50, 400):
        package = with_hollows(count)
        calls.clear()
        sheet = draw_plan(package, Handover())
        write_viewer(tmp_path, package)
        (ponds,) = (group for group in sheet.groups if group.name == "ponding")
        assert len(ponds.items) == 2 * count
        found.append(sorted(calls))
    assert found[0] == found[1]  # seven more for each hollow when they were drawn one by one


@pytest.mark.slow
def test_nothing_of_the_search_is_held_while_places_get_their_accuracy(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of a million rows it would be a twentieth of all memory, where most is held."""
    held: list[weakref.ref[object]] = []
    alive: list[int] = []

    def search(*given: object) -> object:
        found = searched(*given)
        tied = found.tied
        held.extend(weakref.ref(part.posterior) for part in (tied.plan, tied.heights))
        return found

    def judge(*given: object) -> object:
        gc.collect()
        alive.append(sum(one() is not None for one in held))
        return judged(*given)

    searched, judged = adjust.find_mistakes, adjust._trusted
    monkeypatch.setattr(adjust, "find_mistakes", search)
    monkeypatch.setattr(adjust, "_trusted", judge)
    build.check(closed_runs(4, 6))
    assert len(held) == 2
    assert alive == [0]
