"""The tables of the answers: what a fact becomes in its columns."""

from __future__ import annotations

import math

import numpy as np
import pytest
from linework_cases import rows, survey

from geosite.analysis.access.grade_checks import Grade, Requirement, Span
from geosite.analysis.distances import distance, outline_edges
from geosite.analysis.limits import judge
from geosite.analysis.takeoff.quantities import take_off
from geosite.base.estimate import Estimate
from geosite.fieldbook.sitefile import Code, Quantities
from geosite.handover.layers import distances, grades, quantities, shared_edges
from geosite.linework.draw import draw

CODES = {
    "apron": Code(geometry="area", depth=0.15, coverage=6.0, coverage_unit="bag", waste_percent=8),
    "kerb": Code(geometry="line", waste_percent=5),
}
YARD = [
    *rows("yard", "apron", [("", 0, 0), ("", 20, 0), ("", 20, 20), ("", 0, 20)]),
    *rows("edge", "kerb", [("", 0, 0, 1), ("", 3, 4, 2), ("gap", 5, 4, 2), ("", 5, 10, 2)]),
]


def test_metres_beside_feet() -> None:
    notes, network = survey(YARD, CODES, sigma=0.01)
    taken = take_off(notes, network, draw(notes, network), None)
    yard, edge = quantities.table(taken.features).records
    # 1 m = 3.2808398950 ft, the international foot (Federal Register 85, no. 193, p. 62698)
    assert yard["perimeter_ft"] == pytest.approx(80.0 * 3.2808398950, rel=1e-10)
    assert yard["net_area_ft2"] == pytest.approx(400.0 * 3.2808398950**2, rel=1e-10)
    assert yard["volume_yd3"] == pytest.approx(60.0 * 3.2808398950**3 / 27.0, rel=1e-10)
    assert edge["length_ft"] == pytest.approx(11.0 * 3.2808398950, rel=1e-10)
    assert yard["length_m"] is None
    assert edge["net_area_m2"] is None
    assert edge["net_area_95_m2"] is None


def test_what_is_ordered_is_as_sure_as_what_it_is_made_of() -> None:
    notes, network = survey(YARD, CODES, sigma=0.01)
    taken = take_off(notes, network, draw(notes, network), None)
    yard, _ = quantities.table(taken.codes).records
    for part in ("m2", "sigma_m2", "95_m2"):
        assert yard[f"order_area_{part}"] == pytest.approx(1.08 * yard[f"surface_area_{part}"])
    assert yard["volume_95_m3"] == pytest.approx(0.15 * yard["net_area_95_m2"])
    assert yard["net_area_95_m2"] == pytest.approx(1.959964 * yard["net_area_sigma_m2"])


def test_what_is_ordered_stands_in_the_total_of_its_code_alone() -> None:
    notes, network = survey(YARD, CODES)
    taken = take_off(notes, network, draw(notes, network), None)
    records = quantities.table([*taken.features, *taken.codes]).records
    assert [r["order_by"] for r in records] == ["total", "total", "material", "length"]
    names = [name for name in records[0] if name.startswith("order_") and name != "order_by"]
    assert all(r[name] is None for r in records[:2] for name in names)
    assert records[2]["order_volume_m3"] == pytest.approx(1.08 * records[0]["volume_m3"])


def test_the_total_of_a_code_has_no_feature() -> None:
    notes, network = survey(YARD, CODES)
    taken = take_off(notes, network, draw(notes, network), None)
    records = quantities.table(taken.codes).records
    assert [(r["feature"], r["code"]) for r in records] == [(None, "apron"), (None, "kerb")]


def test_distances_are_in_degrees_and_percent() -> None:
    marks = rows("", "", [("", 10, 20, 1, "A"), ("", 13, 24, 1.5, "B")])
    notes, network = survey(marks, sigma=0.01, sigma_up=0.02)
    (record,) = distances.distances([distance(notes.book, network, "A", "B")]).records
    assert record["grade_percent"] == pytest.approx(10.0)
    assert record["azimuth_deg"] == pytest.approx(math.degrees(math.atan2(3, 4)))
    # two ends of 0.02 m each, over 5 m
    assert record["rise_sigma_m"] == pytest.approx(0.02 * math.sqrt(2))
    assert record["rise_95_m"] == pytest.approx(1.959964 * 0.02 * math.sqrt(2))


def test_edges_name_their_ends_and_their_corners() -> None:
    walk = [
        *(("", 0, 0), ("", 8, 0.5), ("arc", 10.5, 3), ("arc", 10.2, 4.5), ("arc", 8.1, 6)),
        ("", 1, 6),
    ]
    made = rows("p", "apron", [(*m, 0, f"m{k}") for k, m in enumerate(walk)])
    made += rows("spot", "", [("", 1, 1)])
    notes, network = survey(made, CODES)
    records = distances.edges(outline_edges(network, draw(notes, network)), notes.book).records
    assert [r["kind"] for r in records] == ["line", "arc", "line", "line"]
    assert [r["from_point"] for r in records] == ["m0", "m1", "m4", "m5"]
    assert records[0]["radius_m"] is None
    assert records[1]["radius_m"] > 2.0
    assert None not in [r["angle_deg"] for r in records]


def test_shared_edges_say_whether_one_area_lies_in_the_other() -> None:
    made = [
        *rows("yard", "apron", [("", 0, 0), ("", 5, 0), ("", 5, 5), ("", 0, 5)]),
        *rows("pad", "apron", [("", 5.04, 0), ("", 9, 0), ("", 9, 5), ("", 5.04, 5)]),
    ]
    notes, network = survey(made, CODES, quantities=Quantities(shared_edge_tolerance=0.0))
    taken = take_off(notes, network, draw(notes, network), None)
    (record,) = shared_edges.table(taken.edges).records
    assert (record["first"], record["second"], record["nested"]) == ("yard", "pad", 0)
    assert record["width_m"] == pytest.approx(0.04, rel=0.02)  # of the mean of both edges


@pytest.mark.parametrize(("is_default", "told"), [(True, "within the default"), (False, "within")])
def test_a_verdict_on_a_built_in_limit_is_told_as_one_in_every_file(
    is_default: bool, told: str
) -> None:
    span = Span("ramp", "A", "B", 0.0, 10.0, np.zeros((2, 3)))
    width = Estimate.normal(1.5, 0.01, 2.0)
    wanted = Requirement("own", 1.2, "4.2", is_default=is_default)
    grade = Grade("width", span, width, wanted, judge(width, 1.2, at_least=True))
    (record,) = grades.columns().records([grade])
    assert (record["verdict"], record["words"]) == ("within", told)
