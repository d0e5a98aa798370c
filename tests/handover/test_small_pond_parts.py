"""Parts of ponds too small to be read: left out of drawings where there are very many, and said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import package_cases
import pytest
import shapely

from geosite.fieldbook.sitefile import Handover
from geosite.handover.formats.dxf import write_dxf
from geosite.handover.model import Package
from geosite.handover.plan.sheet import draw_plan
from geosite.handover.small_pond_parts import FEW, without_specks


def speckled(count: int, last: bool = False) -> Package:
    """Return a site whose first or last pond has so many parts of 0.0025 beside one of 4."""
    package = package_cases.ferry_landing()
    layer = next(layer for layer in package.layers if layer.name == "ponding")
    west, south, _, _ = layer.geometries[0].bounds
    row, col = np.divmod(np.arange(count), 40)
    x, y = west + 0.1 * col, south + 0.1 * row
    cells = shapely.box(x, y, x + 0.05, y + 0.05)
    pond = shapely.multipolygons([shapely.box(west - 3, south, west - 1, south + 2), *cells])
    others = layer.geometries[1:]
    changed = replace(layer, geometries=[*others, pond] if last else [pond, *others])
    layers = tuple(changed if one is layer else one for one in package.layers)
    return replace(package, layers=layers)


def pond_of(package: Package, last: bool = False) -> shapely.MultiPolygon:
    layer = next(layer for layer in package.layers if layer.name == "ponding")
    return layer.geometries[-1 if last else 0]


def test_few_parts_are_all_kept() -> None:
    package = speckled(900)
    assert without_specks(package, 1.0) == (package, 0)


@pytest.mark.parametrize("last", [False, True])
@pytest.mark.parametrize(("least", "left"), [(0.001, 1201), (1.0, 1), (10.0, 1)])
def test_of_many_the_readable_and_the_largest_are_kept(least: float, left: int, last: bool) -> None:
    thinned, count = without_specks(speckled(1200, last), least)
    pond = pond_of(thinned, last)
    assert (shapely.get_num_geometries(pond), count) == (left, 1201 - left)
    assert shapely.area(shapely.get_geometry(pond, 0)) == pytest.approx(4.0)


def test_of_more_than_a_drawing_holds_the_largest_are_kept() -> None:
    package = package_cases.ferry_landing()
    layer = next(layer for layer in package.layers if layer.name == "ponding")
    x, y = np.divmod(np.arange(1500), 40)
    size = 0.5 + 0.4 * np.random.default_rng(3).random(1500)
    boxes = shapely.box(x, y, x + size, y + size)
    many = replace(layer, records=[layer.records[0]] * 1500, geometries=list(boxes))
    layers = tuple(many if one is layer else one for one in package.layers)
    thinned, count = without_specks(replace(package, layers=layers), 0.0, most=FEW)
    kept = next(layer for layer in thinned.layers if layer.name == "ponding").geometries
    drawn = ~shapely.is_empty(kept)
    assert (len(kept), drawn.sum(), count) == (1500, FEW, 500)
    assert size[drawn].min() > size[~drawn].max()


def test_what_drawings_leave_out_is_said_in_them(tmp_path: Path) -> None:
    package = speckled(1200)
    sheet = draw_plan(package, Handover())
    words = next(group for group in sheet.groups if group.name == "words")
    text = " ".join(getattr(item, "text", "") for item in words.items)
    assert "1200 parts of ponds too small to be read are left out" in text
    write_dxf(tmp_path / "site.dxf", package)
    space = ezdxf.readfile(tmp_path / "site.dxf").modelspace()
    notes = [note.dxf.text for note in space.query('TEXT[layer=="survey-notes"]')]
    assert sum(note.startswith("1200 parts of ponds") for note in notes) == 1
    assert len(space.query('LWPOLYLINE[layer=="survey-ponding"]')) < 100
