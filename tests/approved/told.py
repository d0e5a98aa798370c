"""What a hand-over folder tells, as text: every file, without what repeats.

The text is for a person who reads what a change did to the files, and for a comparison that must
hold on other processors: numbers are shortened, many of them are told by their sum and a few.
"""

from __future__ import annotations

import csv
import ctypes
import io
import json
import re
import sqlite3
import struct
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import rasterio
import shapely

__all__ = ["folder_told", "short"]

MANY = 10
"""Numbers from which a list is told by its sum."""

WIDE = 150
"""Letters of a line of JSON, and of one that tells a look."""


def folder_told(folder: Path, without: Sequence[str] = ()) -> dict[str, str]:
    """Text of each file of a folder by the name it is approved under.

    Parameters
    ----------
    folder
    without
        Patterns of files that another case tells.
    """
    paths = sorted(p for p in folder.rglob("*") if p.is_file())
    told = {"files.txt": "".join(f"{p.relative_to(folder).as_posix()}\n" for p in paths)}
    paths = [p for p in paths if not any(p.match(pattern) for pattern in without)]
    for suffix, many in GATHERED.items():
        chosen = [p for p in paths if p.suffix == suffix]
        if chosen:
            told[f"all{suffix}.txt"] = many(folder, chosen)
    for path in paths:
        if path.suffix in TOLD and path.parent == folder:
            told[f"{path.name}.txt" if path.suffix != ".txt" else path.name] = "".join(
                f"{line}\n" for line in TOLD[path.suffix](path)
            )
    return told


def short(number: float) -> str:
    """A number without the digits that nobody reads: four decimals, six digits below one."""
    if not np.isfinite(number):
        return str(number)
    if abs(number) < 1e-9:
        return "0"
    return f"{number:.6g}" if abs(number) < 1 else f"{round(float(number), 4)!r}".removesuffix(".0")


LONG = re.compile(r"-?\d+\.\d{5,}(?:e[-+]?\d+)?|-?\d+(?:\.\d+)?e[-+]?\d+")


def shortened(text: str) -> str:
    """Text with all long numbers shortened."""
    return LONG.sub(lambda found: short(float(found[0])), text)


def summed(numbers: Sequence[float]) -> str:
    """Many numbers: how many, what they add up to, the first ones."""
    first = ", ".join(map(short, numbers[:3]))
    return f"{len(numbers)} numbers, sum {short(float(np.nansum(numbers)))}: {first} ..."


# --- texts and tables ------------------------------------------------------------------------


def _text(path: Path) -> Iterator[str]:
    yield from shortened(path.read_text(encoding="utf-8")).splitlines()


def _table(path: Path) -> Iterator[str]:
    for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8"))):
        yield ",".join(shortened(cell) for cell in row)


def json_lines(value: Any, indent: str = "") -> Iterator[str]:
    """JSON with what is short on one line."""
    line = _one_line(value)
    if len(indent) + len(line) <= WIDE or not isinstance(value, dict | list):
        yield indent + line
        return
    for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
        inside = list(json_lines(inner, f"{indent} "))
        if len(inside) == 1:
            yield f"{indent}{key}: {inside[0].strip()}"
        else:
            yield f"{indent}{key}:"
            yield from inside


