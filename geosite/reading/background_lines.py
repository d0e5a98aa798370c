"""Lines and outlines from outside, to be laid thin and grey under a drawing.

Read with the care of `geosite.reading.polygons`: plain local files, looked at before the library
gets them, only what lies round the survey, and no more than a sheet of paper shows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosite.base.problems import one_line
from geosite.reading.foreign import (
    harmless,
    names_a_file,
    within_limits,
)
from geosite.reading.polygons import Box, Refuse, opened, place_of, shapes_of

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

__all__ = ["MOST_FEATURES", "MOST_PLACES", "BackgroundLines", "read_background_lines"]

MOST_FEATURES, MOST_PLACES = 50_000, 1_000_000
"""Features round one survey, and corners of all of them."""

_EXPECTED = "a layer of lines or areas as GeoPackage, shapefile, GeoJSON or another vector format"
_LAYERS = ("LineString", "Polygon")
_KINDS = ("LineString", "MultiLineString", "Polygon", "MultiPolygon")


@dataclass(frozen=True, eq=False)
class BackgroundLines:
    """Lines and outlines of areas as they are in the file.

    Parameters
    ----------
    file
        As the user named it.
    shapes
        Lines, in plan.
    crs_wkt
        CRS of the file.
    """

    file: str
    shapes: tuple[BaseGeometry, ...]
    crs_wkt: str


def read_background_lines(
    path: Path,
    file: str,
    refuse: Refuse,
    *,
    layer: str | None = None,
    near: Callable[[str], Box | None] = lambda crs: None,
) -> BackgroundLines:
    """Read the lines of a layer, and the outlines of its areas; points are left out.

    Parameters
    ----------
    path, file
        The file, resolved, and how the user named it. A zip file holds one shapefile.
    refuse
        Makes the error of a code, what is wrong, what was expected and what to do.
    layer
        Where the file has several.
    near
        Gives the box round the survey in the CRS of the file; ``None`` to read all.

    Raises
    ------
    InputError
        It cannot be read, does not say where it lies, holds neither lines nor areas round the
        survey's place, or too many.

    Examples
    --------
    >>> path = Path("sample_data/ferry_landing/parcels.gpkg")
    >>> len(read_background_lines(path, "parcels.gpkg", ValueError).shapes)
    3
    """
    import shapely

    def read(place: Path | str) -> tuple[list[bytes], str, int]:
        with opened(place, layer, _LAYERS, refuse, file=file, key="background_layer") as source:
            crs_wkt = str(source.crs_wkt or "")
            if not crs_wkt:
                raise refuse(
                    "background-no-crs",
                    f"{file} does not say which CRS it is in",
                    "a layer with a CRS",
                    "export it again with its CRS",
                )
            if names_a_file(crs_wkt):
                raise ValueError("its CRS names another file or an address")
            lines, others = _lines(source, near(crs_wkt), file, refuse)
        # bytes cross from one process to another sooner than shapes
        return shapely.to_wkb(lines).tolist(), crs_wkt, others

    try:
        with harmless(path) as safe:
            texts, crs_wkt, others = within_limits(lambda: read(place_of(path, safe)))
    except (OSError, ValueError, TypeError) as error:
        raise refuse(
            "background-unreadable",
            f"{file} cannot be read ({one_line(error)})",
            _EXPECTED,
            "correct background_layer, or export it again, for example as GeoPackage",
        ) from error
    shapes = shapes_of(texts)
    if others and not shapes:
        raise refuse(
            "background-no-lines",
            f"{file} holds neither lines nor areas round the survey, only points",
            _EXPECTED,
            "name the right layer with background_layer",
        )
    return BackgroundLines(file, shapes, crs_wkt)


def _lines(
    source: Any, window: Box | None, file: str, refuse: Refuse
) -> tuple[list[BaseGeometry], int]:
    """Return the lines of a layer that reach into a window, and how many features are none."""
    import shapely
    import shapely.geometry

    found: list[BaseGeometry] = []
    others = places = 0
    for record in source if window is None else source.filter(bbox=window):
        geometry = record.geometry
        if geometry is None or geometry.type.removeprefix("3D ") not in _KINDS:
            others += geometry is not None
            continue
        drawn = shapely.force_2d(shapely.geometry.shape(geometry))
        if drawn.is_empty:
            continue
        lines = drawn.boundary if "Polygon" in geometry.type else drawn
        places += int(shapely.get_num_coordinates(lines))
        found.append(lines)
        if len(found) > MOST_FEATURES or places > MOST_PLACES:
            raise refuse(
                "background-too-large",
                f"more than {MOST_FEATURES} features or {MOST_PLACES} corners of {file} lie round "
                "the survey",
                "what can be seen on paper",
                "cut the layer to the site",
            )
    return found, others
