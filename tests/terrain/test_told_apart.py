"""Contours and arrows far from any mark: told apart by the rule of what is measured."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import package_cases
import pytest

from geosite.fieldbook.sitefile import Handover
from geosite.handover.layers import contours as contour_layer
from geosite.handover.plan.sheet import draw_plan
from geosite.terrain.contour import Contour
from geosite.terrain.site import told_apart


def near_the_middle(reach: float = 5.0) -> Any:
    """Ground that was measured within a distance of the origin."""
    return SimpleNamespace(
        roughness=SimpleNamespace(reach_m=reach),
        measured=lambda places: np.hypot(*np.asarray(places).T) <= reach,
    )


LINE = Contour(402.0, True, np.column_stack([np.arange(-10.0, 11.0), np.zeros(21)]))


def test_a_contour_is_cut_where_it_leaves_the_measured_ground() -> None:
    west, middle, east = told_apart([LINE], near_the_middle())
    assert [one.measured for one in (west, middle, east)] == [False, True, False]
    assert middle.line[[0, -1], 0].tolist() == [-5.0, 5.0]
    # nothing is lost or drawn twice, and elevations stay
    assert west.line[-1].tolist() == middle.line[0].tolist()
    assert sum(len(one.line) - 1 for one in (west, middle, east)) == 20
    assert {(one.elevation, one.is_index) for one in (west, middle, east)} == {(402.0, True)}


def test_what_is_measured_all_along_and_ground_without_a_rule_stay_whole() -> None:
    short = dataclasses.replace(LINE, line=LINE.line[8:13])
    (whole,) = told_apart([short], near_the_middle())
    assert whole.measured
    assert whole.line.tolist() == short.line.tolist()
    assert told_apart([LINE], near_the_middle(math.inf)) == (LINE,)
    assert told_apart([], near_the_middle()) == ()


def test_on_the_plan_it_is_dashed_told_and_without_arrows() -> None:
    usual = package_cases.ferry_landing()
    frame = usual.frame
    sheet = " ".join

    def drawn(measured: bool) -> tuple[int, int, str]:
        cut = [
            dataclasses.replace(
                layer, records=[{**r, "measured": int(measured)} for r in layer.records]
            )
            if layer.name in ("contours", "drainage_arrows")
            else layer
            for layer in usual.layers
        ]
        plan = draw_plan(dataclasses.replace(usual, layers=tuple(cut)), Handover())
        groups = {group.name: group.items for group in plan.groups}
        pens = [getattr(item, "stroke", None) for item in groups["contours"]]
        dashed = [pen for pen in pens if pen is not None and pen.dash_mm]
        words = sheet(getattr(item, "text", "") for item in groups["words"])
        return len(dashed), len(groups.get("drainage_arrows", ())), words

    far_dashes, far_arrows, far_words = drawn(measured=False)
    dashes, arrows, words = drawn(measured=True)
    assert (dashes, far_arrows) == (0, 0)
    assert far_dashes > 0
    assert arrows > 0
    assert "interpolated alone" in far_words
    assert "interpolated alone" not in words
    assert frame is usual.frame


def test_the_layer_says_which_is_which() -> None:
    made = contour_layer.layer(told_apart([LINE], near_the_middle()), package_cases.frame())
    assert [record["measured"] for record in made.records] == [0, 1, 0]


@pytest.mark.slow
def test_far_contours_of_the_landing_lie_as_far_off_as_the_report_says(
    built_landing: Path,
) -> None:
    """Distances to marks and breaklines by the geometry library, from the layers as they left."""
    import pyogrio
    import shapely

    def read(name: str, *columns: str) -> tuple[Any, list[Any]]:
        _, _, shapes, fields = pyogrio.raw.read(
            built_landing / "site.gpkg", layer=name, columns=list(columns)
        )
        return shapely.force_2d(shapely.from_wkb(shapes)), list(fields)

    report = json.loads((built_landing / "report.json").read_text("utf-8"))
    reach = report["terrain"]["roughness"]["reach_m"]
    marks, _ = read("points")
    contours, (measured,) = read("contours", "measured")
    far = contours[np.asarray(measured) == 0]
    assert len(far)
    middles = shapely.line_interpolate_point(far, 0.5, normalized=True)
    apart = shapely.distance(shapely.union_all(marks), middles)
    # on the map grid, a cell off at most
    assert (apart > reach * 0.9995 - 0.3).all()
