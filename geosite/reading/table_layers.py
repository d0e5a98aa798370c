"""Rows of a field book, as text, from a table or a layer of points that OGR reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geosite.base.problems import Problems, did_you_mean, nearest, one_line, shown
from geosite.reading.files import check_plain_file
from geosite.reading.foreign import (
    driver_names,
    harmless,
    open_options,
    reading_layers,
    within_limits,
)
from geosite.reading.spreadsheets import as_typed, clocks, open_formulas
from geosite.reading.tables import SIZE_LIMIT, Rows, by_columns, named_in
from geosite.reading.toml_lines import TomlText

__all__ = ["is_layer_file", "open_layer"]

RECORDS = 1_000_000
"""Most records of a layer: they are held one by one."""

# Formats that are one plain file of rows or points, with the bytes they start with. OGR chooses its
# driver by content, so the bytes keep out what can point elsewhere under a harmless name (virtual
# layers, service descriptions, archives).
_FORMATS = {
    ".gpkg": ("GPKG", b"SQLite format 3\x00"),
    ".shp": ("Shapefile", b"\x00\x00\x27\x0a"),
    ".dbf": ("Shapefile", b""),
    ".geojson": ("GeoJSON", b"{"),
    ".json": ("GeoJSON", b"{"),
    ".fgb": ("FlatGeobuf", b"fgb"),
    ".gml": ("GML", b"<"),
    ".tab": ("TAB", b"!table"),
    ".mif": ("TAB", b"Version"),
    ".xlsx": ("XLSX", b"PK\x03\x04"),
    ".ods": ("ODS", b"PK\x03\x04"),
}
_SHEETS = {"XLSX", "ODS"}
_SEVERAL_LAYERS = {"GPKG", "GML", *_SHEETS}


def is_layer_file(path: Path) -> bool:
    """Report whether a field book is read through OGR: by the end of its name.

    Examples
    --------
    >>> is_layer_file(Path("walk.gpkg")), is_layer_file(Path("walk.csv"))
    (True, False)
    """
    ending = path.suffix.lower()
    if ending == ".tab" and path.is_file():
        # the name of tables between tabs, too
        return _content_fault(path, *_FORMATS[ending]) is None
    return ending in _FORMATS


def open_layer(
    path: Path,
    file: str,
    layer: str | None,
    problems: Problems,
    place: TomlText,
) -> Rows | None:
    """Open a table or point layer; what is wrong goes into `problems`."""
    driver, start = _FORMATS[path.suffix.lower()]
    if not check_plain_file(path, file, "the field book", SIZE_LIMIT, problems, named_in(place)):
        return None
    fault = _content_fault(path, driver, start)
    if fault is not None:
        problems.add(
            "layer-unreadable",
            f"the field book is not a {driver} file as its name says ({fault})",
            "a table or a layer of points",
            "check that it opens elsewhere, or export it as CSV",
            file,
        )
        return None
    try:
        # absolute, so that nothing in the name is taken for a scheme
        with harmless(path.resolve()) as safe:
            layers, found = within_limits(lambda: _records_of(safe, layer, driver))
    except (OSError, ValueError, OverflowError, AttributeError, TypeError) as error:
        problems.add(
            "layer-unreadable",
            f"the field book cannot be read as {driver} ({one_line(error)})",
            "a table or a layer of points",
            "check that it opens elsewhere, or export it as CSV",
            file,
        )
        return None
    if found is None:
        _name_layers(layer, layers, problems, place)
        return None
    header, lines, records = found
    header_line = None
    if driver in _SHEETS:
        cells = {**clocks(path, layer), **open_formulas(path, layer)}
        _put_where_they_stand(cells, lines, records)
        header, lines, records = _first_row_as_header(lines, records)
        header_line = lines.pop(0) if lines else None
    taken = {"".join(name.split()).casefold() for name in header}
    placed = [
        i for i in range(3) if "xyz"[i] not in taken and any(r[len(header) + i] for r in records)
    ]
    keep = [*range(len(header)), *(len(header) + i for i in placed)]
    filled = [i for i, record in enumerate(records) if "".join(record).strip()]
    rows = [[records[i][k] for k in keep] for i in filled]
    lines = [lines[i] for i in filled]
    return Rows(
        [*header, *("xyz"[i] for i in placed)],
        header_line,
        iter([(lines, by_columns(rows, len(keep)))]),
    )


def _put_where_they_stand(
    cells: Mapping[tuple[int, int], str], lines: Sequence[int], records: list[list[str]]
) -> None:
    rows = {line: number for number, line in enumerate(lines)}
    for (line, column), words in cells.items():
        if line in rows and column < len(records[rows[line]]) - 3:
            records[rows[line]][column] = words


def _first_row_as_header(lines: list[int], records: list[list[str]]) -> _Records:
    """Take the first row that is filled for the header, with its line before those of the rows.

    The library would merge columns of equal names, as the noughts of a walk without a header.
    """
    first = next((i for i, record in enumerate(records) if "".join(record).strip()), None)
    if first is None:
        return [], [], []
    return records[first][:-3], lines[first:], records[first + 1 :]


_Records = tuple[list[str], list[int], list[list[str]]]
"""Header, line numbers, cells row by row."""


def _records_of(safe: Path, layer: str | None, driver: str) -> tuple[list[str], _Records | None]:
    """Return the layers of a file and the rows of one, none where it is not clear which."""
    import fiona

    lines: list[int] = []
    records: list[list[str]] = []
    options = {**open_options(safe), **({"EXPOSE_GML_ID": "NO"} if driver == "GML" else {})}
    with reading_layers(), fiona.Env(OGR_XLSX_HEADERS="DISABLE", OGR_ODS_HEADERS="DISABLE"):
        layers = fiona.listlayers(safe, **options) if driver in _SEVERAL_LAYERS else []
        named = layer in layers or (layer is None and len(layers) == 1)
        if driver in _SEVERAL_LAYERS and not named:
            return layers, None
        with fiona.open(
            safe,
            layer=layer or (layers[0] if layers else None),
            enabled_drivers=driver_names([driver]),
            allow_unsupported_drivers=True,  # spreadsheets: read well, not on its list
            **options,
        ) as source:
            header = list(source.schema["properties"])
            for number, record in enumerate(source, 1):
                if number > RECORDS:
                    raise ValueError(f"it has more than {RECORDS} records")
                # a spreadsheet's record has the number of its row
                lines.append(int(record.id) if driver in _SHEETS else number)
                records.append(_record(record, header))
                if driver in _SHEETS:
                    records[-1] = [*map(as_typed, records[-1])]
    return layers, (header, lines, records)


def _content_fault(path: Path, driver: str, start: bytes) -> str | None:
    """Return why a file is not what its extension says, or ``None``."""
    try:
        with path.open("rb") as stream:
            head = stream.read(64)
        blanks = b" \t\r\n" if start in (b"{", b"<") else b""
        head = head.removeprefix(b"\xef\xbb\xbf").lstrip(blanks)
        if not head.lower().startswith(start.lower()):
            return "its first bytes are another format's"
    except (OSError, RuntimeError) as error:
        return str(error)
    return None


def _name_layers(layer: str | None, layers: list[str], problems: Problems, place: TomlText) -> None:
    """Say that a layer has to be chosen, or that there is none of its name."""
    names = ", ".join(map(shown, layers[:20]))
    line = place.line("survey", "file" if layer is None else "layer")
    if layer is None:
        problems.add(
            "layer-needed",
            f"the field book has {len(layers)} layers",
            "survey.layer to choose one",
            f"set it to one of {names}" if layers else "check the file",
            place.file,
            line,
        )
    else:
        near = nearest(layer, layers)
        problems.add(
            "layer-unknown",
            f"the field book has no layer {shown(layer)}",
            f"one of {names}",
            did_you_mean(near, "correct survey.layer"),
            place.file,
            line,
        )


def _record(record: Any, header: list[str]) -> list[str]:
    """Return the cells of a record, then its point's coordinates, blank where there are none."""
    cells = [_text(record.properties[name]) for name in header]
    at: tuple[float, ...] = ()
    shape = record.geometry
    if shape is not None and shape.type in ("Point", "3D Point"):
        at = tuple(shape.coordinates)
    elif shape is not None and shape.type == "MultiPoint" and len(shape.coordinates) == 1:
        at = tuple(shape.coordinates[0])
    return cells + [_text(at[i]) if i < len(at) else "" for i in range(3)]


def _text(value: object) -> str:
    """Return a cell as it would be typed: whole numbers without a decimal point."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)