def _one_line(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_one_line(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        numbers = list(_numbers(value))
        if len(numbers) > MANY:
            return summed(numbers)
        return "[" + ", ".join(_one_line(inner) for inner in value) + "]"
    return short(value) if isinstance(value, float) else json.dumps(value, ensure_ascii=False)


def _numbers(value: Any) -> Iterator[float]:
    """Yield the numbers of nested lists; one only where there is something else in them."""
    if isinstance(value, list):
        for inner in value:
            if isinstance(inner, list | int | float) and not isinstance(inner, bool):
                yield from _numbers(inner)
            else:
                return
    else:
        yield value


def _json(path: Path) -> Iterator[str]:
    found = json.loads(path.read_text(encoding="utf-8"))
    if path.name == "MANIFEST.json":  # READ_FIRST.txt tells the purposes, and sizes change
        found["files"] = len(found["files"])
    yield from json_lines(found)


def _geojson(path: Path) -> Iterator[str]:
    """The head and the first feature of each layer; the GeoPackage tells all of them."""
    found = json.loads(path.read_text(encoding="utf-8"))
    features = found.pop("features")
    yield from json_lines(found)
    counted = Counter(feature["properties"]["layer"] for feature in features)
    for layer, number in counted.items():
        first = next(f for f in features if f["properties"]["layer"] == layer)
        corners = shapely.get_coordinates(shapely.from_geojson(json.dumps(first["geometry"])))
        places = ", ".join(f"{x:.8f} {y:.8f}" for x, y in corners[:2])
        yield f"{layer}: {number}, the first: {first['geometry']['type']} {places}"
        yield from json_lines(first["properties"], " ")


# --- layers ----------------------------------------------------------------------------------

ABOUT = ("gpkg_metadata", "layer_styles", "sqlite_sequence", "gpkg_ogr_contents",
         "gpkg_data_columns", "gpkg_spatial_ref_sys", "gpkg_extensions")  # fmt: skip
"""Tables of a GeoPackage whose text stands in files of their own, or is another library's."""


def _geopackage(path: Path) -> Iterator[str]:
    connection = sqlite3.connect(path)
    names = [n for (n,) in connection.execute("select name from sqlite_master where type='table'")]
    for name in sorted(names):
        if name in ABOUT or name.startswith("rtree_") or path.with_name(f"{name}.csv").exists():
            continue
        rows = connection.execute(f'select * from "{name}"')
        columns = [about[0] for about in rows.description]
        yield f"== {name}: {', '.join(columns)}"
        for row in rows:
            cells = [
                "(date)" if column == "last_change" else _cell(value)
                for column, value in zip(columns, row, strict=True)
            ]
            yield " | ".join(cells)
    connection.close()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bytes):
        return _shape(value) if value[:2] == b"GP" else f"{len(value)} bytes"
    text = short(value) if isinstance(value, float) else shortened(str(value))
    return text if len(text) <= 400 else f"{text[:100]} ... {len(text)} letters"


def _shape(blob: bytes) -> str:
    bounds = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(blob[3] >> 1) & 7]
    code = struct.unpack_from("<I", blob, 9 + bounds)[0]
    if code % 1000 in CURVES:
        return _curve(blob, 8 + bounds)[0]
    shape = shapely.from_wkb(blob[8 + bounds :])
    corners = shapely.get_coordinates(shape, include_z=True)
    places = [" ".join(f"{number:.3f}" for number in corner if corner.size) for corner in corners]
    if len(places) <= MANY // 2:
        return f"{shape.geom_type} {', '.join(places)}"
    total = " ".join(f"{number:.3f}" for number in np.nan_to_num(corners).mean(axis=0))
    return (
        f"{shape.geom_type} of {len(places)}, mean {total}, length {shape.length:.3f}, area"
        f" {shape.area:.3f}: {places[0]} ..."
    )


CURVES = {2: "line", 8: "arcs", 9: "curve of", 10: "area of", 11: "curves", 12: "areas"}


def _curve(blob: bytes, at: int) -> tuple[str, int]:
    """A curve of well-known binary (ISO 19125, SQL/MM), and where it ends."""
    code, number = struct.unpack_from("<II", blob, at + 1)
    at += 9
    size = 3 if code // 1000 in (1, 2) else 2
    if code % 1000 in (2, 8):
        corners = np.frombuffer(blob, "<f8", number * size, at).reshape(number, size)
        places = [" ".join(f"{one:.3f}" for one in corner) for corner in corners]
        return f"{CURVES[code % 1000]} {', '.join(places)}", at + 8 * number * size
    parts = []
    for _ in range(number):
        part, at = _curve(blob, at)
        parts.append(part)
    return f"{CURVES[code % 1000]} ({'; '.join(parts)})", at


