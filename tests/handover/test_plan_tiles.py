"""Sheets side by side: they cover the site, know their neighbours, and keep the scale."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import package_cases
import pypdf
import pytest
import shapely

from geosite.base.errors import OutputRefused
from geosite.fieldbook.sitefile import Handover
from geosite.handover.plan.sheet import layout_of, write_plan
from geosite.handover.plan.tiled_sheets import DOT, MOST, tiles

SHAPES = np.array([shapely.Point(512_300 + x, 5_276_100 + y) for x in (0, 61) for y in (0, 44)])


def test_tiles_hold_every_place_and_stand_beside_their_neighbours() -> None:
    overview = layout_of(package_cases.ferry_landing(), Handover(sheet="A4"))
    found = tiles(overview, 50.0, SHAPES)
    assert [tile.number for tile in found] == list(range(2, len(found) + 2))
    by_number = {tile.number: tile for tile in found}
    for tile in found:
        view = tile.layout.view
        assert view.scale == 50.0
        for side, number in tile.beside.items():
            back = {"left": "right", "right": "left", "above": "below", "below": "above"}[side]
            assert by_number[number].beside[back] == tile.number  # type: ignore[index]
    for shape in SHAPES:
        window = overview.view.window
        seen = [t.layout.view.on_paper(shapely.get_coordinates(shape))[0] for t in found]
        assert any(window.x < x < window.right and window.y < y < window.bottom for x, y in seen)


def test_sheets_on_which_nothing_lies_are_left_out() -> None:
    overview = layout_of(package_cases.ferry_landing(), Handover(sheet="A4"))
    corners = tiles(overview, 20.0, SHAPES)
    assert len(corners) == 4
    assert all(not tile.beside for tile in corners)


def test_too_many_sheets_are_refused_with_the_scale_that_would_do() -> None:
    overview = layout_of(package_cases.ferry_landing(), Handover(sheet="A4"))
    with pytest.raises(OutputRefused, match=f"at most {MOST} sheets") as caught:
        tiles(overview, 1.0, SHAPES)
    assert "1:" in caught.value.problems[0].expected


@pytest.mark.slow
def test_a_scale_that_needs_more_sheets_gets_an_overview_and_them(tmp_path: Path) -> None:
    package = package_cases.ferry_landing()
    write_plan(tmp_path, package, Handover(sheet="A3", scale=100))
    reader = pypdf.PdfReader(io.BytesIO((tmp_path / "plan.pdf").read_bytes()))
    texts = [" ".join(page.extract_text().split()) for page in reader.pages]
    assert "1:200 on A3" in texts[0]
    of_tiles = [text for text in texts if "1:100 on A3" in text]
    assert len(of_tiles) >= 2
    assert all("match line, sheet" in text for text in of_tiles)
    # a match line names the sheet that bears that number in the set
    numbers = [f"sheet {i + 1} of {len(texts)}" for i in range(len(texts))]
    assert all(number in text for number, text in zip(numbers, texts, strict=True))
    neighbour = texts[1].split("match line, sheet ")[1].split()[0]
    assert "1:100 on A3" in texts[int(neighbour) - 1]
    write_plan(tmp_path, package, Handover(sheet="A3", scale=500))
    alone = pypdf.PdfReader(io.BytesIO((tmp_path / "plan.pdf").read_bytes()))
    assert "match line" not in " ".join(page.extract_text() for page in alone.pages)


def test_a_scale_at_which_the_site_is_a_dot_is_refused() -> None:
    package = package_cases.ferry_landing()
    fits = layout_of(package, Handover()).view.scale
    most = int(DOT * fits)
    assert layout_of(package, Handover(scale=most)).view.scale == most
    for scale in (most + 1, 1_000_000_000):
        with pytest.raises(OutputRefused, match=f"at 1:{scale} the site would be a dot") as told:
            layout_of(package, Handover(scale=scale))
        assert f"at most 1:{most}" in str(told.value)
