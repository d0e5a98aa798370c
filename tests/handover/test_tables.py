"""CSV and report: safe to open, exact to read back."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

import package_cases
import pytest

from geosite.handover.formats.tables import cell, write_csv, write_points
from geosite.handover.model import Layer, Package


def rows(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\n=1"])
def test_text_that_looks_like_a_formula_is_made_harmless(text: str) -> None:
    """OWASP, CSV injection: cells that begin with = + - @, tab or carriage return."""
    assert cell(text) == f"'{text}"


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (-1.5, "-1.5"),
        (-0.0, "0.0"),
        (0.1, "0.1"),
        (1e-7, "1e-07"),
        (-3, "-3"),
        (None, ""),
        (math.nan, ""),
        (math.inf, ""),
        ("plain", "plain"),
        ("a=b", "a=b"),
        ("nul\0", "nul"),
        ("\0=1", "'=1"),
        ("a\r\nb\rc", "a\nb\nc"),
        ("\r=1", "'\n=1"),
    ],
)
def test_numbers_stay_numbers(value: Any, shown: str) -> None:
    assert cell(value) == shown


def test_columns_quotes_and_line_ends(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    records = [{"a": 'say "a, b"', "b": 1.25}, {"b": -2.0, "c": "left out"}, {"a": "é\n2", "b": 3}]
    write_csv(path, ("a", "b"), records)
    assert rows(path) == [["a", "b"], ['say "a, b"', "1.25"], ["", "-2.0"], ["é\n2", "3"]]
    assert path.read_bytes().startswith(b"a,b\n")
    assert b"\r" not in path.read_bytes()


def test_lone_surrogates_do_not_break_the_file(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    write_csv(path, ("a",), [{"a": "x\ud800y"}])
    assert rows(path)[1] == ["x?y"]


def points(tmp_path: Path, *records: dict[str, Any]) -> list[list[str]]:
    usual = {"easting": 512_310.99494, "northing": 5_276_107.0, "elevation": -0.5, "code": None}
    layer = Layer("points", "", "", "PointZ", (), [usual | r for r in records], [])
    path = tmp_path / "points.csv"
    write_points(path, Package("", "", package_cases.frame(), (layer,), (), ()))
    return rows(path)


def test_points_in_the_order_of_the_trade(tmp_path: Path) -> None:
    found = points(tmp_path, {"point": "A", "code": "kerb"})
    assert found == [
        ["point", "northing", "easting", "elevation", "code", "combined_factor"],
        ["A", "5276107.0", "512310.9949", "-0.5", "kerb", f"{package_cases.FACTOR:.8g}"],
    ]


def test_a_mark_is_listed_once_and_every_position_has_a_name(tmp_path: Path) -> None:
    found = points(
        tmp_path,
        {"point": "A", "row": 2},
        {"point": None, "row": 3},
        {"point": "A", "row": 4},
        {"point": None, "row": 5},
        {"point": "row 5", "row": 6},
    )
    names = [row[0] for row in found[1:]]
    assert names == ["A", "row 3", "row 5'", "row 5"]


def test_a_package_without_points_has_an_empty_list(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    write_points(path, Package("", "", package_cases.frame(), (), (), ()))
    head = ["point", "northing", "easting", "elevation", "code", "combined_factor"]
    assert rows(path) == [head]
