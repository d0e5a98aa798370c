"""Rows of a field book, as text: from CSV, or from any table or point layer that OGR reads."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Literal

from geosite.base.problems import Problems, did_you_mean, nearest, one_line, shown
from geosite.reading.files import as_utf8, check_plain_file, decode, read_plain_file
from geosite.reading.foreign import (
    driver_names,
    harmless,
    open_options,
    reading_layers,
    within_limits,
)
from geosite.reading.spreadsheets import open_formulas
from geosite.reading.toml_lines import TomlText

__all__ = ["Rows", "is_layer_file", "open_csv", "open_layer", "text_rows"]

SIZE_LIMIT = 200_000_000
BLOCK = 2_000_000
"""Bytes cut at a time."""
LINES = 5_000_000
LONGEST = 1_000_000
"""Most lines of a text, most bytes of a line that does not fit into a block."""
RECORDS = 1_000_000
"""Most records of a layer: they are held one by one."""
LINE_LIMIT = 100_000
"""Characters looked through for the header."""
ROWS = 4096
"""Rows with quoted cells read at a time: many small lists alive at once are slow to collect."""

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

_COMMA_NUMBER = re.compile(
    r"[+-]?(?:\d*|\d{1,3}(?:[. \u00a0\u202f']\d{3})+),\d+(?:[eE][+-]?\d+)?", re.ASCII
)
_POINT_NUMBER = re.compile(
    r"[+-]?(?:\d*|\d{1,3}(?:[, \u00a0\u202f']\d{3})+)\.\d+(?:[eE][+-]?\d+)?", re.ASCII
)
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+", re.ASCII)
"""A number whose commas may part thousands as well as the fraction."""

_SEPARATOR_LINE = re.compile(rb'"?sep=.?"?(?=[\r\n])', re.IGNORECASE)
"""First line by which a spreadsheet tells the separator."""

Chunk = tuple[Sequence[int], list[Sequence[str]]]


@dataclass(frozen=True)
class Rows:
    """A field book as text.

    Parameters
    ----------
    header
        Column names as written.
    header_line
        Line they stand on, ``None`` where the format has no lines.
    chunks
        Line numbers of some rows, and their cells column by column in the order of the header.
    decimal
        Mark between whole and fraction.
    """

    header: list[str]
    header_line: int | None
    chunks: Iterator[Chunk]
    decimal: Literal[".", ","] = "."


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


def _named_in(place: TomlText) -> tuple[str, int | None]:
    return place.file, place.line("survey", "file")


def open_csv(path: Path, file: str, problems: Problems, place: TomlText) -> Rows | None:
    """Open a text table; what is wrong goes into `problems`.

    UTF-8 or UTF-16; commas, semicolons, tabs or bars between the columns; decimal points, or
    decimal commas where the columns are not separated by commas or the numbers stand in quotes.
    """
    data = read_plain_file(path, file, "the field book", SIZE_LIMIT, problems, _named_in(place))
    return None if data is None else text_rows(data, file, problems)


def text_rows(data: bytes, file: str, problems: Problems) -> Rows | None:
    r"""Cut the bytes of a text table into rows, as `open_csv` does with those of a file.

    Parameters
    ----------
    data
        UTF-8 or UTF-16.
    file
        How to call it in messages.
    problems
        Receives what is wrong; rows that are not as long as the header are left out.

    Examples
    --------
    Decimal commas between semicolons are found out, and cells come column by column:

    >>> rows = text_rows(b"point;z\nA;1,25\nB;1,50\n", "levels.csv", Problems())
    >>> rows.header, rows.decimal
    (['point', 'z'], ',')
    >>> list(rows.chunks)
    [(range(2, 4), [['A', 'B'], ['1,25', '1,50']])]
    """
    data = as_utf8(data)
    if not decode(data, file, "field book", problems):
        return None
    data = data.removeprefix(b"\xef\xbb\xbf")
    if (told := _SEPARATOR_LINE.match(data)) is not None:
        # blank, so that the lines keep their numbers
        data = b" " * (told.end() - told.start()) + data[told.end() :]
    if max(data.count(b"\n"), data.count(b"\r")) > LINES:
        problems.add(
            "too-many-rows",
            f"the field book has more than {LINES:,} lines",
            "fewer",
            "split the survey, or thin the streamed rows",
            file,
        )
        return None
    sample = data[:LINE_LIMIT].decode("utf-8", errors="ignore")
    separator = _separator(sample, file, problems)
    if separator is None:
        return None
    decimal = _decimal(sample, separator)
    if b'"' in data:
        return _open_quoted(data, separator, decimal, file, problems)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    header: list[str] = []
    start, line = 0, 0
    while start < len(data) and not "".join(header).strip():
        end = data.find(b"\n", start)
        end = len(data) if end < 0 else end
        line += 1
        header = data[start:end].decode("utf-8").split(separator)
        start = end + 1
    chunks = _plain_chunks(data, start, line + 1, len(header), separator, file, problems)
    return Rows(header, line, chunks, decimal)


def _decimal(sample: str, separator: str) -> Literal[".", ","]:
    """Return the decimal mark: a comma where cells are numbers with commas, none with points.

    Between commas a number with a comma stands in quotes, and may come from a spreadsheet that
    parts thousands: one comma that cannot do that tells.
    """
    rows = [row.split(separator) for row in sample.splitlines()[1:]]
    if '"' in sample:
        with suppress(csv.Error):  # told with its line when the rows are read
            rows = list(csv.reader(io.StringIO(sample, newline=""), delimiter=separator))[1:]
    cells = [cell.strip() for row in rows for cell in row]
    commas = [cell for cell in cells if _COMMA_NUMBER.fullmatch(cell)]
    points = any(_POINT_NUMBER.fullmatch(cell) for cell in cells)
    if separator == ",":
        commas = [cell for cell in commas if not _GROUPED.fullmatch(cell)]
    return "," if commas and not points else "."


def _plain_chunks(
    data: bytes,
    start: int,
    line: int,
    width: int,
    separator: str,
    file: str,
    problems: Problems,
) -> Iterator[Chunk]:
    """Cut rows without quotes. Splitting whole blocks takes a third of a row-by-row reader's time.

    Every line break becomes a cell of its own: if each ``width + 1``-th cell is one, all rows are
    as long as the header.
    """
    blank_row = re.compile(rf"\n[ \t{re.escape(separator)}]*\n")
    while start < len(data):
        end = data.rfind(b"\n", start, start + BLOCK) + 1
        if end <= start:
            end = data.find(b"\n", start) + 1 or len(data)
            if end - start > LONGEST:
                problems.add(
                    "row-length",
                    f"the row has {end - start} characters",
                    f"at most {LONGEST}",
                    "export the field book again",
                    file,
                    line,
                )
                return
        block = data[start:end].decode("utf-8")
        if not block.endswith("\n"):
            block += "\n"
        start = end
        count = block.count("\n")
        lines = range(line, line + count)
        line += count
        cells = block.replace("\n", f"{separator}\n{separator}").split(separator)
        cells.pop()
        even = len(cells) == count * (width + 1) and cells[width :: width + 1].count("\n") == count
        if even and not blank_row.search("\n" + block):
            yield lines, [cells[i :: width + 1] for i in range(width)]
        else:
            rows = [text.split(separator) for text in block[:-1].split("\n")]
            yield _even(lines, rows, width, separator, file, problems)


def _open_quoted(
    data: bytes, separator: str, decimal: Literal[".", ","], file: str, problems: Problems
) -> Rows | None:
    text = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", newline="")
    reader = csv.reader(text, delimiter=separator, strict=True)
    line = 1
    header: list[str] = []
    try:
        for header in reader:
            if "".join(header).strip():
                break
            line = reader.line_num + 1
    except csv.Error as error:
        from geosite.reading.faulty_rows import row_unreadable

        row_unreadable(error, separator, file, line, reader.line_num, problems)
        return None
    return Rows(header, line, _quoted_chunks(reader, len(header), file, problems), decimal)


def _quoted_chunks(reader: Any, width: int, file: str, problems: Problems) -> Iterator[Chunk]:
    # most field books have no quotes
    from geosite.reading.faulty_rows import name_swallowed_row, row_unreadable

    mark = reader.dialect.delimiter
    fault: csv.Error | None = None
    while fault is None:
        rows: list[list[str]] = []
        ends = [reader.line_num]
        try:
            for row in islice(reader, ROWS):
                rows.append(row)
                ends.append(reader.line_num)
        except csv.Error as error:
            fault = error
        if not rows and fault is None:
            return
        if ends[-1] - ends[0] > len(rows):  # some have several lines
            for row, start, end in zip(rows, ends[:-1], ends[1:], strict=True):
                name_swallowed_row(row, mark, file, start + 1, end, problems)
        yield _even([end + 1 for end in ends[:-1]], rows, width, mark, file, problems)
        if fault is not None:
            row_unreadable(fault, mark, file, ends[-1] + 1, reader.line_num, problems)


def _separator(start: str, file: str, problems: Problems) -> str | None:
    """Return what separates the columns in the first row that is not blank."""
    for row in start.splitlines():
        if not row.strip(", \t\"';|"):
            continue
        counts = {mark: row.count(mark) for mark in (",", ";", "\t", "|")}
        return max(counts, key=lambda mark: counts[mark])
    problems.add(
        "file-empty",
        "the field book is empty",
        "a header and one row per observation",
        "check that the export or copy went through",
        file,
    )
    return None


def _even(
    lines: Sequence[int],
    rows: list[list[str]],
    width: int,
    separator: str,
    file: str,
    problems: Problems,
) -> Chunk:
    """Turn rows into columns; drop blank rows, report those that are not as long as the header."""
    kept_lines: list[int] = []
    kept: list[list[str]] = []
    for line, row in zip(lines, rows, strict=True):
        if problems.full:
            break
        if not "".join(row).strip():
            continue
        if len(row) > width and not "".join(row[width:]).strip():
            row = row[:width]
        if len(row) == width:
            kept_lines.append(line)
            kept.append(row)
            continue
        from geosite.reading.faulty_rows import row_uneven

        row_uneven(len(row), width, separator, file, line, problems)
    return kept_lines, _columns(kept, width)


def _columns(rows: list[list[str]], width: int) -> list[Sequence[str]]:
    return list(zip(*rows, strict=True)) if rows else [()] * width


def open_layer(
    path: Path,
    file: str,
    layer: str | None,
    problems: Problems,
    place: TomlText,
) -> Rows | None:
    """Open a table or point layer; what is wrong goes into `problems`."""
    driver, start = _FORMATS[path.suffix.lower()]
    if not check_plain_file(path, file, "the field book", SIZE_LIMIT, problems, _named_in(place)):
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
    if driver in _SHEETS:
        _name_formulas(open_formulas(path, layer), lines, records)
    taken = {"".join(name.split()).casefold() for name in header}
    placed = [
        i for i in range(3) if "xyz"[i] not in taken and any(r[len(header) + i] for r in records)
    ]
    keep = [*range(len(header)), *(len(header) + i for i in placed)]
    filled = [i for i, record in enumerate(records) if "".join(record).strip()]
    rows = [[records[i][k] for k in keep] for i in filled]
    lines = [lines[i] for i in filled]
    return Rows(
        [*header, *("xyz"[i] for i in placed)], None, iter([(lines, _columns(rows, len(keep)))])
    )


def _name_formulas(
    formulas: Mapping[tuple[int, int], str], lines: Sequence[int], records: list[list[str]]
) -> None:
    """Put formulas without a value where they stand, to be told as what they are."""
    rows = {line: number for number, line in enumerate(lines)}
    for (line, column), words in formulas.items():
        if line in rows and column < len(records[rows[line]]) - 3:
            records[rows[line]][column] = words


_Records = tuple[list[str], list[int], list[list[str]]]
"""Header, line numbers, cells row by row."""


def _records_of(safe: Path, layer: str | None, driver: str) -> tuple[list[str], _Records | None]:
    """Return the layers of a file and the rows of one, none where it is not clear which."""
    import fiona

    lines: list[int] = []
    records: list[list[str]] = []
    options = {**open_options(safe), **({"EXPOSE_GML_ID": "NO"} if driver == "GML" else {})}
    with reading_layers(), fiona.Env(OGR_XLSX_HEADERS="FORCE", OGR_ODS_HEADERS="FORCE"):
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
