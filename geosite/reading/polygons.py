"""Polygons from outside, a parcel map above all: only what lies round the survey is read."""

from __future__ import annotations

import math
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosite.base.errors import InputError, Refuse
from geosite.base.problems import one_line
from geosite.reading.crs import parse_crs
from geosite.reading.foreign import (
    driver_names,
    harmless,
    names_a_file,
    open_options,
    quiet,
    reading_layers,
    within_limits,
)
from geosite.reading.spreadsheets import DAMAGED
from geosite.reading.which_layer import layer_of

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["POLYGON_FORMATS", "Box", "PolygonLayer", "Refuse", "place_of", "read_polygons"]

#: Formats whose OGR drivers read plain local files and nothing else.
POLYGON_FORMATS = (
    "GPKG",
    "Shapefile",
    "GeoJSON",
    "GeoJSONSeq",
    "FlatGeobuf",
    "GML",
    "DXF",
    "TAB",
    "TopoJSON",
    "KML",
)
MOST_POLYGONS = 50_000
"""Parcels round one survey."""

Box = tuple[float, float, float, float]
_Found = tuple[tuple[str, ...], tuple[bytes, ...], str, float, int]
"""Names, shapes as well-known binary, CRS, reach, how many were left out."""


@dataclass(frozen=True, eq=False)
class PolygonLayer:
    """Polygons as they are in the file, names beside them.

    Parameters
    ----------
    file
        As the user named it.
    names, shapes
        Same length, file order.
    crs_wkt
        CRS of the file, or the one that was given for it.
    reach_m
        How far round the survey the file was read; infinite for all of it.
    repeated
        Number of polygons left out because they are the same as one before them.
    """

    file: str
    names: tuple[str, ...]
    shapes: tuple[BaseGeometry, ...]
    crs_wkt: str
    reach_m: float = math.inf
    repeated: int = 0


def read_polygons(
    path: Path,
    file: str,
    refuse: Refuse,
    *,
    layer: str | None = None,
    name_field: str | None = None,
    crs: str | None = None,
    near: Callable[[str], Box | None] = lambda crs: None,
    reach_m: float = math.inf,
) -> PolygonLayer:
    """Read the polygons of a layer.

    Parameters
    ----------
    path, file
        The file, resolved, and how the user named it. A zip file holds one shapefile.
    refuse
        Makes the error of a code, what is wrong, what was expected and what to do.
    layer
        Where the file has several.
    name_field
        Column with their names; without it their numbers in the file.
    crs
        CRS of a file that does not say its own.
    near
        Gives the box round the survey in the CRS of the file; ``None`` to read all.
    reach_m
        How far from the survey that box reaches.

    Raises
    ------
    InputError
    """

    def read(place: Path | str) -> _Found:
        import shapely

        with opened(place, layer, ("Polygon",), refuse, file=file, key="layer") as source:
            _check_name_field(source, name_field, file, refuse)
            crs_wkt = _crs_of(str(source.crs_wkt or ""), crs, file, refuse)
            window = near(crs_wkt)
            found = _inside(source, window, name_field, file, refuse)
            _check_polygons(source, bool(found), file, refuse)
        # bytes cross from one process to another sooner than shapes
        texts: list[bytes] = shapely.to_wkb([shape for _, shape in found]).tolist()
        once = {wkb: name for wkb, (name, _) in zip(reversed(texts), reversed(found), strict=True)}
        reach = math.inf if window is None else reach_m
        kept = tuple(reversed(once.values())), tuple(reversed(once))
        return *kept, crs_wkt, reach, len(found) - len(once)

    try:
        with harmless(path) as safe:
            names, texts, crs_wkt, reach, repeated = within_limits(
                lambda: read(place_of(path, safe))
            )
    except (OSError, ValueError, TypeError) as error:
        raise refuse(
            "parcels-unreadable",
            f"{file} cannot be read ({one_line(error)})",
            "a polygon layer",
            "correct layer or export the parcel map again, for example as GeoPackage",
        ) from error
    return PolygonLayer(file, names, shapes_of(texts), crs_wkt, reach, repeated)


@contextmanager
def opened(
    place: Path | str,
    layer: str | None,
    kinds: Sequence[str],
    refuse: Refuse,
    *,
    file: str,
    key: str,
) -> Iterator[Any]:
    """Open a layer with the vector library, by the drivers of `POLYGON_FORMATS` alone.

    Parameters
    ----------
    place, layer, kinds, refuse, file, key
        As in `geosite.reading.which_layer.layer_of`.
    """
    import fiona

    def of(name: str | None) -> Any:
        return fiona.open(
            place,
            layer=name,
            enabled_drivers=driver_names(POLYGON_FORMATS),
            allow_unsupported_drivers=True,  # KML: read well, not on its list
            **open_options(place),
        )

    with reading_layers():
        chosen = layer_of(place, layer, kinds, refuse, file=file, key=key, open_layer=of)
        with of(chosen) as source:
            yield source


def shapes_of(texts: Sequence[bytes]) -> tuple[BaseGeometry, ...]:
    """Return shapes from well-known binary; places that are no numbers are told by who asks."""
    import shapely

    with quiet():
        return tuple(shapely.from_wkb(texts))


