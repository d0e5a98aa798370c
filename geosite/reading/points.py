"""Points with elevations from outside: text tables and point layers."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from geosite.base.arrays import Floats
from geosite.base.errors import InputError, Problem
from geosite.base.problems import did_you_mean, nearest, one_line, shown
from geosite.reading import databases
from geosite.reading.foreign import (
    driver_names,
    harmless,
    open_options,
    reading_layers,
    within_limits,
)
from geosite.reading.point_tables import COLUMNS, points_of_table

__all__ = ["NEVER_LIFTED", "Points", "never_lifted", "read_points"]

_POINT_FORMATS = ["GPKG", "GeoJSON", "GeoJSONSeq", "Shapefile", "FlatGeobuf", "GML", "DXF"]
_FARTHEST, _HIGHEST = 1e9, 1e6
"""Map units and elevation units: no map in feet reaches as far, no ground lies as high."""
_TEXT = (".csv", ".txt", ".tsv", ".xyz")
_SHEETS = (".xlsx", ".ods", ".xls")


NEVER_LIFTED = (
    "layer-z-zero",
    "Z is 0 at every place, and the field elevation says otherwise",
    "one elevation of a place",
    "save the layer without Z, or without the field elevation, whichever is wrong",
)
"""Code, what is wrong, what is expected and the remedy of a layer that is `never_lifted`."""


def never_lifted(z: Floats, told: Sequence[Any]) -> bool:
    """Tell whether a layer is one in plan that a program saved with a Z of 0 at every place.

    Parameters
    ----------
    z : array, shape (n,)
        Of all places that have one.
    told
        The field elevation of the features with Z.

    Examples
    --------
    >>> never_lifted(np.zeros(2), [402.1, 402.3]), never_lifted(np.array([402.1, 0.0]), [0.0, 1.0])
    (True, False)
    """
    elsewhere = (isinstance(one, int | float) and one and math.isfinite(one) for one in told)
    return not z.any() and any(elsewhere)


@dataclass(frozen=True, eq=False)
class Points:
    """Points with elevations.

    Parameters
    ----------
    positions : array, shape (n, 3), columns easting, northing, elevation
        Map units, elevation in its own unit, file order.
    crs_wkt
        CRS of the layer, ``None`` for a table.
    """

    positions: Floats
    crs_wkt: str | None


def read_points(file: str, layer: str | None = None) -> Points:
    """Read points with elevations.

    Parameters
    ----------
    file
        A table with the columns easting, northing and elevation (CSV with commas, semicolons or
        tabs; other columns are ignored, capitals do not matter), or a point layer with Z or with a
        field elevation.
    layer
        Name of the layer, where the file holds several. Without it ``points``, or the only one.

    Raises
    ------
    InputError
        Unreadable, columns missing, cells that are no finite numbers, no points, a Z of 0
        everywhere beside a field elevation that says otherwise.

    Examples
    --------
    >>> read_points("sample_data/ferry_landing/design_points.csv").positions[0].tolist()
    [512319.991, 5276125.988, 402.3]
    """
    if Path(file).suffix.lower() in _TEXT:
        points = Points(points_of_table(file), None)
    else:
        points = _from_layer(file, layer)
    _check_size(points.positions, file)
    if not len(points.positions):
        raise InputError(
            Problem(
                "points-none", "there are no points in it", "points", "choose another file", file
            )
        )
    return points


def _check_size(positions: Floats, file: str) -> None:
    """Refuse numbers that are nowhere on earth: differences of them overflow."""
    limit = np.array([_FARTHEST, _FARTHEST, _HIGHEST])
    bad = np.argwhere(np.abs(positions) > limit)
    if not len(bad):
        return
    row, axis = (int(number) for number in bad[0])
    more = f" (and {len(bad) - 1} more)" if len(bad) > 1 else ""
    raise InputError(
        Problem(
            "coordinate-too-large",
            f"{COLUMNS[axis]} of point number {row + 1} is {positions[row, axis]:g}{more}",
            f"at most {limit[axis]:g}",
            "correct it, or take the point out",
            file,
        )
    )


def _from_layer(file: str, layer: str | None) -> Points:
    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, what, expected, remedy, file))

    path = Path(file).resolve()
    if path.suffix.lower() in _SHEETS:
        raise refuse(
            "layer-unreadable",
            "it is a spreadsheet",
            f"a .csv table or a point layer in one of the formats {', '.join(_POINT_FORMATS)}",
            "save the sheet as CSV",
        )
    is_database = databases.is_database(path)
    try:
        with harmless(path) as safe:
            if is_database:
                layer = _package_layer(safe, file, layer)
            return within_limits(lambda: _points_of(safe, layer, refuse))
    except (OSError, ValueError, TypeError, UnicodeError) as error:
        raise refuse(
            "layer-unreadable",
            f"it cannot be read as a point layer ({one_line(error)})",
            f"a .csv table or a point layer in one of the formats {', '.join(_POINT_FORMATS)}",
            "export it again, for example as GeoPackage",
        ) from error


def _points_of(safe: Path, layer: str | None, refuse: Any) -> Points:
    import fiona

    drivers = driver_names(_POINT_FORMATS)
    with (
        reading_layers(),
        fiona.open(safe, layer=layer, enabled_drivers=drivers, **open_options(safe)) as source,
    ):
        crs_wkt = str(source.crs_wkt or "") or None
        names = {name.casefold(): name for name in source.schema["properties"]}
        return Points(_positions(source, names.get("elevation"), refuse), crs_wkt)


def _package_layer(path: Path, file: str, wanted: str | None) -> str:
    """Choose the layer of a GeoPackage without asking every driver about the file."""
    try:
        uri = f"{path.as_uri()}?mode=ro&immutable=1"
        database = sqlite3.connect(uri, uri=True)
        try:
            rows = database.execute(
                "SELECT table_name FROM gpkg_geometry_columns "
                "WHERE upper(geometry_type_name) IN ('POINT', 'GEOMETRY') ORDER BY rowid"
            ).fetchall()
        finally:
            database.close()
    except sqlite3.Error as error:
        raise InputError(
            Problem(
                "layer-unreadable",
                f"the database is no GeoPackage ({one_line(error)})",
                "a GeoPackage with a point layer",
                "export it again",
                file,
            )
        ) from error
    names = [str(name) for (name,) in rows]
    choice = wanted or ("points" if "points" in names else names[0] if len(names) == 1 else None)
    if choice in names:
        assert choice is not None
        return choice
    what = "it holds several point layers" if names else "it holds no point layer"
    raise InputError(
        Problem(
            "layer-unknown",
            f"there is no point layer {shown(choice)}" if choice else what,
            f"one of {', '.join(names[:20])}" if names else "a point layer",
            did_you_mean(
                nearest(choice, names) if choice else None,
                "name one with layer" if names else "choose another file",
            ),
            file,
        )
    )


def _positions(source: Any, field: str | None, refuse: Any) -> Floats:
    found: list[tuple[float, float, float]] = []
    told: list[Any] = []
    for record in source:
        geometry = record.geometry
        if geometry is None or geometry.type not in ("Point", "3D Point"):
            kind = "nothing" if geometry is None else geometry.type
            raise refuse(
                "feature-not-point",
                f"feature {record.id} is {kind}",
                "points only",
                "choose a point layer, or turn multipoints into points",
            )
        place = geometry.coordinates
        up = place[2] if len(place) > 2 else record.properties[field] if field else None
        if up is None:
            raise refuse(
                "point-no-elevation",
                f"the point {record.id} has no elevation",
                "points with Z, or a field elevation",
                "add the elevations or take the point out",
            )
        if field and len(place) > 2:
            told.append(record.properties[field])
        found.append((float(place[0]), float(place[1]), float(up)))
    positions = np.array(found, dtype=np.float64).reshape(-1, 3)
    if never_lifted(positions[:, 2], told):
        raise refuse(*NEVER_LIFTED)
    if not np.isfinite(positions).all():
        number = int(np.flatnonzero(~np.isfinite(positions).all(axis=1))[0]) + 1
        raise refuse(
            "point-not-finite",
            f"point number {number} is not finite",
            "finite coordinates",
            "correct it",
        )
    return positions
