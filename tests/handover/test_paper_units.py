"""Volumes on paper: units, digits, and a net that is what cut less fill prints."""

from __future__ import annotations

from typing import Any

import pytest

from geosite.drawing.document import Table
from geosite.handover.documents.earthworks import earthwork_blocks
from geosite.handover.wording.paper_units import UNITS, PaperUnits

METRIC = (UNITS["m"],)


def rows(*records: dict[str, Any], units: PaperUnits = METRIC) -> list[tuple[str, ...]]:
    """Return cut, fill and net of each line."""
    _, table, _ = earthwork_blocks(records, [], units)
    assert isinstance(table, Table)
    return [tuple(str(cell) for cell in row[3:]) for row in table.rows]


def test_units_are_the_exact_ones() -> None:
    # NIST Handbook 44, appendix C: 1 m2 = 10.763 91 ft2, 1 m3 = 1.307 951 yd3
    feet = UNITS["ft"]
    assert feet.of("m")[0] == pytest.approx(3.280_839_9)
    assert feet.of("m2")[0] == pytest.approx(10.763_91, rel=1e-6)
    assert feet.of("m3")[0] == pytest.approx(1.307_951, rel=1e-6)
    assert [UNITS["m"].of(one)[0] for one in ("m", "m2", "m3")] == [1.0, 1.0, 1.0]


def test_a_net_one_digit_off_is_that_of_the_rounded_cut_and_fill() -> None:
    pit = {"earthwork": "pit", "cut_m3": 10.44, "fill_m3": 5.36, "net_m3": 5.08, "net_95_m3": 0.5}
    assert rows(pit) == [("10.4 m³", "5.4 m³", "5.0 +/- 0.5 m³")]
    # a net that says something else is not bent to fit
    assert rows(pit | {"net_m3": 5.2})[0][2] == "5.2 +/- 0.5 m³"


def test_volumes_have_the_digits_of_the_best_known_of_them_in_each_unit() -> None:
    pit = {
        "earthwork": "pit",
        "cut_m3": 10.0,
        "cut_low_m3": 8.0,
        "cut_high_m3": 12.0,
        "fill_m3": 1.25,
        "fill_low_m3": 1.0,
        "fill_high_m3": 1.5,
    }
    ((cut, fill, net),) = rows(pit, units=(UNITS["m"], UNITS["ft"]))
    # of halves of 2 and 0.25 the finer bears two decimals; 0.33 yd3 bears one
    assert cut.split("\n") == ["10.00 (8.00 to 12.00) m³", "13.1 (10.5 to 15.7) yd³"]
    assert fill.split("\n") == ["1.25 (1.00 to 1.50) m³", "1.6 (1.3 to 2.0) yd³"]
    assert net == ""


def test_methods_are_told_to_the_digit_that_tells_them_apart_and_other_earthworks_are_not() -> None:
    exact, other = (
        {"earthwork": "pit", "method": name, "cut_m3": cut, "cut_low_m3": 80.0, "cut_high_m3": 120}
        for name, cut in (("exact", 100.0), ("prisms", 100.26))
    )
    lone = exact | {"earthwork": "trench"}
    told = [cut for cut, *_ in rows(exact, other, lone)]
    assert [cut.split()[0] for cut in told] == ["100.00", "100.26", "100"]


def test_all_methods_have_the_digits_of_the_best_known() -> None:
    exact, other = (
        {"earthwork": "pit", "cut_m3": cut, "cut_low_m3": cut - half, "cut_high_m3": cut + half}
        for cut, half in ((100.0, 0.1), (120.0, 20.0))
    )
    told = [cut for cut, *_ in rows(exact, other)]
    assert told == ["100.00 (99.90 to 100.10) m³", "120.00 (100.00 to 140.00) m³"]