def _check_name_field(source: Any, name_field: str | None, file: str, refuse: Refuse) -> None:
    columns = list(source.schema["properties"])
    if name_field is not None and name_field not in columns:
        raise refuse(
            "parcels-name-field",
            f"there is no column {name_field} in {file}",
            f"one of {', '.join(columns) or 'none at all'}",
            "correct name_field",
        )


def _check_polygons(source: Any, found: bool, file: str, refuse: Refuse) -> None:
    if not found and not _has_polygons(source):
        raise refuse(
            "parcels-no-polygons",
            f"{file} holds no polygons",
            "a polygon layer",
            "name the right layer with layer",
        )


def _crs_of(own: str, given: str | None, file: str, refuse: Refuse) -> str:
    """Return the CRS of a layer as WKT: its own, or the one that the site file gives."""
    from pyproj import CRS

    if given is None:
        if not own:
            raise refuse(
                "parcels-no-crs",
                f"{file} does not say which CRS it is in",
                "a layer with a CRS",
                'say it with crs = "EPSG:...", or export the file again with its CRS',
            )
        return own
    try:
        told = parse_crs(given, "crs")
    except InputError as error:
        (problem,) = error.problems
        raise refuse("parcels-crs", problem.what, problem.expected, problem.remedy) from None
    if own and not CRS.from_wkt(own).equals(told, ignore_axis_order=True):
        raise refuse(
            "parcels-two-crs",
            f"{file} is in {CRS.from_wkt(own).name}, crs says {told.name}",
            "one CRS",
            "take crs out, or correct the file if it is wrong there",
        )
    return str(told.to_wkt())


def place_of(path: Path, safe: Path) -> Path | str:
    """Return what the library opens: the file, or the one shapefile that a zip file holds.

    Parameters
    ----------
    path, safe
        The file, and the harmless one that may be opened instead.

    Raises
    ------
    ValueError
        The zip file holds anything else.

    Examples
    --------
    >>> place_of(Path("parcels.gpkg"), Path("/tmp/copy.gpkg")).name
    'copy.gpkg'
    """
    if path.suffix.lower() != ".zip":
        return safe
    try:
        fault = _zip_fault(path)
    except DAMAGED as error:
        fault = f"damaged: {error}"
    if fault is not None:
        raise ValueError(fault)
    return f"zip://{path.as_posix()}"


def _zip_fault(path: Path) -> str | None:
    """Return why a zip file is no packed shapefile, or ``None``."""
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        shapes = [name for name in names if name.lower().endswith(".shp")]
        if len(shapes) != 1:
            return f"it holds {len(shapes)} shapefiles, expected one"
        for name in names:
            if name.lower().endswith((".prj", ".qpj")):
                with archive.open(name) as stream:
                    if names_a_file(stream.read(1_000_000).decode("latin-1")):
                        return "its CRS names another file, and nothing else is read or fetched"
    return None


def _inside(
    source: Any, window: Box | None, name_field: str | None, file: str, refuse: Refuse
) -> list[tuple[str, BaseGeometry]]:
    """Return names and polygons of a layer that reach into a window."""
    found: list[tuple[str, BaseGeometry]] = []
    drawn = source.driver == "DXF"
    for record in source if window is None else source.filter(bbox=window):
        shape = _polygon(record.geometry, drawn)
        if shape is None or shape.is_empty:
            continue
        named = record.properties[name_field] if name_field else None
        found.append((str(named) if named is not None else str(record.id), shape))
        if len(found) > MOST_POLYGONS:
            raise refuse(
                "parcels-too-many",
                f"more than {MOST_POLYGONS} polygons of {file} lie round the survey",
                "a parcel map, in which a place belongs to one parcel",
                "export the parcels of the site alone",
            )
    return found


def _polygon(geometry: Any, drawn: bool) -> BaseGeometry | None:
    """Return a polygon or several, without the empty ones among them; None for anything else.

    In a drafting file a closed line is a polygon.
    """
    import shapely
    import shapely.geometry

    if geometry is None:
        return None
    if drawn and geometry.type in ("LineString", "3D LineString"):
        ring = list(geometry.coordinates)
        closed = len(ring) > 3 and tuple(ring[0][:2]) == tuple(ring[-1][:2])
        return shapely.force_2d(shapely.Polygon([c[:2] for c in ring])) if closed else None
    if geometry.type not in ("Polygon", "MultiPolygon"):
        return None
    parts = geometry.coordinates if geometry.type == "MultiPolygon" else [geometry.coordinates]
    kept = [part for part in parts if part and part[0]]
    if not kept:
        return None
    kind, held = ("Polygon", kept[0]) if len(kept) == 1 else ("MultiPolygon", kept)
    return shapely.force_2d(shapely.geometry.shape({"type": kind, "coordinates": held}))


def _has_polygons(source: Any) -> bool:
    """Tell whether there is a polygon among the first records of a layer."""
    drawn = source.driver == "DXF"
    return any(_polygon(record.geometry, drawn) is not None for record in islice(source, 1000))
