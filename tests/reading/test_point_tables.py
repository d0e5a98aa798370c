"""Tables of points as programs write them: titles, encodings, thousands, names that are missing."""

from __future__ import annotations

from pathlib import Path

import pytest

from geosite.base.errors import InputError
from geosite.reading.points import read_points

HEAD = "easting,northing,elevation"
ROWS = "512300.5,5276100,400.25\n512310,5276100.5,401\n"


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        (f"{HEAD}\n{ROWS}", "utf-16"),
        (f"Spot heights of the yard\n\n{HEAD}\n{ROWS}", "utf-8"),
        (f"# {HEAD}\n{ROWS}", "utf-8"),
        (
            '"easting";"northing";"elevation"\n"512,300.5";5276100;"400.25"\n'
            "512 310.0;5'276'100.5;401\n",
            "utf-8",
        ),
    ],
)
def test_tables_as_programs_write_them(tmp_path: Path, text: str, encoding: str) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(text.encode(encoding))
    want = [[512300.5, 5276100.0, 400.25], [512310.0, 5276100.5, 401.0]]
    assert read_points(str(path)).positions.tolist() == want


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("a.csv", ROWS, 'csv:1: .* it is "512300.5,.*; write easting,northing,elevation above'),
        ("a.xyz", ROWS.replace(",", " "), "xyz:1: .* with commas between the numbers"),
        ("a.csv", "X,Y,Z\n" + ROWS, "csv:1: .* which counts east, which north, is not guessed"),
        ("a.csv", "lon,lat,height\n9,47,1\n", "csv:1: .* to a projected CRS first"),
        ("a.csv", f'{HEAD}\n"1,234",5,6\n', "csv:2: easting is .1,234.;"),
        ("a.xlsx", "PK", "xlsx: it is a spreadsheet; .* save the sheet as CSV"),
    ],
)
def test_what_is_no_table_of_points_is_told_in_one_line(
    tmp_path: Path, name: str, text: str, told: str
) -> None:
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(InputError, match=told) as refused:
        read_points(str(path))
    assert len(refused.value.problems) == 1