def _raster(path: Path) -> Iterator[str]:
    with rasterio.open(path) as file:
        yield f"{file.width} x {file.height}, {file.dtypes}, {file.crs.to_string()[:40]}"
        yield f"{tuple(map(short, file.transform))}, nodata {file.nodata}, {file.units}"
        yield f"{file.descriptions}, {file.colorinterp}, {file.scales}, {file.offsets}"
        tags = {**file.tags(), **file.tags(1), **file.tags(ns="IMAGE_STRUCTURE")}
        for key, value in sorted(tags.items()):
            yield f"{key}: {shortened(value)}"
        for band in range(1, file.count + 1):
            cells = file.read(band, masked=True).astype(float).filled(np.nan)
            valid = cells[np.isfinite(cells)]
            if not valid.size:
                yield "no cell has a value"
                continue
            yield f"{valid.size} cells, {valid.min():.4f} to {valid.max():.4f}, {valid.sum():.3f}"
            step = max(1, round((cells.size / 60) ** 0.5))
            for row in cells[::step, ::step]:
                yield " ".join("." if np.isnan(cell) else short(cell) for cell in row)


# --- drawings --------------------------------------------------------------------------------

NUMERAL = re.compile(r"-?\d+(?:\.\d+)?")


def _svg(path: Path) -> Iterator[str]:
    """Words with their places and sizes, and per look what is drawn, by sums of its numbers."""
    root = ElementTree.fromstring(path.read_text(encoding="utf-8"))
    yield f"{root.get('width')} x {root.get('height')}, {root.get('viewBox')}"
    drawn: dict[str, list[float]] = {}
    parts: Counter[str] = Counter()

    def told(node: ElementTree.Element, group: str) -> Iterator[str]:
        kind = node.tag.rpartition("}")[2]
        look = {k: v for k, v in node.attrib.items() if not (k == "d" or k in PLACES)}
        about = " ".join(f"{k}={v}" for k, v in look.items() if k not in QUIET)
        place = " ".join(str(node.get(key)) for key in PLACES if node.get(key) is not None)
        if kind in ("title", "desc", "text", "tspan"):
            yield f"{kind} {place} {about}: {''.join(node.itertext())}"
            return
        if kind == "style":
            return
        if kind == "path":
            key = f"{group} {about}"
            parts[key] += 1
            numbers = [float(n) for n in NUMERAL.findall(node.get("d", ""))]
            drawn.setdefault(key, []).extend(numbers)
        elif kind != "g" or about:
            yield f"{kind} {place} {about}"
        for inner in node:
            yield from told(inner, node.get("id", group))

    yield from told(root, "")
    for key, numbers in drawn.items():
        even, odd = sum(numbers[::2]), sum(numbers[1::2])
        yield f"{parts[key]} paths {key}: {len(numbers)} numbers, {even:.3f} and {odd:.3f}"


PLACES = ("x", "y", "width", "height", "font-size")
QUIET = ("lengthAdjust", "paint-order", "stroke-linejoin", "viewBox")


def _pdf(path: Path) -> Iterator[str]:
    """Each page: the words with place and size, and what is drawn in each colour, in sums."""
    paper = pypdfium2.PdfDocument(path)
    about = {key: value for key, value in paper.get_metadata_dict().items() if value}
    yield ", ".join(f"{key}: {value}" for key, value in about.items())
    for entry in paper.get_toc():
        yield f"bookmark {entry.level} {entry.get_title()}"
    for number, page in enumerate(paper, start=1):
        yield f"-- page {number}: {page.get_width():.2f} x {page.get_height():.2f}"
        drawn: dict[str, list[tuple[float, ...]]] = {}
        words = page.get_textpage()
        is_told = number == 1 and path.with_suffix(".svg").exists()
        for part in page.get_objects(max_depth=4):
            box = _box(part)
            if part.type == pdfium.FPDF_PAGEOBJ_TEXT:
                text, size = _word(part, words)
                if text and not is_told:  # without text it is the light line round the letters
                    yield f"{box[0]:.1f} {box[1]:.1f} {size:.2f} {text}"
            else:
                drawn.setdefault(_look(part), []).append(box)
        for look, boxes in drawn.items():
            sums = " ".join(f"{total:.2f}" for total in np.sum(boxes, axis=0))
            yield f"{len(boxes)} {look}: {sums}"
    paper.close()


