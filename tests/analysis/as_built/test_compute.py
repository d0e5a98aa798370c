"""Deviations from a design: exact ones, their sigma in the frame of the known marks, verdicts."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import network_cases
import numpy as np
import pytest
import shapely

from geosite.analysis.as_built.compute import compare_design
from geosite.analysis.as_built.datum import datum_of
from geosite.analysis.as_built.model import AsBuilt, Plan
from geosite.analysis.as_built.wording import findings
from geosite.analysis.design_ground.zones import Edge, pad
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code, Tolerance
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network
from geosite.terrain.site_ground import site_ground

SQUARE = {"C1": (5, 5), "C2": (15, 5), "C3": (15, 15), "C4": (5, 15)}


def survey(
    built: dict[str, tuple[float, float, float]],
    noise: tuple[float, float] = (1e-4, 1e-4),
    sigma: float = 0.05,
    limits: dict[str, Tolerance] | None = None,
) -> tuple[Notes, Network]:
    rows = [("R", "A", 0.0, 0.0, 0.0), ("R", "B", 20.0, 0.0, 0.0)]
    rows += [("R", name, *place) for name, place in built.items()]
    rows += [("R", "A", 0.0, 0.0, 0.0)]
    book = network_cases.book(rows)
    inside = np.array([0 if name.startswith("C") else -1 for _, name, *_ in rows])
    book = replace(book, features=("pad",), feature=inside, codes=("slab",), code=inside)
    marks = {
        "A": {"easting": 1000.0, "northing": 1000.0, "elevation": 100.0, "sigma": sigma},
        "B": {"easting": 1020.0, "northing": 1000.0, "sigma": sigma},
    }
    notes = network_cases.notes(book, marks, noise=noise, limit=10)
    site = msgspec.structs.replace(
        notes.site, tolerances=limits or {}, codes={"slab": Code(geometry="area", depth=0.2)}
    )
    notes = replace(notes, site=site)
    return notes, adjust(notes)


def plan(network: Network, level: float = 100.0, fall: float = 0.0) -> Plan:
    """Lay out the pad; it rises by `fall` in each metre to the east."""
    frame = network.frame
    places = {
        n: np.array([*frame.to_local((1000.0 + x, 1000.0 + y)), level + fall * (x - 10)])
        for n, (x, y) in SQUARE.items()
    }
    ring = np.array([*places.values(), places["C1"]])
    zone = pad("pad", shapely.Polygon(ring[:, :2]), ring[0, :2], ring[0, 2], fall, 1.5 * np.pi, 1.0)
    return Plan(tuple(places.items()), (Edge("pad", ring, True),), (zone,))


def compared(
    built: dict[str, tuple[float, float, float]],
    ground: bool = False,
    fall: float = 0.0,
    **how: object,
) -> AsBuilt:
    notes, network = survey(built, **how)  # type: ignore[arg-type]
    drawing = draw(notes, network)
    laid = site_ground(notes, network, drawing) if ground else None
    return compare_design(
        notes, network, drawing, None if laid is None else laid.ground, plan(network, fall=fall)
    )


def test_marks_are_off_by_what_they_are_off() -> None:
    built = {n: (x, y, 0.0) for n, (x, y) in SQUARE.items()}
    built["C3"] = (15.03, 14.96, 0.02)
    made = compared(built)
    marks = {d.name: d for d in made.deviations if d.what == "mark"}
    assert marks["C1"].plan.value == pytest.approx(0.0, abs=3e-4)
    third = marks["C3"]
    assert (third.east.value, third.north.value) == pytest.approx((0.03, -0.04), abs=3e-4)
    assert third.plan.value == pytest.approx(0.05, abs=3e-4)
    assert third.up.value == pytest.approx(0.02, abs=3e-4)
    assert third.code == "slab"


def test_edges_are_compared_station_by_station_with_their_side() -> None:
    # the whole pad half a decimetre to the east
    built = {n: (x + 0.05, y, 0.01) for n, (x, y) in SQUARE.items()}
    edges = [d for d in compared(built).deviations if d.what == "edge"]
    assert len(edges) == 40
    sides = {d.name: d.plan.value for d in edges}
    assert sides["pad+5.00"] == pytest.approx(0.0, abs=1e-3)  # along the south side
    assert sides["pad+15.00"] == pytest.approx(-0.05, abs=1e-3)  # to the right of the way north
    assert sides["pad+35.00"] == pytest.approx(0.05, abs=1e-3)
    assert all(d.up.value == pytest.approx(0.01, abs=1e-3) for d in edges)


def test_a_corner_that_was_built_elsewhere_is_off_by_as_much_as_its_mark() -> None:
    # each corner its own way: out along one side, in on both, back along the other
    off = {"C1": (0.02, -0.03), "C2": (0.08, 0.0), "C3": (0.0, 0.06), "C4": (0.03, -0.02)}
    built = {n: (x + off[n][0], y + off[n][1], 0.0) for n, (x, y) in SQUARE.items()}
    limits = {"slab": Tolerance(plan=0.05)}
    found = {d.name: d for d in compared(built, limits=limits).deviations}
    corners = {"C1": "pad+0.00", "C2": "pad+10.00", "C3": "pad+20.00", "C4": "pad+30.00"}
    for name, station in corners.items():
        at = found[station]
        assert abs(at.plan.value) == pytest.approx(np.hypot(*off[name]), abs=5e-4), name
        assert at.plan_verdict == found[name].plan_verdict
        assert np.hypot(*at.shift) == pytest.approx(abs(at.plan.value), abs=1e-3)
    assert found["pad+10.00"].plan.value < 0  # to the right, out of the pad
    assert found["pad+10.00"].plan_verdict == "beyond"
    # away from the corners each side is measured square to it, whatever lies round the corner
    assert found["pad+11.00"].plan.value == pytest.approx(-0.08 * 0.9, abs=2e-3)


def test_a_side_that_was_not_built_to_its_end_is_off_by_what_is_missing() -> None:
    built = {n: (min(x, 14.4), y, 0.0) for n, (x, y) in SQUARE.items()}
    found = {d.name: d.plan.value for d in compared(built).deviations if d.what == "edge"}
    assert found["pad+9.00"] == pytest.approx(0.0, abs=1e-3)
    assert abs(found["pad+10.00"]) == pytest.approx(0.6, abs=1e-3)
    assert found["pad+15.00"] == pytest.approx(0.6, abs=1e-3)  # to the left, into the pad


def test_what_the_known_marks_are_off_on_the_map_is_no_deviation() -> None:
    built = {n: (x, y, 0.0) for n, (x, y) in SQUARE.items()}
    (near,) = [d for d in compared(built, sigma=0.05).deviations if d.name == "C1"]
    assert near.plan.sigma < 0.001
    # against a brute-force frame through the two marks
    notes, network = survey(built, noise=(0.005, 0.004))
    datum = datum_of(notes, network)
    row = int(np.flatnonzero(notes.book.mark == notes.book.marks.index("C3"))[0])
    one, none = np.ones(1), np.zeros(1)
    form = LinearForm(np.array([row]), one, none, none)
    place = network.en[row]
    relative = sigmas(network, [datum.in_plan(form, place, np.array([1.0, 0.0]))])[0]
    _, network2 = survey(built, noise=(0.005, 0.004), sigma=0.0)
    alone = sigmas(network2, [form])[0]
    assert relative == pytest.approx(alone, rel=0.05)
    assert sigmas(network, [form])[0] > 1.5 * relative


@pytest.mark.parametrize(
    ("off", "noise", "verdict"),
    [(0.0, 1e-4, "within"), (0.08, 1e-4, "beyond"), (0.03, 0.01, "undecided")],
)
def test_verdicts_have_three_values(off: float, noise: float, verdict: str) -> None:
    built = {n: (x, y, off) for n, (x, y) in SQUARE.items()}
    built["C2"] = (15 + off, 5, off)
    limits = {"slab": Tolerance(plan=0.03, height=0.03)}
    made = compared(built, noise=(noise, noise), limits=limits)
    (second,) = [d for d in made.deviations if d.name == "C2"]
    assert (second.plan_verdict, second.height_verdict) == (verdict, verdict)
    assert any("C2" in f.text for f in made.findings) == (verdict != "within")


def test_the_surface_is_compared_and_its_volumes() -> None:
    built = {n: (x, y, 0.05 if x > 10 else -0.05) for n, (x, y) in SQUARE.items()}
    limits = {"slab": Tolerance(height=0.025)}
    (one,) = compared(built, ground=True, limits=limits).surfaces
    assert one.code == "slab"
    assert one.area_m2 == pytest.approx(100.0, rel=0.01)
    assert one.mean_m.value == pytest.approx(0.0, abs=1e-3)
    # a plane from -5 to +5 cm over ten metres: half of it within 2.5 cm, two wedges of volume
    assert one.share_within.value == pytest.approx(0.5, abs=0.02)
    assert one.above_m3.value == pytest.approx(10 * 5 * 0.05 / 2, rel=0.02)
    assert one.below_m3.value == pytest.approx(10 * 5 * 0.05 / 2, rel=0.02)


def test_what_was_laid_counts_where_the_ground_before_is_known() -> None:
    # of 10 m by 10 m only the western half and a corner beside it were surveyed before
    notes, network = survey({n: (x, y, 0.0) for n, (x, y) in SQUARE.items()})
    drawing = draw(notes, network)
    ground = site_ground(notes, network, drawing).ground
    half = {n: (min(x, 10), y, -0.15) for n, (x, y) in SQUARE.items()}
    earlier, of_earlier = survey(half)
    before = site_ground(earlier, of_earlier, draw(earlier, of_earlier)).ground
    (one,) = compare_design(notes, network, drawing, ground, plan(network), before).surfaces
    assert one.area_m2 == pytest.approx(100.0, rel=0.01)
    marks = shapely.MultiPoint([(0, 0), (20, 0), (10, 5), (10, 15), (5, 15), (5, 5)])
    known = shapely.intersection(marks.convex_hull, shapely.box(5, 5, 15, 15)).area
    assert 50 < known < 90
    assert one.placed_m3.value == pytest.approx(known * one.thickness_m.value, rel=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("fall", [0.0, 0.2])
def test_what_the_known_marks_are_off_on_the_map_is_no_deviation_of_the_surface(
    fall: float,
) -> None:
    built = {n: (x, y, 0.01 + fall * (x - 10)) for n, (x, y) in SQUARE.items()}
    limits = {"slab": Tolerance(height=0.025)}
    sure, unsure = (
        compared(built, ground=True, limits=limits, sigma=sigma, fall=fall)
        for sigma in (1e-4, 0.05)
    )
    (one,), (other,) = sure.surfaces, unsure.surfaces
    # five centimetres of the map, in plan and in height, are in the frame of both
    assert other.mean_m.value == pytest.approx(0.01, abs=1e-3)
    for found in (one, other):
        assert found.mean_m.high - found.mean_m.low < 0.004
        assert [patch.verdict for patch in found.patches] == ["within"]
    # a mark of the same surface says the same
    (mark,) = [d for d in unsure.deviations if d.name == "C1"]
    assert mark.up is not None
    assert mark.up.high - mark.up.low < 0.004


def test_points_that_nobody_measured_are_named() -> None:
    made = compared({n: (x, y, 0.0) for n, (x, y) in SQUARE.items() if n != "C4"})
    assert made.missing == ("C4",)
    assert any("no mark at C4 of the design" in f.text for f in made.findings)


@pytest.mark.parametrize(
    ("count", "told"), [(8, "P6, P7 of"), (9, "P6, P7 and 1 more of"), (20, "P7 and 12 more of")]
)
def test_of_many_points_that_nobody_measured_some_are_named(count: int, told: str) -> None:
    made = AsBuilt((), (), tuple(f"P{i}" for i in range(count)), ())
    book = network_cases.book([("R", "A", 0.0, 0.0, 0.0)])
    (missing,) = findings(made, network_cases.notes(book, {}))
    assert told in missing.text
