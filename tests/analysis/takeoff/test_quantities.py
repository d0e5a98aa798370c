"""The take-off: what is counted, what it is multiplied with, and how sure it is."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from analysis_cases import grid_triangles
from linework_cases import Row, count_knots, frame, moved, rows, survey

from geosite.analysis.takeoff.draped import Triangles
from geosite.analysis.takeoff.quantities import (
    Quantity,
    TakeOff,
    take_off,
)
from geosite.analysis.wording import take_off_findings
from geosite.base.grid import Grid
from geosite.fieldbook.sitefile import Code, Quantities
from geosite.linework.draw import draw
from geosite.linework.model import Measure

CODES = {
    "apron": Code(geometry="area", depth=0.15, coverage=6.0, coverage_unit="bag", waste_percent=8),
    "bed": Code(geometry="area"),
    "kerb": Code(geometry="line", waste_percent=5),
    "inlet": Code(geometry="point"),
}


def square(name: str, east: float, north: float, side: float, code: str = "apron") -> list[Row]:
    corners = [(0, 0), (1, 0), (1, 1), (0, 1)]
    return rows(name, code, [("", east + side * e, north + side * n) for e, n in corners])


def taken(
    made: list[Row], ground: Any = None, *, tolerance: float = 0.0, **options: Any
) -> TakeOff:
    notes, network = survey(
        made, CODES, quantities=Quantities(shared_edge_tolerance=tolerance), **options
    )
    return take_off(notes, network, draw(notes, network), ground)


def values(quantity: Quantity) -> dict[str, float]:
    return {name: m.value for name, m in vars(quantity).items() if isinstance(m, Measure)}


YARD = [
    *square("yard", 0, 0, 20),
    *square("island", 2, 2, 4, "bed"),
    *rows("edge", "kerb", [("", 0, 0, 1), ("", 3, 4, 2), ("gap", 5, 4, 2), ("", 5, 10, 2)]),
    *rows("drain", "inlet", [("", 1, 1), ("", 9, 9), ("", 1, 1)]),
]


def test_amounts_of_each_kind() -> None:
    yard, island, edge, drain = taken(YARD).features
    assert values(yard) == pytest.approx(
        {
            "gross_area": 400.0,
            "net_area": 384.0,
            "surface_area": 384.0,
            "perimeter": 80.0,
            "edging": 80.0,
            "volume": 57.6,
            "material": 64.0,
            "order_area": 414.72,
            "order_volume": 62.208,
            "order_material": 69.12,
        }
    )
    assert (yard.count, yard.depth_m, yard.material_unit) == (1, 0.15, "bag")
    assert island.volume is None
    assert island.material is None
    assert values(edge) == pytest.approx(
        {"length": 11.0, "length_3d": math.sqrt(26.0) + 6.0, "order_length": 11.55}
    )
    assert (drain.count, values(drain)) == (2, {})


def test_everything_is_on_the_ground() -> None:
    yard = taken(YARD, combined_factor=0.9996).features[0]
    assert yard.net_area is not None
    assert yard.volume is not None
    assert yard.perimeter is not None
    assert yard.net_area.value == pytest.approx(384.0 / 0.9996**2)
    assert yard.net_area.grid == pytest.approx(384.0)
    assert yard.volume.value == pytest.approx(57.6 / 0.9996**2)
    assert yard.perimeter.value == pytest.approx(80.0 / 0.9996)


def test_totals_of_a_code() -> None:
    made = square("a", 0, 0, 5) + square("b", 10, 0, 3) + square("c", 20, 0, 2, "bed")
    apron, bed = taken(made, sigma=0.01).codes
    assert (apron.code, apron.feature, apron.count) == ("apron", "", 2)
    assert values(apron) == pytest.approx(
        {
            "gross_area": 34.0,
            "net_area": 34.0,
            "surface_area": 34.0,
            "perimeter": 32.0,
            "edging": 32.0,
            "volume": 5.1,
            "material": 34.0 / 6.0,
            "order_area": 36.72,
            "order_volume": 5.508,
            "order_material": 6.12,
        }
    )
    assert (bed.code, bed.count) == ("bed", 1)


def test_sigma_of_a_total_knows_shared_marks() -> None:
    # two strips that meet in marks B and C: where their common edge lies does not change the total
    first = rows("a", "apron", [("", 0, 0), ("", 2, 0, 0, "B"), ("", 2, 5, 0, "C"), ("", 0, 5)])
    second = rows("b", "apron", [("", 2, 0, 0, "B"), ("", 4, 0), ("", 4, 5), ("", 2, 5, 0, "C")])
    outline = [(0, 0), (2, 0), (4, 0), (4, 5), (2, 5), (0, 5)]
    whole = rows("w", "apron", [("", e, n) for e, n in outline])
    one, other = taken(first + second, sigma=0.01).features
    (total,) = taken(first + second, sigma=0.01).codes
    (expected,) = taken(whole, sigma=0.01).codes
    assert total.net_area is not None
    assert expected.net_area is not None
    assert one.net_area is not None
    assert other.net_area is not None
    assert total.net_area.sigma == pytest.approx(expected.net_area.sigma, rel=1e-9)
    assert total.net_area.sigma < 0.85 * math.hypot(one.net_area.sigma, other.net_area.sigma)


def test_total_sigma_against_simulated_noise() -> None:
    notes, network = survey(YARD, CODES, sigma=0.01)
    total = take_off(notes, network, draw(notes, network)).codes[0]
    assert total.volume is not None
    rng = np.random.default_rng(2)
    found = []
    for _ in range(200):
        shift = rng.normal(0.0, [0.01, 0.01, 0.0], (count_knots(network), 3))
        walked = moved(network, shift)
        volume = take_off(notes, walked, draw(notes, walked)).codes[0].volume
        assert volume is not None
        found.append(volume.value)
    assert total.volume.sigma == pytest.approx(float(np.std(found)), rel=0.16)


# --- draped over the ground


def plane(east: float, north: float) -> Triangles:
    """A plane with these slopes that reaches beyond the yard, in a few triangles."""
    side = np.array([[-5, -5], [40, -5], [40, 40], [-5, 40], [11, 7]], dtype=float)
    points = np.column_stack([side, side @ [east, north]])
    return Triangles(points, np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]]))


def test_surface_area_on_a_plane() -> None:
    factor = math.sqrt(1.0 + 0.09 + 0.16)
    yard = taken(YARD, plane(0.3, 0.4)).features[0]
    assert yard.surface_area is not None
    assert yard.material is not None
    assert yard.volume is not None
    assert yard.net_area is not None
    assert yard.surface_area.value == pytest.approx(384.0 * factor, rel=1e-12)
    assert yard.surface_area.sigma == pytest.approx(yard.net_area.sigma * factor, rel=1e-12)
    assert yard.material.value == pytest.approx(384.0 * factor / 6.0, rel=1e-12)
    assert yard.volume.value == pytest.approx(57.6)  # the depth is plumb
    assert yard.covered == pytest.approx(1.0)


def test_surface_area_on_a_ridge_counts_each_side_with_its_part() -> None:
    # a roof along east = 5: 5 m of 25 % on one side, 15 m of 100 % on the other
    points = np.array(
        [[-5, -5, -2.5], [5, -5, 0], [5, 40, 0], [-5, 40, -2.5], [40, -5, -35], [40, 40, -35]],
        dtype=float,
    )
    triangles = np.array([[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2]])
    yard = taken(square("yard", 0, 0, 20), Triangles(points, triangles)).features[0]
    assert yard.surface_area is not None
    expected = 100.0 * math.hypot(1.0, 0.25) + 300.0 * math.sqrt(2.0)
    assert yard.surface_area.value == pytest.approx(expected, rel=1e-12)


def test_surface_that_reaches_half_of_an_area() -> None:
    made = plane(0.3, 0.4)
    points, triangles = made.points.copy(), made.triangles
    points[:, 0] = np.clip(points[:, 0], -5.0, 10.0)
    points[:, 2] = points[:, :2] @ [0.3, 0.4]
    out = taken(square("yard", 0, 0, 20), Triangles(points, triangles))
    (yard,) = out.features
    assert yard.covered == pytest.approx(0.5)
    assert yard.surface_area is not None
    assert yard.surface_area.value == pytest.approx(400.0 * math.sqrt(1.25), rel=1e-12)
    assert [f.code for f in take_off_findings(out)] == ["surface-partly-covered"]
    assert "'yard' (50 %)" in take_off_findings(out)[0].text


def test_sphere_cap_from_a_raster() -> None:
    # cap of height h over a circle: 2 pi R h (Archimedes, On the Sphere and Cylinder I.42)
    radius, base = 20.0, 8.0
    grid = Grid(500000.0 - 12.0, 5200000.0 + 12.0, 0.25, 96, 96)
    east, north = grid.centres()
    square_ = (east - 500000.0)[None, :] ** 2 + (north - 5200000.0)[:, None] ** 2
    elevation = np.sqrt(radius**2 - square_)
    disc = rows(
        "d", "apron", [("circle", base * math.cos(a), base * math.sin(a)) for a in (0, 2, 4)]
    )
    (cap,) = taken(disc, grid_triangles(elevation, grid, frame())).features
    height = radius - math.sqrt(radius**2 - base**2)
    assert cap.surface_area is not None
    assert cap.surface_area.value == pytest.approx(2.0 * math.pi * radius * height, rel=2e-4)
    assert cap.covered == pytest.approx(1.0)


def test_grid_triangles_leave_nodata_out() -> None:
    grid = Grid(500000.0, 5200003.0, 1.0, 3, 3)
    elevation = np.zeros((3, 3))
    elevation[0, 0] = np.nan
    made = grid_triangles(elevation, grid, frame())
    points, triangles = made.points, made.triangles
    # four squares of two triangles, one corner square keeps one
    assert len(triangles) == 7
    assert points[4].tolist() == [1.5, 1.5, 0.0]
    corners = points[triangles][:, :, :2]
    one, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    assert np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]).sum() / 2 == 3.5


# --- edges that were walked twice


def near(off: float) -> list[Row]:
    """Two neighbours whose common edge differs by `off` at one end and not at the other."""
    first = rows("a", "apron", [("", 0, 0), ("", 5, 0), ("", 5, 4), ("", 0, 4)])
    return first + rows("b", "apron", [("", 5 + off, 0), ("", 9, 0), ("", 9, 4), ("", 5, 4)])


def test_gap_and_overlap_along_a_shared_edge() -> None:
    for off, name in ((0.04, "gap"), (-0.04, "overlap")):
        out = taken(near(off))
        (edge,) = out.edges
        assert (edge.first, edge.second, edge.outcome) == ("a", "b", "reported")
        assert getattr(edge, name).value == pytest.approx(0.08, abs=0.002)  # 4 m x 0.04 m / 2
        other = edge.gap if name == "overlap" else edge.overlap
        assert other.value == pytest.approx(0.0, abs=0.002)
        assert edge.length_m == pytest.approx(4.0, abs=0.1)
        assert edge.width.value == pytest.approx(0.02, abs=0.002)
        assert [f.code for f in take_off_findings(out)] == ["edges-walked-twice"]
        assert out.features[0].area_change_m2 == 0.0


def test_edge_on_the_same_marks_is_one() -> None:
    out = taken(near(0.0))
    assert [e.outcome for e in out.edges] == ["one"]
    assert take_off_findings(out) == ()


def test_corners_that_meet_share_no_edge() -> None:
    assert taken(square("a", 0, 0, 5) + square("b", 5, 5, 5)).edges == ()
    assert taken(square("a", 0, 0, 5) + square("b", 5.2, 0, 5)).edges == ()


def test_true_overlap_is_no_shared_edge() -> None:
    assert taken(square("a", 0, 0, 5) + square("b", 4, 0, 5)).edges == ()


@pytest.mark.parametrize("off", [0.04, -0.04])
def test_snapping_makes_one_edge_and_states_the_change(off: float) -> None:
    out = taken(near(off), tolerance=0.06, combined_factor=0.9996)
    assert [e.outcome for e in out.edges] == ["snapped"]
    assert [f.code for f in take_off_findings(out)] == ["edges-snapped"]
    before = {"a": 20.0, "b": 16.0 - 2.0 * off}
    for q in out.features:
        assert q.gross_area is not None
        expected = before[q.feature] / 0.9996**2 + q.area_change_m2
        assert q.gross_area.value == pytest.approx(expected, rel=1e-12)
        assert q.net_area_change_m2 == pytest.approx(q.area_change_m2)
        assert q.perimeter is not None
        assert q.perimeter.grid == pytest.approx(out.outlines[q.feature].length, rel=1e-12)
    # together they now cover the ground once
    a, b = out.outlines["a"], out.outlines["b"]
    assert a.intersection(b).area == 0.0
    assert a.union(b).area == pytest.approx(36.0, abs=1e-9)
    assert a.union(b).geom_type == "Polygon"
    total = sum(q.gross_area.value for q in out.features if q.gross_area)
    assert total == pytest.approx(36.0 / 0.9996**2, rel=1e-9)


def test_snapping_leaves_the_far_apart_and_the_equal_alone() -> None:
    for made in (near(0.04) + square("c", 30, 0, 5), near(0.0)):
        out = taken(made, tolerance=0.06)
        assert "c" not in out.outlines
        assert all(q.area_change_m2 == 0.0 for q in out.features if q.feature == "c")
    assert out.outlines == {}


def test_neighbours_of_a_moved_edge_follow() -> None:
    # c is tied to b by the same marks; it must not come apart from b when b moves
    made = near(0.04) + rows("c", "apron", [("", 5.04, 0), ("", 5.04, -3), ("", 9, -3), ("", 9, 0)])
    out = taken(made, tolerance=0.06)
    assert set(out.outlines) == {"a", "b", "c"}
    assert out.outlines["b"].intersection(out.outlines["c"]).length == pytest.approx(4.0, abs=0.05)
    assert out.outlines["b"].union(out.outlines["c"]).geom_type == "Polygon"
    assert out.outlines["b"].intersection(out.outlines["c"]).area == 0.0


@pytest.mark.parametrize("off", [0.03, -0.03])
def test_inner_edge_along_the_outer_one(off: float) -> None:
    # the pad's west edge runs along the yard's, inside it or beyond it by 3 cm
    made = square("yard", 0, 0, 20)
    made += rows("pad", "bed", [("", off, 5), ("", 4, 5), ("", 4, 9), ("", off, 9)])
    (edge,) = taken(made).edges
    assert edge.nested
    assert edge.outcome == "reported"
    assert (edge.gap.value, edge.overlap.value) == pytest.approx(
        (0.12, 0.0) if off > 0 else (0.0, 0.12), abs=0.004
    )
    out = taken(made, tolerance=0.06)
    yard, pad = out.features
    assert yard.net_area is not None
    assert pad.net_area is not None
    assert yard.gross_area is not None
    # nothing is left between the two edges, and yard and pad together make the whole
    assert yard.net_area.value + pad.net_area.value == pytest.approx(yard.gross_area.value)
    assert out.outlines["yard"].contains(out.outlines["pad"])
    shared = out.outlines["yard"].boundary.intersection(out.outlines["pad"].boundary)
    assert shared.length == pytest.approx(4.0, abs=0.05)


def test_nothing_drawn() -> None:
    out = taken([])
    assert (out.features, out.codes, out.edges, take_off_findings(out)) == ((), (), (), ())


def test_sigma_of_an_area_on_a_slope_is_what_heights_scatter_by() -> None:
    # a roof of 3 in 4 over marks with errors in height alone: the plan is exact
    corners = rows("yard", "apron", [("", 0, 0, 0.0), ("", 8, 0, 6.0), ("", 8, 4, 6.0), ("", 0, 4)])
    sigma = 0.05
    notes, network = survey(corners, CODES, sigma=1e-9, sigma_up=sigma)
    points = np.column_stack([network.en, network.elevation])
    cut = np.array([[0, 1, 2], [0, 2, 3]])
    ground = Triangles(points, cut, np.arange(4))
    drawing = draw(notes, network)
    (yard,) = take_off(notes, network, drawing, ground).features
    assert yard.surface_area is not None
    assert yard.surface_area.value == pytest.approx(40.0)
    assert yard.net_area is not None
    assert yard.net_area.sigma < 1e-6
    rng = np.random.default_rng(4)
    found = []
    for _ in range(2000):
        lifted = points + [0.0, 0.0, 1.0] * rng.normal(0, sigma, (4, 1))
        one, other = lifted[cut[:, 1]] - lifted[cut[:, 0]], lifted[cut[:, 2]] - lifted[cut[:, 0]]
        found.append(np.linalg.norm(np.cross(one, other), axis=1).sum() / 2)
    assert yard.surface_area.sigma == pytest.approx(np.std(found), rel=0.06)
    assert yard.surface_area.half_width == pytest.approx(1.96 * yard.surface_area.sigma, rel=1e-3)