def _box(part: Any) -> tuple[float, ...]:
    """Left, bottom, right, top; of a path by its points, as versions differ in its corners."""
    if part.type == pdfium.FPDF_PAGEOBJ_PATH:
        points = [_point(part, k) for k in range(pdfium.FPDFPath_CountSegments(part))]
        placed = [part.get_matrix().on_point(*point) for point in points]
        return (*map(min, zip(*placed, strict=True)), *map(max, zip(*placed, strict=True)))
    sides = [ctypes.c_float() for _ in range(4)]
    pdfium.FPDFPageObj_GetBounds(part, *sides)
    return tuple(side.value for side in sides)


def _point(path: Any, number: int) -> tuple[float, float]:
    x, y = ctypes.c_float(), ctypes.c_float()
    pdfium.FPDFPathSegment_GetPoint(pdfium.FPDFPath_GetPathSegment(path, number), x, y)
    return x.value, y.value


def _word(part: Any, words: Any) -> tuple[str, float]:
    size = ctypes.c_float()
    pdfium.FPDFTextObj_GetFontSize(part, size)
    length = pdfium.FPDFTextObj_GetText(part, words, None, 0)
    buffer = ctypes.create_string_buffer(length)
    raw = ctypes.cast(buffer, ctypes.POINTER(ctypes.c_ushort))
    pdfium.FPDFTextObj_GetText(part, words, raw, length)
    return buffer.raw.decode("utf-16-le").rstrip("\0"), size.value


def _look(part: Any) -> str:
    colours = []
    for get in (pdfium.FPDFPageObj_GetFillColor, pdfium.FPDFPageObj_GetStrokeColor):
        four = [ctypes.c_uint() for _ in range(4)]
        get(part, *four)
        colours.append("".join(f"{one.value:02x}" for one in four[:3]))
    width = ctypes.c_float()
    pdfium.FPDFPageObj_GetStrokeWidth(part, width)
    kind = {2: "paths", 3: "pictures", 4: "shadings"}.get(part.type, "parts")
    return f"{kind} {colours[0]} {colours[1]} {width.value:.2f}"


def _viewer(path: Path) -> Iterator[str]:
    page = path.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="site">(.*?)</script>', page, re.S)
    if found is not None:
        yield from json_lines(_thinned(json.loads(found[1])))
    else:
        body = re.sub(r"<(script|style)\b.*?</\1>", "", page, flags=re.S)
        yield from (line.strip() for line in shortened(body).splitlines() if line.strip())


def _thinned(value: Any) -> Any:
    """Cells of a raster by how many there are; of many features alike the first ones."""
    if isinstance(value, dict):
        return {key: _thinned(inner) for key, inner in value.items()}
    if isinstance(value, list) and len(value) > 4 and isinstance(value[0], dict):
        return [f"{len(value)}, the first:", *map(_thinned, value[:3])]
    if isinstance(value, list):
        return [_thinned(inner) for inner in value]
    if isinstance(value, str) and len(value) > 1000:
        return f"{len(value)} letters"
    return value


