"""Time to write observations into a GeoPackage, beside a general-purpose writer.

Run: ``python tests/benchmark/geopackage_rows.py``
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[1]))
import package_cases

from geosite.base.columns import Field
from geosite.handover.formats.geopackage import write_geopackage
from geosite.handover.model import Layer, Package

NUMBERS = tuple(f"value_{i}" for i in range(9))
TEXTS = ("run", "point", "feature", "code")


def package(count: int) -> Package:
    random = np.random.default_rng(1)
    columns: dict[str, list[Any]] = {name: random.normal(size=count).tolist() for name in NUMBERS}
    columns |= {name: [f"{name} {i % 97}" for i in range(count)] for name in TEXTS}
    records = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    places = np.array([512_300.0, 5_276_100.0, 400.0]) + 500.0 * random.random((count, 3))
    fields = tuple(Field(n, "real") for n in NUMBERS) + tuple(Field(n, "text") for n in TEXTS)
    layer = Layer("points", "Points", "", "PointZ", fields, records, list(shapely.points(places)))
    return Package("t", "2026-04-12", package_cases.frame(), (layer,), (), ())


def best(run: Any, folder: Path) -> float:
    found = math.inf
    for trial in range(3):
        path = folder / f"{trial}.gpkg"
        start = time.perf_counter()
        run(path)
        found = min(found, time.perf_counter() - start)
        path.unlink()
    return found


def general(path: Path, whole: Package) -> None:
    """The same rows through pyogrio's array interface."""
    from pyogrio.raw import write

    (layer,) = whole.layers
    columns = [np.array([r[n] for r in layer.records]) for n in NUMBERS]
    columns += [np.array([r[n] for r in layer.records], dtype=object) for n in TEXTS]
    wkb = shapely.to_wkb(np.array(layer.geometries, dtype=object), flavor="iso")
    write(
        path, wkb, columns, [*NUMBERS, *TEXTS], layer="points", driver="GPKG",
        geometry_type="Point Z", crs=whole.frame.crs_wkt,
    )  # fmt: skip


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print("rows      geosite   pyogrio   ratio")
        for count in (1_000, 10_000, 100_000):
            whole = package(count)
            own = best(lambda path, whole=whole: write_geopackage(path, whole), folder)
            other = best(lambda path, whole=whole: general(path, whole), folder)
            print(f"{count:7d}  {own:7.3f} s  {other:7.3f} s   {own / other:5.2f}")


if __name__ == "__main__":
    main()
