"""Tables as CSV: UTF-8, comma, one header row, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geosite.handover.formats.record_columns import column_of, numbers, of_each
from geosite.handover.model import Layer, Package

__all__ = ["cell", "write_corners", "write_csv", "write_points"]

# A spreadsheet takes a cell that starts so for a formula and may run it; some also take the wide
# forms of these signs.
_FORMULA = ("=", "+", "-", "@", "\t", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def cell(value: Any) -> str:
    """Return the text of one cell.

    Numbers are written with the digits that give them back exactly. Text that a spreadsheet would
    take for a formula gets an apostrophe in front; NUL is dropped and every line end in it becomes
    a line feed, because CSV readers do not agree on them.

    Examples
    --------
    >>> cell(0.1), cell(-0.0), cell(None), cell(float("nan"))
    ('0.1', '0.0', '', '')
    >>> cell("=SUM(A1)"), cell("10 m")
    ("'=SUM(A1)", '10 m')
    """
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(value + 0.0) if math.isfinite(value) else ""
    if isinstance(value, str):
        text = value.replace("\0", "").replace("\r\n", "\n").replace("\r", "\n")
        return f"'{text}" if text.startswith(_FORMULA) else text
    return str(value)


def _cells(values: Sequence[Any]) -> Sequence[Any]:
    """Return the cells of a column; the writer gives a number its digits and None no text."""
    found = numbers(values)
    return of_each(values, cell) if found is None else found


def write_csv(path: Path, names: Sequence[str], records: Sequence[Mapping[str, Any]]) -> None:
    """Write records, mappings of column name to value, under the given column names.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name:
    ...     write_csv(Path(name) / "a.csv", ("mark", "z"), [{"mark": "A1", "z": 0.5}, {"z": None}])
    ...     (Path(name) / "a.csv").read_text().splitlines()
    ['mark,z', 'A1,0.5', ',']
    """
    with path.open("w", encoding="utf-8", errors="replace", newline="") as stream:
        rows = csv.writer(stream, lineterminator="\n")
        rows.writerow([cell(name) for name in names])
        columns = [_cells(column_of(records, name)) for name in names]
        rows.writerows(zip(*columns, strict=True) if columns else [()] * len(records))


def write_points(path: Path, package: Package) -> None:
    """Write the observations as ``point,northing,easting,elevation,code``, each mark once.

    Map and elevation units, rounded to four decimals. The column that follows is the combined
    factor: ground lengths times it are lengths between these coordinates. A position without a
    name is called after its line in the field book.
    """
    records = [r for layer in package.layers if layer.name == "points" for r in layer.records]
    named = {record.get("point") for record in records}
    seen: set[str] = set()
    rows = []
    for number, record in enumerate(records, start=1):
        name = record.get("point")
        if name is None:
            name = f"row {record.get('row', number)}"
            while name in named:
                name += "'"
        elif name in seen:
            continue
        seen.add(name)
        rows.append(
            {
                "point": name,
                **{axis: round(record[axis], 4) for axis in ("northing", "easting", "elevation")},
                "code": record.get("code"),
                "combined_factor": round(package.frame.combined_factor, 8),
            }
        )
    columns = ("point", "northing", "easting", "elevation", "code", "combined_factor")
    write_csv(path, columns, rows)


def write_corners(path: Path, corners: Layer) -> None:
    """Write the corners of a design as ``point,easting,northing,elevation``.

    Map and elevation units, rounded to four decimals; numbered as on the sheet of the design.

    Parameters
    ----------
    path
    corners
        From `geosite.handover.plan.design_points.design_points`.
    """
    rows = [
        {
            "point": str(record["number"]),
            "easting": round(place.x, 4),
            "northing": round(place.y, 4),
            "elevation": round(record["elevation"], 4),
        }
        for record, place in zip(corners.records, corners.geometries, strict=True)
    ]
    write_csv(path, ("point", "easting", "northing", "elevation"), rows)