def _dxf(path: Path) -> Iterator[str]:
    """Layers, and a line per entity without its handles."""
    lines = path.read_text(encoding="utf-8").splitlines()
    pairs = [
        (int(code), value.strip()) for code, value in zip(lines[::2], lines[1::2], strict=True)
    ]
    starts = [k for k, (code, _) in enumerate(pairs) if code == 0]
    section, variable = "", re.compile(r"\$(INSUNITS|ACADVER|EXT|LUNITS|MEASUREMENT|LTSCALE)")
    for (_, kind), start, end in zip(
        (pairs[k] for k in starts), starts, [*starts[1:], len(pairs)], strict=True
    ):
        inside = pairs[start + 1 : end]
        if kind in ("VERTEX", "SEQEND"):
            continue  # told with its line
        if kind == "POLYLINE":
            while pairs[end][1] == "VERTEX":
                following = next(k for k in range(end + 1, len(pairs)) if pairs[k][0] == 0)
                inside += [pair for pair in pairs[end + 1 : following] if pair[0] in XYZ]
                end = following
        if kind == "SECTION":
            section = inside[0][1]
            for k, (code, value) in enumerate(inside):
                if code == 9 and variable.match(value):
                    yield f"{value} {' '.join(shortened(v) for _, v in inside[k + 1 : k + 4])}"
        is_look = section == "TABLES" and kind in ("LAYER", "LTYPE", "STYLE", "VPORT")
        if is_look or (section == "ENTITIES" and kind != "ENDSEC"):
            values = [f"{c}={shortened(v)}" for c, v in inside if c not in HANDLES]
            if len(values) > 24:
                numbers = [float(v) for c, v in inside if 10 <= c <= 59]
                texts = [f"{c}={v}" for c, v in inside if c < 10 and c not in HANDLES]
                values = [*texts, summed(numbers)]
            yield f"{kind} {' '.join(values)}"


XYZ = (10, 20, 30)
HANDLES = (5, 100, 102, 105, 330, 360, 390, 347, 348)


def _spreadsheet(path: Path) -> Iterator[str]:
    """Columns of each sheet: header, width, form of the numbers, first cell; .csv has all rows."""
    from openpyxl import load_workbook

    book = load_workbook(path)
    yield f"{book.properties.title} | {book.properties.creator}"
    for sheet in book:
        setup = sheet.page_setup
        yield (
            f"== {sheet.title}: {sheet.dimensions}, rows held {sheet.freeze_panes}, filter"
            f" {sheet.auto_filter.ref}, repeated {sheet.print_title_rows}"
            f" {sheet.print_title_cols}, {setup.orientation} {setup.paperSize} {setup.fitToWidth}"
            f" {setup.fitToHeight}, {sheet.oddHeader.left.text} {sheet.oddFooter.left.text}"
            f" {sheet.oddFooter.right.text}"
        )
        widths = sheet.column_dimensions
        for column in sheet.iter_cols(max_row=min(sheet.max_row, 3)):
            letter = column[0].column_letter
            about = widths.get(letter)
            folded = "" if about is None or not about.hidden else ", hidden"
            width = "" if about is None or not about.customWidth else f"{about.width:.2f}"
            cells = " | ".join(_cell(cell.value) for cell in column)
            yield f"{letter} {width}{folded} {column[-1].number_format}: {cells}"


def _picture(path: Path) -> Iterator[str]:
    head = path.read_bytes()[:33]
    yield "{} x {} dots".format(*struct.unpack(">II", head[16:24]))


def _archive(path: Path) -> Iterator[str]:
    with zipfile.ZipFile(path) as file:
        yield from file.namelist()


# --- looks -----------------------------------------------------------------------------------


def _looks(folder: Path, paths: Iterable[Path]) -> str:
    """Per file the lines that no file before it has, with how often they occur."""
    seen: set[str] = set()
    told = []
    for path in paths:
        lines = [line.strip() for line in path.read_text(encoding="utf-8").splitlines()]
        told.append(f"== {path.relative_to(folder).as_posix()}: {len(lines)} lines")
        for line, number in Counter(lines).items():
            if line not in seen:
                told.append(f"{number} x {shortened(line)[:WIDE]}")
        seen.update(lines)
    return "\n".join(told) + "\n"


TOLD: Mapping[str, Callable[[Path], Iterator[str]]] = {
    ".txt": _text,
    ".xml": _text,
    ".prj": _text,
    ".toml": _text,
    ".csv": _table,
    ".json": _json,
    ".geojson": _geojson,
    ".gpkg": _geopackage,
    ".tif": _raster,
    ".svg": _svg,
    ".pdf": _pdf,
    ".html": _viewer,
    ".dxf": _dxf,
    ".xlsx": _spreadsheet,
    ".png": _picture,
    ".zip": _archive,
}

GATHERED: Mapping[str, Callable[[Path, Iterable[Path]], str]] = {
    ".sld": _looks,
    ".qml": _looks,
    ".qgs": _looks,
}
