"""What would be ordered twice: two edges of one kerb, a code counted in another, what is there."""

from __future__ import annotations

import pytest
from linework_cases import rows, survey

from geosite.analysis.takeoff.quantities import TakeOff, take_off
from geosite.analysis.takeoff.walked_twice import BesideLine, lines_beside
from geosite.analysis.wording import beside_findings
from geosite.base.errors import InputError
from geosite.fieldbook.sitefile import Code
from geosite.linework.draw import draw

LINE = Code(geometry="line")


def taken(codes: dict[str, Code], *made: object) -> tuple[TakeOff, tuple[BesideLine, ...]]:
    notes, network = survey([row for some in made for row in some], codes)  # type: ignore[attr-defined]
    drawing = draw(notes, network)
    found = take_off(notes, network, drawing)
    return found, lines_beside(drawing.features, found.features, 1.0)


def line(name: str, code: str, north: float, length: float = 20.0) -> object:
    return rows(name, code, [("", 0, north), ("", length / 2, north), ("", length, north)])


def test_two_edges_of_one_kerb_are_found_unless_one_is_counted_in_the_other() -> None:
    foot, top = line("foot", "kerb_foot", 0.0), line("top", "kerb_top", 0.15)
    found, twice = taken({"kerb_foot": LINE, "kerb_top": LINE}, foot, top)
    (pair,) = twice
    assert (pair.first, pair.second) == ("foot", "top")
    assert pair.apart_m == pytest.approx(0.15)
    (said,) = beside_findings(twice)
    assert 'say counted_in = "kerb_foot" in [codes.kerb_top]' in said.text
    found, twice = taken(
        {"kerb_foot": LINE, "kerb_top": Code(geometry="line", counted_in="kerb_foot")}, foot, top
    )
    assert twice == ()
    once, other = found.codes
    assert once.order_length is not None
    assert once.order_length.value == pytest.approx(20.0)
    assert (other.order_by, other.counted_in, other.order_length) == ("", "kerb_foot", None)
    assert other.length is not None
    assert other.length.value == pytest.approx(20.0)


@pytest.mark.parametrize(
    "other",
    [line("far", "b", 1.0), line("short", "b", 0.15, 10.0)],
    ids=["a metre away", "half as long"],
)
def test_lines_of_their_own_are_no_pair(other: object) -> None:
    assert taken({"a": LINE, "b": LINE}, line("one", "a", 0.0), other)[1] == ()


def test_where_the_other_was_not_walked_a_line_is_ordered_itself() -> None:
    codes = {"kerb_foot": LINE, "kerb_top": Code(geometry="line", counted_in="kerb_foot")}
    found, _ = taken(codes, line("top", "kerb_top", 0.0))
    assert found.codes[0].order_by == "length"


@pytest.mark.parametrize(
    ("codes", "said"),
    [
        ({"a": Code(counted_in="a")}, "a is counted in a, that is itself"),
        ({"a": Code(counted_in="b")}, r"counted in b, that \[codes\] does not explain"),
        (
            {"a": Code(counted_in="b"), "b": Code(counted_in="c"), "c": Code()},
            "counted in b, that is counted in c",
        ),
    ],
)
def test_a_code_that_cannot_hold_another_is_refused(codes: dict[str, Code], said: str) -> None:
    with pytest.raises(InputError, match=said):
        taken({**codes, "x": LINE}, line("one", "x", 0.0))


def test_what_is_there_is_measured_and_not_ordered() -> None:
    yard = rows("yard", "setts", [("", 0, 0), ("", 10, 0), ("", 10, 5), ("", 0, 5)])
    found, _ = taken({"setts": Code(depth=0.1, existing=True)}, yard)
    (setts,) = found.codes
    assert setts.volume is not None
    assert setts.volume.value == pytest.approx(5.0)
    assert (setts.order_by, setts.order_volume, setts.order_area) == ("", None, None)


def test_of_several_measures_one_is_ordered() -> None:
    yard = rows("yard", "setts", [("", 0, 0), ("", 10, 0), ("", 10, 5), ("", 0, 5)])
    for code, by in (
        (Code(coverage=2.0, depth=0.1), "material"),
        (Code(depth=0.1), "volume"),
        (Code(), "area"),
    ):
        assert taken({"setts": code}, yard)[0].codes[0].order_by == by
