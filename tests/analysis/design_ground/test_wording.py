"""What is said of a designed ground: which waters are told, as sure or not, and where."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from geosite.analysis.design_ground.drainage import WaterChange, water_changes
from geosite.analysis.design_ground.wording import findings
from geosite.base.estimate import Estimate
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame


def about(value: float, half: float) -> Estimate:
    return Estimate(value, value - half, value + half, half / 2)


def told(*waters: WaterChange, covered: float = 1.0) -> list[tuple[str, str, str]]:
    moved = SimpleNamespace(cut=about(10.0, 1.0), fill=about(4.0, 1.0))
    design: Any = SimpleNamespace(
        name="pad", quantities=moved, formation=moved, covered=covered, waters=waters,
        grid=Grid(100.0, 50.0, 2.0, 10, 10),
    )  # fmt: skip
    return [(f.level, f.code, f.text) for f in findings(design, Frame())[1:]]


def fall(before: float | None, after: float | None, outcome: Any = "beyond") -> WaterChange:
    ends = [None if v is None else about(v, 0.1) for v in (before, after)]
    return WaterChange("fall", "house", *ends, 5.0, outcome, (1, 2))


@pytest.mark.parametrize(
    ("change", "count"),
    [
        (fall(6.0, 2.0), 1),
        (fall(None, 2.0), 1),
        (fall(2.02, 2.0), 0),  # said of the walked ground already
        (fall(6.0, 2.0, "undecided"), 0),
        (fall(6.0, 5.5, "within"), 0),
        (fall(6.0, None), 0),
    ],
)
def test_a_fall_is_told_where_the_design_makes_it_miss_its_limit(
    change: WaterChange, count: int
) -> None:
    found = told(change)
    assert [code for _, code, _ in found] == ["design-fall"] * count
    if count:
        assert "before house the ground falls 2.0 % (1.9 to 2.1) where 5 % is" in found[0][2]


@pytest.mark.parametrize(
    ("size", "outcome", "level"),
    [
        (about(0.5, 0.1), "new", "look"),
        (about(0.5, 0.6), "new", "note"),
        (about(0.009, 0.001), "new", None),
        (about(0.5, 0.1), "stays", None),
        (None, "new", None),
    ],
)
def test_a_new_pond_is_told_with_its_place_where_it_holds_a_bucket(
    size: Estimate | None, outcome: Any, level: str | None
) -> None:
    found = told(WaterChange("pond", "new", None, size, None, outcome, (1, 2)))
    assert [one for one, _, _ in found] == ([] if level is None else [level])
    if found:
        # third column and second row of cells of two metres
        assert "105" in found[0][2]
        assert "47" in found[0][2]
        assert ("will stand" if level == "look" else "may stand") in found[0][2]


def test_what_lies_off_the_ground_is_told_from_a_hundredth_on() -> None:
    assert told(covered=0.99) == []
    ((level, code, text),) = told(covered=0.4)
    assert (level, code) == ("look", "design-partly-off-ground")
    assert "60 % of it lies where no ground" in text


def water(*areas: float | None, edge: float = 7.0) -> Any:
    """Return the water of two inlets, and of what leaves over the edge."""
    found = [
        SimpleNamespace(
            catchment=SimpleNamespace(kind="inlet", inlet=k, row=k, col=0), area_m2=about(a, 1.0)
        )
        for k, a in enumerate(areas, start=1)
        if a is not None
    ]
    rim = SimpleNamespace(kind="edge", inlet=0, row=9, col=9)
    over = SimpleNamespace(catchment=rim, area_m2=about(edge, 1.0))
    return SimpleNamespace(
        catchments=(*found, over), inlets=("north", "south"), ponds=(), falls=(), pond=None
    )


def test_each_inlet_has_what_drains_to_it_before_and_after() -> None:
    changes = water_changes(water(20.0, 30.0), water(26.0, None))
    listed = {
        one.name: (one.before and one.before.value, one.after and one.after.value)
        for one in changes
        if one.what == "inlet"
    }
    assert listed["north"] == (20.0, 26.0)
    assert listed["south"][0] == 30.0
    assert len(listed) == 2


def test_an_inlet_to_which_nothing_drains_is_left_out_and_one_that_is_new_stays() -> None:
    changes = {one.name: one for one in water_changes(water(None, None), water(26.0, None))}
    assert list(changes) == ["north"]
    north = changes["north"]
    assert (north.before, north.outcome, north.cell) == (None, "stays", (1, 0))
    (gone,) = water_changes(water(20.0, None), water(None, None))
    assert (gone.after, gone.outcome, gone.cell) == (None, "gone", (1, 0))


def ponds(raster: list[int], **volumes: float) -> Any:
    """Return water with ponds by number in a raster of one row."""
    found = [
        SimpleNamespace(
            pond=SimpleNamespace(number=int(n[1:]), row=0, col=raster.index(int(n[1:]))),
            volume_m3=about(v, 0.1),
        )
        for n, v in volumes.items()
    ]
    return SimpleNamespace(
        catchments=(), inlets=(), ponds=tuple(found), falls=(), pond=np.array([raster])
    )


def test_a_pond_becomes_the_largest_that_overlaps_it_and_each_is_met_once() -> None:
    before = ponds([0, 1, 1, 1, 0, 2, 2, 0, 3, 3], p1=5.0, p2=1.0, p3=2.0)
    # 1 is parted in a small and a large one, the large one takes 2 in, 3 is filled, 6 is new
    after = ponds([0, 4, 0, 5, 5, 5, 0, 6, 0, 0], p4=0.5, p5=4.0, p6=1.5)
    told = [
        (one.name, one.outcome, one.before and one.before.value, one.after and one.after.value,
         one.cell)
        for one in water_changes(before, after)
    ]  # fmt: skip
    assert told == [
        ("1", "stays", 5.0, 4.0, (0, 1)),
        ("2", "gone", 1.0, None, (0, 5)),
        ("3", "gone", 2.0, None, (0, 8)),
        ("new", "new", None, 0.5, (0, 1)),
        ("new", "new", None, 1.5, (0, 7)),
    ]


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [
        (2.0, 2.5, "within"),
        (1.99, 2.5, "undecided"),
        (1.5, 2.0, "undecided"),
        (1.5, 1.99, "beyond"),
    ],
)
def test_a_fall_after_building_is_held_against_its_limit(
    low: float, high: float, outcome: str
) -> None:
    def walls(**worst: Estimate) -> Any:
        falls = [
            SimpleNamespace(fall=SimpleNamespace(name=n, limit_percent=2.0), worst_percent=w)
            for n, w in worst.items()
        ]
        return SimpleNamespace(catchments=(), inlets=(), ponds=(), falls=tuple(falls), pond=None)

    after = Estimate((low + high) / 2, low, high)
    old, new = water_changes(walls(shed=about(3.0, 0.1)), walls(shed=after, hut=after))
    assert (old.what, old.name, old.limit, old.outcome) == ("fall", "shed", 2.0, outcome)
    assert old.before is not None
    assert old.before.value == 3.0
    assert old.after is after
    assert (new.name, new.before, new.outcome) == ("hut", None, outcome)
