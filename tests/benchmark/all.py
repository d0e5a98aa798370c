"""Every ratio to another library in one table: ``python tests/benchmark/all.py [ROUNDS]``.

Seconds of the processor, of child processes too, because others may be on the machine: of five runs
of either side, taken in turn after one that does not count, the medians, and the median of the
ratios of each turn. A peer that is not installed is said so. The scripts beside this one measure
the same things at more sizes, and memory.
"""

from __future__ import annotations

import os
import platform
import statistics
import sys
import tempfile
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

import drainage
import geopackage_rows
import numpy as np
import slope
import smooth
import start_up
import tin

from geosite.handover.formats.geopackage import write_geopackage
from geosite.terrain.slope import slope as our_slope

ROUNDS = 5


@dataclass(frozen=True)
class Case:
    """One comparison."""

    what: str
    peer: str
    aim: float | None
    ours: Callable[[], object]
    theirs: Callable[[], object]


def cases(folder: Path) -> Iterator[Case]:
    """Yield the comparisons; what they work on is made when its turn comes."""
    points, grid = tin.marks(20_000, 1000)
    yield Case(
        "TIN, 20,000 marks on 1000 x 1000",
        "scipy",
        0.5,
        lambda: tin.ours(points, grid),
        lambda: tin.scipys(points, grid),
    )
    for what, count, aim, ours, theirs in (
        ("inverse distance, 300 marks", 300, 0.5, smooth.our_distance, smooth.nearest),
        ("inverse distance, 2,000 marks", 2000, 0.5, smooth.our_distance, smooth.nearest),
        ("thin plate, 300 marks", 300, 0.6, smooth.our_plate, smooth.plate),
    ):
        some, lattice = smooth.marks(count)
        yield Case(
            f"{what} on {smooth.SIDE} x {smooth.SIDE}",
            "scipy",
            aim,
            lambda ours=ours, some=some, lattice=lattice: ours(some, lattice),
            lambda theirs=theirs, some=some, lattice=lattice: theirs(some, lattice),
        )
    z = drainage.noisy(1000, 0.02)
    yield Case(
        "depressions, D8, area on 1000 x 1000",
        "pyflwdir",
        1.0,
        lambda: drainage.ours(z),
        lambda: drainage.library(z),
    )
    yield _landing()
    yield _sobel()
    yield _slopes()
    whole = geopackage_rows.package(10_000)
    yield Case(
        "GeoPackage, 10,000 observations",
        "pyogrio",
        None,
        lambda: write_geopackage(_fresh(folder), whole),
        lambda: geopackage_rows.general(_fresh(folder), whole),
    )
    libraries = [sys.executable, "-c", start_up.LIBRARIES]
    command = str(Path(sys.executable).with_name("geosite"))
    for what, site, aim in (
        ("jetty_feet", start_up.SAMPLES / "jetty_feet" / "site.toml", 1.3),
        ("landing, no grounds drawn", start_up.without_draws(folder), 2.0),
        ("landing with all answers", start_up.SAMPLES / "ferry_landing" / "site.toml", None),
    ):
        build = [command, "build", str(site), "--out", str(folder / "built")]
        yield Case(
            f"{what}, to the import of its libraries",
            "numpy",
            aim,
            lambda build=build: start_up.seconds(build),
            lambda: start_up.seconds(libraries),
        )


def _landing() -> Case:
    """Two hundred possible grounds of the landing, asked everything, beside their drainage alone.

    The library drains them as geosite does, many in one tall raster with no data in between.
    """
    from geosite.fieldbook.read import read_survey
    from geosite.linework.draw import draw
    from geosite.network.adjust import adjust
    from geosite.terrain.site import model_terrain
    from geosite.terrain.site_ground import site_ground

    notes = read_survey(start_up.SAMPLES / "ferry_landing" / "site.toml")
    network = adjust(notes)
    drawing = draw(notes, network)
    ground = site_ground(notes, network, drawing)
    assert ground is not None
    z = np.vstack([ground.surface.z, np.full((1, ground.local.cols), np.nan)]).astype(np.float32)
    together, stacks = 20, 10

    def theirs() -> None:
        for _ in range(stacks):
            drainage.library(np.tile(z, (together, 1)))

    return Case(
        "landing: ground drawn and drained 200 times, all told",
        "pyflwdir",
        1.0,
        lambda: model_terrain(notes, network, drawing),
        theirs,
    )


def _sobel() -> Case:
    """Slope in percent, beside Sobel's filters of a general library: Horn's window is theirs."""
    from scipy import ndimage

    ground = slope.surface()

    def theirs() -> object:
        east, north = (ndimage.sobel(ground, axis) for axis in (1, 0))
        return np.hypot(east, north) * np.float32(100 / 8)

    ours = our_slope(ground, 1.0).steepness("percent")
    assert np.nanmax(np.abs(ours - theirs())[1:-1, 1:-1]) < 0.01
    return Case(
        f"slope, {slope.SIDE} x {slope.SIDE}, to Sobel's filters",
        "scipy",
        0.4,
        lambda: our_slope(ground, 1.0).steepness("percent"),
        theirs,
    )


def _slopes() -> Case:
    ground = slope.surface()

    def theirs() -> object:
        import xarray
        from xrspatial import slope as library

        return library(xarray.DataArray(ground, dims=("y", "x"), attrs={"res": (1.0, 1.0)})).data

    return Case(
        f"slope, {slope.SIDE} x {slope.SIDE}",
        "xarray-spatial",
        0.4,
        lambda: our_slope(ground, 1.0).steepness("percent"),
        theirs,
    )


def _fresh(folder: Path) -> Path:
    path = folder / "rows.gpkg"
    path.unlink(missing_ok=True)
    return path


def spent() -> float:
    """Return the seconds that this process and its children have had of the processor."""
    return sum(os.times()[:4])


def medians(case: Case, rounds: int) -> tuple[float, float, float]:
    """Return the seconds of either side, and their ratio."""
    times: tuple[list[float], list[float]] = ([], [])
    for number in range(rounds + 1):
        for work, kept in zip((case.ours, case.theirs), times, strict=True):
            began = spent()
            work()
            if number:
                kept.append(spent() - began)
    ratio = statistics.median(a / b for a, b in zip(*times, strict=True))
    return statistics.median(times[0]), statistics.median(times[1]), ratio


def main(rounds: int) -> None:
    """Print the table, a row as soon as it is measured."""
    warnings.simplefilter("ignore")
    print(
        f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}\n\n"
        "| what | geosite, s | peer, s | ratio | aim | peer |\n"
        "| --- | ---: | ---: | ---: | ---: | --- |"
    )
    with tempfile.TemporaryDirectory() as name:
        for case in cases(Path(name)):
            try:
                peer = f"{case.peer} {version(case.peer)}"
            except PackageNotFoundError:
                print(f"| {case.what} | | | | {case.aim:g} | {case.peer} is not installed |")
                continue
            ours, theirs, ratio = medians(case, rounds)
            aim = "" if case.aim is None else f"{case.aim:g}"
            print(
                f"| {case.what} | {ours:.3f} | {theirs:.3f} | {ratio:.2f} | {aim} | {peer} |",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else ROUNDS)
