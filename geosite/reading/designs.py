"""Designs from outside: points, lines and areas with elevations, from a table or a vector layer."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.base.problems import Problems, did_you_mean, nearest, one_line, shown
from geosite.reading.faulty_rows import name_swallowed_row, row_unreadable
from geosite.reading.files import clean_name, decode, refuse_empty
from geosite.reading.foreign import (
    driver_names,
    harmless,
    open_options,
    reading_layers,
    within_limits,
)
from geosite.reading.points import NEVER_LIFTED, never_lifted

if TYPE_CHECKING:
    from shapely import Polygon

__all__ = ["Design", "DesignShape", "ShapeKind", "areas_of", "read_design"]

ShapeKind = Literal["point", "line", "area", "hole"]

_FORMATS = ["GPKG", "GeoJSON", "GeoJSONSeq", "Shapefile", "FlatGeobuf", "GML", "DXF"]
_TEXT = (".csv", ".txt", ".tsv")
_NAMES = ("point", "name", "feature", "label", "layer", "id")
_CODES = ("code", "layer")
SHAPES_LIMIT = 200_000
"""Vertices: nobody sets out or builds from more."""


@dataclass(frozen=True, eq=False)
class DesignShape:
    """One point, line or ring of a design.

    Parameters
    ----------
    name, code
        Of the feature, blank where the file gives none.
    kind
        ``"area"`` for a ring, which ends where it began; ``"hole"`` for one within the area that
        stands before it, or before its other holes.
    places : array, shape (n, 3), columns easting, northing, elevation
        Map units and elevation units; NaN where the file gives no elevation.
    line
        Of a table, counted from 1.
    """

    name: str
    code: str
    kind: ShapeKind
    places: Floats
    line: int | None = None


@dataclass(frozen=True, eq=False)
class Design:
    """What a design file holds.

    Parameters
    ----------
    file
        As the user named it.
    shapes
        File order.
    crs_wkt
        CRS of the layer, ``None`` where the file does not say (tables, drafting files).
    """

    file: str
    shapes: tuple[DesignShape, ...]
    crs_wkt: str | None


def read_design(
    file: str,
    layer: str | None = None,
    *,
    usual: Sequence[str] = ("design", "points"),
    key: str = "layer",
    in_plan: bool = False,
) -> Design:
    """Read a design.

    Parameters
    ----------
    file
        A table with the columns point, easting, northing and elevation (commas, semicolons or
        tabs, in any order; other columns are ignored), or a vector layer of points, lines or areas.
    layer
        Name of the layer, where the file holds several.
    usual
        Names of layers that are taken without being named, where the file holds several.
    key
        Input that names the layer, for messages.
    in_plan
        Whether elevations do not matter.

    Raises
    ------
    InputError
        Unreadable, columns missing, cells that are no finite numbers, nothing in it, a Z of 0
        everywhere beside a field elevation that says otherwise.

    Examples
    --------
    >>> design = read_design("sample_data/ferry_landing/design_points.csv")
    >>> [shape.name for shape in design.shapes][:4], design.shapes[0].kind
    (['1', '2', '3', '4'], 'point')
    """
    if Path(file).suffix.lower() in _TEXT:
        if layer is not None:
            raise InputError(
                Problem(
                    "layer-in-table",
                    f"a table has no layer {shown(layer)}",
                    "a layer of a vector file, or a table alone",
                    "leave the layer out",
                    file,
                )
            )
        design = Design(file, tuple(_rows(file)), None)
    else:
        design = _from_layer(file, layer, usual, key, in_plan)
    if not design.shapes:
        raise InputError(
            Problem(
                "design-empty",
                "there is nothing in it",
                "points, lines or areas of a design",
                "choose another file or layer",
                file,
            )
        )
    return design


def areas_of(shapes: Iterable[DesignShape]) -> list[Polygon]:
    """Return the areas among shapes in plan, without their holes, map units.

    Examples
    --------
    A yard of 6 m by 6 m round a bed of 2 m by 2 m:

    >>> square = np.array([[0.0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1], [0, 0, 1]])
    >>> bed = DesignShape("yard", "", "hole", 2 * square + 2)
    >>> [area.area for area in areas_of([DesignShape("yard", "", "area", 6 * square), bed])]
    [32.0]
    """
    import shapely

    found: list[tuple[Floats, list[Floats]]] = []
    for shape in shapes:
        if shape.kind == "area":
            found.append((shape.places[:, :2], []))
        elif shape.kind == "hole":
            found[-1][1].append(shape.places[:, :2])
    return [shapely.Polygon(ring, holes) for ring, holes in found]


def _rows(file: str) -> Iterator[DesignShape]:
    """Yield the points of a table; all faults are told together."""
    problems = Problems()
    data = Path(file).read_bytes()
    if not decode(data, file, "table of design points", problems):
        raise InputError(problems.first())
    text = data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    refuse_empty(text, "points of a design below the names of their columns", file)
    lines = text.split("\n")
    first = next((n for n, line in enumerate(lines) if line.strip()), 0)
    separator = max(",;\t", key=lines[first].count)
    decimal_comma = separator == ";" and "," in text and "." not in text[len(lines[first]) :]
    rows = csv.reader(io.StringIO("\n".join(lines[first:])), delimiter=separator, strict=True)
    start = first + 1
    try:
        header = [cell.strip().casefold() for cell in next(rows, [])]
        where = _columns(header, file, first + 1, problems)
        if problems:
            raise InputError(problems.first())
        found = []
        for row in rows:
            begun, line = start, first + rows.line_num
            start = line + 1
            name_swallowed_row(row, separator, file, begun, line, problems)
            if not any(cell.strip() for cell in row) or problems.full:
                continue
            cells = dict(zip(header, row, strict=False))
            place = [
                _number(cells.get(axis, ""), axis, decimal_comma, file, line, problems)
                for axis in ("easting", "northing", "elevation")
            ]
            name = clean_name(cells.get(where, "")) if where else ""
            code = clean_name(cells.get("code", ""))
            found.append(DesignShape(name, code, "point", np.array([place]), line))
    except csv.Error as error:
        row_unreadable(error, separator, file, start, first + rows.line_num, problems)
    if problems:
        raise InputError(problems.first())
    yield from found


def _columns(header: list[str], file: str, line: int, problems: Problems) -> str | None:
    """Check the header; return the column that names the points."""
    for name in ("easting", "northing"):
        if name not in header:
            close = nearest(name, [cell for cell in header if cell != "point"])
            problems.add(
                "column-missing",
                f"there is no column {name}",
                "the columns point, easting, northing and elevation",
                f'rename "{close}"' if close else "add it, or name the columns in the first line",
                file,
                line,
            )
    return next((name for name in _NAMES if name in header), None)


def _number(
    cell: str, axis: str, decimal_comma: bool, file: str, line: int, problems: Problems
) -> float:
    text = cell.strip().replace(",", ".") if decimal_comma else cell.strip()
    if not text and axis == "elevation":
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        problems.add(
            "cell-not-number",
            f"{axis} is {shown(cell) if text else 'blank'}",
            "a finite number with a decimal point",
            "correct the cell or take the row out",
            file,
            line,
        )
    return value


def _from_layer(
    file: str, layer: str | None, usual: Sequence[str], key: str, in_plan: bool
) -> Design:
    path = Path(file).resolve()
    try:
        with harmless(path) as safe:
            shapes, crs_wkt, is_flat = within_limits(
                lambda: _shapes_of(safe, lambda names: _layer(file, layer, names, usual, key))
            )
    except (OSError, ValueError, TypeError, UnicodeError) as error:
        raise InputError(
            Problem(
                "layer-unreadable",
                f"it cannot be read as a design ({one_line(error)})",
                f"a .csv table or a layer in one of the formats {', '.join(_FORMATS)}",
                "export it again, for example as GeoPackage",
                file,
            )
        ) from error
    bad = [s.name or f"number {n}" for n, s in enumerate(shapes, 1) if _off(s.places)]
    if bad:
        raise InputError(
            Problem(
                "point-not-finite",
                f"shape {bad[0]} has a coordinate that is not finite, or of more than 1e9",
                "finite coordinates on a map",
                "correct it",
                file,
            )
        )
    if is_flat and not in_plan:
        raise InputError(Problem(*NEVER_LIFTED, file))
    return Design(file, tuple(shapes), crs_wkt)


def _shapes_of(
    safe: Path, choose: Callable[[list[str]], str]
) -> tuple[list[DesignShape], str | None, bool]:
    import fiona

    options = open_options(safe)
    drivers = driver_names(_FORMATS)
    shapes: list[DesignShape] = []
    told: list[Any] = []
    with reading_layers():
        layer = choose(fiona.listlayers(safe, **options))
        with fiona.open(safe, layer=layer, enabled_drivers=drivers, **options) as source:
            crs_wkt = str(source.crs_wkt or "") or None
            names = {str(name).casefold(): name for name in source.schema["properties"]}
            for record in source:
                found = list(_shapes(record, names))
                shapes += found
                if found and "elevation" in names:
                    told.append(record.properties[names["elevation"]])
                if sum(len(shape.places) for shape in shapes[-3:]) > SHAPES_LIMIT:
                    raise ValueError(f"a shape has more than {SHAPES_LIMIT} vertices")
    every = np.concatenate([shape.places[:, 2] for shape in shapes]) if shapes else np.zeros(0)
    return shapes, crs_wkt, never_lifted(every, told)


def _off(places: Floats) -> bool:
    return not bool((np.abs(places[:, :2]) <= 1e9).all())


def _layer(file: str, wanted: str | None, names: list[str], usual: Sequence[str], key: str) -> str:
    choice = wanted or (
        names[0] if len(names) == 1 else next((name for name in usual if name in names), None)
    )
    if choice in names:
        assert choice is not None
        return choice
    close = nearest(choice, names) if choice else None
    raise InputError(
        Problem(
            "layer-unknown",
            f"there is no layer {shown(choice)}" if choice else "it holds several layers",
            f"one of {', '.join(names[:20])}" if names else "a layer",
            did_you_mean(close, f"name one with {key}"),
            file,
        )
    )


def _shapes(record: Any, names: Mapping[str, str]) -> Iterator[DesignShape]:
    import shapely
    import shapely.geometry

    if record.geometry is None:
        return

    def first(columns: tuple[str, ...]) -> str:
        for column in columns:
            if column in names and (value := record.properties[names[column]]) not in (None, ""):
                return clean_name(str(value))
        return ""

    name, code = first(_NAMES), first(_CODES)
    up = record.properties[names["elevation"]] if "elevation" in names else None
    for part in _singles(shapely.geometry.shape(record.geometry)):
        kinds: dict[str, ShapeKind] = {"Point": "point", "LineString": "line", "LinearRing": "line"}
        rings = [part] if part.geom_type in kinds else [part.exterior, *part.interiors]
        for number, ring in enumerate(rings):
            kind = kinds.get(part.geom_type, "hole" if number else "area")
            places = np.full((len(ring.coords), 3), np.nan)
            found = shapely.get_coordinates(ring, include_z=True)
            places[:, :2] = found[:, :2]
            if ring.has_z:
                places[:, 2] = found[:, 2]
            elif up is not None:
                places[:, 2] = float(up)
            yield DesignShape(name, code, kind, places)


def _singles(shape: Any) -> Iterator[Any]:
    """Yield the simple parts of a geometry, collections taken apart."""
    if hasattr(shape, "geoms"):
        for part in shape.geoms:
            yield from _singles(part)
    elif not shape.is_empty:
        yield shape
