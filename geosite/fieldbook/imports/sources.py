"""Opening exports: text tables, spreadsheets with a walk on each sheet, layers of points."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from geosite.base.problems import Problems, did_you_mean, nearest, shown
from geosite.fieldbook.imports.headers import (
    DIRECTIONS,
    header_rows,
    plain_header,
    position_columns,
    role_of,
)
from geosite.fieldbook.imports.model import Answers, Source
from geosite.reading.delimited import TextTable, columns_of_numbers, split_table
from geosite.reading.files import read_plain_file
from geosite.reading.foreign import harmless, open_options, reading_layers, within_limits
from geosite.reading.table_layers import is_layer_file, open_layer
from geosite.reading.toml_lines import TomlText
from geosite.reading.written_numbers import Decimal, as_number

__all__ = ["open_sources"]

LARGEST = 200_000_000
"""Bytes of a text table."""


def open_sources(
    paths: Sequence[Path], answers: Answers, problems: Problems
) -> tuple[tuple[Source, ...], tuple[str, ...]]:
    """Open every table of every file; what is wrong goes into `problems`.

    Returns
    -------
    sources
    passed_over
        Sheets beside others in which no row has three numbers, or whose header names no axis while
        another names all three: notes, a list of what to buy.
    """
    found: list[Source] = []
    passed_over: list[str] = []
    known: list[str] = []
    stems = [path.stem for path in paths]
    for path, stem in zip(paths, stems, strict=True):
        # two files of one name in two folders are two walks
        label = stem if stems.count(stem) == 1 else f"{path.parent.name}-{stem}"
        file = str(path)
        if is_layer_file(path):
            before = len(problems)
            layers = _layer_names(path)
            known += layers
            wanted = [layer for layer in layers if layer in answers.layers]
            if len(layers) > 1 and answers.layers and not wanted:
                continue
            sheets = _sheets(path, file, label, layers, wanted, problems)
            if not sheets and len(problems) == before:
                problems.add(
                    "no-rows",
                    "it has no row below its header",
                    "a table with x, y and z in every row",
                    "check that the export went through",
                    file,
                )
            walks = sheets if wanted else _with_coordinates(sheets, answers)
            passed_over += [sheet.file for sheet in sheets if sheet not in walks]
            found += walks
            continue
        data = read_plain_file(path, file, "the export", LARGEST, problems)
        if data is None:
            continue
        table = split_table(data, file, problems, answers.decimal)
        if table is not None:
            found.append(Source(file, label, table))
    for layer in answers.layers:
        if layer not in known:
            problems.add(
                "layer-unknown",
                f"no file has a sheet or layer {shown(layer)}",
                f"one of {', '.join(map(shown, known[:20]))}" if known else "a file that has some",
                did_you_mean(nearest(layer, known), "correct --layer"),
            )
    return tuple(found), tuple(passed_over)


def _with_coordinates(sheets: list[Source], answers: Answers) -> list[Source]:
    """Return the sheets that may be walks; all where none is surer than the others."""
    walks = [sheet for sheet in sheets if _has_coordinates(sheet.table)] or sheets
    if answers.columns.keys() & {"x", "y", "z"}:
        return walks
    axes = [_axes_named(sheet.table) for sheet in walks]
    if 3 not in axes:
        return walks
    marks = {
        cell for s, n in zip(walks, axes, strict=True) if n == 3 for cell in _marks_named(s.table)
    }
    # a walk under a header of other words visits the same two marks
    return [
        sheet
        for sheet, named in zip(walks, axes, strict=True)
        if named is None or named > 1 or len(marks & {c for r in sheet.table.rows for c in r}) > 1
    ]


def _marks_named(table: TextTable) -> set[str]:
    """Return the marks of a table whose header says which column has them."""
    header, first = _header_of(table)
    meant = [role_of(name) for name in header or ()]
    columns = [i for i, one in enumerate(meant) if one is not None and one[0] == "point"]
    return {row[i] for row in table.rows[first:] for i in columns} - {""}


def _axes_named(table: TextTable) -> int | None:
    """Return how many axes the header names, ``None`` without a header or where it has angles."""
    header, _ = _header_of(table)
    if header is None or any(plain_header(name) in DIRECTIONS for name in header):
        return None
    meant = {one[0] for name in header if (one := role_of(name)) is not None}
    return max(len(meant & {"x", "y", "z"}), len(position_columns(header)))


def _header_of(table: TextTable) -> tuple[Sequence[str] | None, int]:
    """Return the header, ``None`` where there is none, and the number of the first row below."""
    decimal = table.decimal or "."
    header, _, first = header_rows(table.rows, columns_of_numbers(table.rows, decimal), decimal)
    return header, first


def _has_coordinates(table: TextTable) -> bool:
    """Tell whether any row has three numbers."""
    decimal = table.decimal or "."
    return any(sum(as_number(c, decimal) is not None for c in row) >= 3 for row in table.rows)


def _sheets(
    path: Path,
    file: str,
    label: str,
    layers: Sequence[str],
    wanted: Sequence[str],
    problems: Problems,
) -> list[Source]:
    found = []
    chosen: list[str | None] = [*(wanted or layers)] if len(layers) > 1 else [None]
    for layer in chosen:
        rows = open_layer(path, file, layer, problems, TomlText(file, ""))
        if rows is None:
            continue
        cells: list[tuple[str, ...]] = []
        lines: list[int] = []
        for at, columns in rows.chunks:
            lines += at
            cells += list(zip(*columns, strict=True))
        if not cells:
            continue  # an empty sheet
        several = len(layers) > 1
        numbers = (rows.header_line or 1, *lines)
        table = TextTable(
            (tuple(rows.header), *cells),
            numbers,
            # blank rows of a sheet are not read
            frozenset(at for at, (a, b) in enumerate(pairwise(numbers), 1) if b > a + 1),
            decimal=_decimal(cells),
            encoding="a sheet" if path.suffix.lower() in (".xlsx", ".ods") else "a layer",
        )
        name = f"{file}, {layer}" if several else file
        found.append(Source(name, str(layer) if several else label, table))
    return found


def _decimal(cells: Sequence[Sequence[str]]) -> Decimal:
    """Return the mark of numbers that a spreadsheet keeps as text."""
    texts = [c for row in cells for c in row]
    points = sum(as_number(c, ".") is not None and "." in c for c in texts)
    commas = sum(as_number(c, ",") is not None and "," in c for c in texts)
    return "," if commas > points else "."


def _layer_names(path: Path) -> list[str]:
    def read() -> list[str]:
        import fiona

        with reading_layers():
            return [str(name) for name in fiona.listlayers(safe, **open_options(safe))]

    try:
        with harmless(path.resolve()) as safe:
            return within_limits(read)
    except (OSError, ValueError):
        return []  # told when it is opened
