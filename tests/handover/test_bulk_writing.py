"""What is written in bulk is what the library writes one by one, byte for byte."""

from __future__ import annotations

import datetime
import io
import math
import random
from pathlib import Path
from typing import Any

import package_cases
import pytest
import xlsxwriter

from geosite.handover.formats.dxf import drawing_library, write_dxf
from geosite.handover.formats.dxf_bulk import BulkEntities
from geosite.handover.formats.spreadsheet_rows import ColumnSheet


def columns(rows: int) -> list[list[Any]]:
    """Return columns of numbers, of texts, of both, empty ones, and one with gaps of many rows."""
    draw = random.Random(rows)
    return [
        [
            draw.choice([None, 1.5, draw.random() * 1e-9, 7, 123456789.123456789])
            for _ in range(rows)
        ],
        [None] * rows,
        [draw.choice(["a", "<b>&", " c ", None]) for _ in range(rows)],
        [draw.choice(["t", 2.0, None]) for _ in range(rows)],
        [draw.choice([math.nan, math.inf, -1e30, None]) for _ in range(rows)],
        [True] * (rows // 2) + [None] * (rows - rows // 2),
        [None if row % 40 else 3 for row in range(rows)],
    ]


def spreadsheet(rows: int, whole: bool) -> bytes:
    held = io.BytesIO()
    with xlsxwriter.Workbook(held, {"in_memory": True, "nan_inf_to_errors": True}) as book:
        book.set_properties({"created": datetime.datetime(2026, 4, 1)})
        sheet: Any = book.add_worksheet("sheet", ColumnSheet if whole else None)
        shape = book.add_format({"num_format": "0.00"})
        for column, values in enumerate(columns(rows)):
            sheet.write_string(0, column, "heading")
            sheet.write_string(1, column, "unit")
            if whole:
                sheet.write_whole_column(2, column, values, shape)
                continue
            for row, value in enumerate(values, start=2):
                if isinstance(value, str):
                    sheet.write_string(row, column, value)
                elif value is not None:
                    sheet.write_number(row, column, value, shape)
    return held.getvalue()


@pytest.mark.parametrize("rows", [0, 1, 13, 14, 15, 30, 4093, 4094, 4095, 4200])
def test_whole_columns_are_the_cells_of_the_library(rows: int) -> None:
    assert spreadsheet(rows, whole=True) == spreadsheet(rows, whole=False)


class OneByOne:
    """The same by the library."""

    def __init__(self, space: Any) -> None:
        self._space = space

    def point(self, at: Any, on: Any) -> None:
        self._space.add_point(at, dxfattribs=on)

    def polyline(self, points: Any, on: Any, elevation: float | None) -> None:
        level = {} if elevation is None else {"elevation": elevation}
        self._space.add_lwpolyline(points, format="xy", dxfattribs={**on, **level})


@pytest.mark.parametrize("version", ["R2010", "R2018"])
def test_points_and_polylines_are_those_of_the_library(tmp_path: Path, version: str) -> None:
    written = []
    with drawing_library() as ezdxf:
        for bulk in (False, True):
            drawing = ezdxf.new(version)
            space = drawing.modelspace()
            drawing.layers.add("a")
            add: Any = BulkEntities(drawing, space) if bulk else OneByOne(space)
            add.point((1.0, 2.5e-7, -3.0), {"layer": "a"})
            add.point((512000.123456789, 5276000.0), {"layer": "b"})
            space.add_circle((0.0, 0.0), 2.0)
            add.polyline([(1.0, 2.0), (1e22, 0.1)], {"layer": "a"}, None)
            add.polyline([(1.0, 2.0)], {"layer": "b"}, 90.0)
            add.polyline([(1.0, 2.0), (3.0, 4.0), (5.0, -0.0)], {"layer": "b"}, -12.25)
            space.add_text("end")
            path = tmp_path / f"{bulk}.dxf"
            drawing.saveas(path)
            written.append(path.read_bytes())
            again = ezdxf.readfile(path)
            assert len(again.modelspace()) == 7
            assert not again.audit().has_errors
    assert written[0] == written[1]


def test_the_library_makes_no_entity_of_a_mark_or_a_contour(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with drawing_library():
        from ezdxf.entities import factory
    made: list[str] = []
    before = factory.create_db_entry

    def counted(kind: str, *rest: Any, **named: Any) -> Any:
        made.append(kind)
        return before(kind, *rest, **named)

    monkeypatch.setattr(factory, "create_db_entry", counted)
    package = package_cases.ferry_landing()
    write_dxf(tmp_path / "site.dxf", package)
    many = {layer.name: len(layer.records) for layer in package.layers}
    assert many["points"] > 40
    assert many["contours"] > 5
    assert made.count("POINT") == sum(f.kind == "point" for f in package.features) + sum(
        piece.radius is not None for f in package.features for piece in f.pieces
    )
    # outlines with arcs, and arrows with a head, are the library's still
    assert made.count("LWPOLYLINE") <= many["drainage_arrows"] + 2 * len(package.features)
