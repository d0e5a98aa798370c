"""The sheet of moved marks: arrows, regions and labels from displacements given by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import package_cases
import pytest

from geosite.analysis.change.model import Change, MarkChange
from geosite.base.estimate import Estimate
from geosite.drawing.sheet import Group, Shape, Sheet, Text
from geosite.fieldbook.sitefile import Handover
from geosite.handover.comparison.change_plan import change_sheet

PLACES = {"S1": (49.0, 22.0), "S2": (41.0, 16.0), "S3": (13.0, 28.0)}


def about(value: float, half: float = 0.02) -> Estimate:
    return Estimate(value, value - half, value + half, half / 2)


def mark(name: str, east: float, north: float, up: float, plan: Any, level: Any) -> MarkChange:
    length = math.hypot(east, north)
    return MarkChange(
        name, np.array(PLACES[name]) * package_cases.FACTOR, 402.0,
        about(east), about(north), about(up), about(length), 0.03, 0.03, 0.01, 0.01,
        plan, level, (0.02, 0.01, 0.5),
    )  # fmt: skip


@pytest.fixture(scope="module")
def sheet() -> Sheet:
    marks = (
        mark("S1", 0.30, -0.40, 0.01, "moved", "stable"),
        mark("S2", 0.02, 0.01, -0.125, "undecided", "moved"),
        mark("S3", 0.001, 0.0, 0.002, "stable", "stable"),
    )
    package = package_cases.ferry_landing()
    return change_sheet(Change(marks, None, None, None, ()), package, package, Handover())


def group(sheet: Sheet, name: str) -> Group:
    return next(one for one in sheet.groups if one.name == name)


def test_a_label_tells_what_is_not_stable_and_how_sure_that_is(sheet: Sheet) -> None:
    told = {
        item.text
        for one in sheet.groups
        if one.name.startswith("displacements")
        for item in one.items
        if isinstance(item, Text)
    }
    assert {"S1", "plan 0.500", "S2", "plan 0.022 ?", "height \u22120.125", "S3"} <= told
    assert sum(text.startswith("plan") for text in told) == 2
    assert sum(text.startswith("height") for text in told) == 1


def test_arrows_run_the_way_the_marks_moved_and_all_are_enlarged_alike(sheet: Sheet) -> None:
    shafts = [
        np.asarray(piece)
        for item in group(sheet, "displacements").items
        if isinstance(item, Shape) and item.stroke is not None
        for outline in item.outlines
        for piece in outline.pieces
    ]
    ways = {}
    for shaft in shafts:
        away = shaft[-1] - shaft[0]
        length = float(np.hypot(*away))
        if length > 0:
            ways[round(math.degrees(math.atan2(away[0], -away[1])) % 360)] = length
    # to the south-east: 0.3 m east, 0.4 m south
    azimuth = round(math.degrees(math.atan2(0.3, -0.4)))
    assert azimuth in ways
    assert len(group(sheet, "ellipses").items) == 3
