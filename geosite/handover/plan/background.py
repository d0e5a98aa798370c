"""What lies under the plan, where the site file asks for it: a picture, or lines of a layer."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import shapely

from geosite.base.arrays import Floats
from geosite.base.errors import Finding, InputError, Problem
from geosite.base.map_frame import Frame, longitude_latitude
from geosite.base.problems import one_line
from geosite.drawing.sheet import Picture
from geosite.handover.model import Package
from geosite.handover.plan.layout import View
from geosite.reading.background_lines import BackgroundLines
from geosite.reading.operations import best_operation
from geosite.reading.pictures import GroundPicture, picture_in
from geosite.reading.polygons import Refuse

__all__ = ["background_findings", "background_of", "is_picture", "lines_on_map", "lines_under"]

Geometries = npt.NDArray[np.object_]

#: Of the picture on paper; enough for a print looked at in the hand.
_DPI = 150
_MOST_PIXELS = 6_000_000
#: Share of its colour that a picture keeps, so that lines and letters stand out.
_KEPT = 0.6
_LOOKED_AT = 32
#: On paper, mm: bends of a background that nobody sees.
_FINEST = 0.05


def _refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


def is_picture(package: Package) -> bool:
    """Tell whether what lies under the plan is a picture, not lines."""
    return isinstance(package.background, GroundPicture)


def background_of(package: Package, view: View) -> Picture | None:
    """Return the picture that lies under the map window, faded; ``None`` where there is none.

    Parameters
    ----------
    package
        With the picture that ``[sheet] background`` names.
    view
        The map window.

    Raises
    ------
    InputError
        The file changed since it was looked at.
    """
    if not isinstance(package.background, GroundPicture):
        return None
    window = view.window
    zoom = min(_DPI / 25.4, math.sqrt(_MOST_PIXELS / (window.width * window.height)))
    shape = (max(round(window.height * zoom), 1), max(round(window.width * zoom), 1))
    across, up = window.width / 2 / view.mm_per_unit, window.height / 2 / view.mm_per_unit
    east, north = view.centre
    bounds = (east - across, north - up, east + across, north + up)
    pixels = picture_in(package.background, view.frame.crs_wkt, bounds, shape, _refuse)
    if pixels is None:
        return None
    faded = np.rint(255.0 - (255.0 - pixels) * _KEPT).astype(np.uint8)
    return Picture(window, faded)


def lines_on_map(lines: BackgroundLines, frame: Frame, refuse: Refuse) -> Geometries:
    """Return the lines of a background in map coordinates; what has no place there is left out.

    Parameters
    ----------
    lines, frame
    refuse
        Makes the error of a code, what is wrong, what was expected and what to do.

    Raises
    ------
    InputError
        Nothing leads from its CRS to that of the map.

    Examples
    --------
    A metre to the east of a mark stays there, whether the layer is in the map's CRS or not:

    >>> from pyproj import CRS
    >>> wkt = CRS("EPSG:25832").to_wkt()
    >>> way = shapely.linestrings([[500000.0, 5000000.0], [500001.0, 5000000.0]])
    >>> frame = Frame(crs_wkt=wkt, origin=(500000.0, 5000000.0))
    >>> lines_on_map(BackgroundLines("way.gpkg", (way,), wkt), frame, ValueError)[0].length
    1.0
    """
    from pyproj import CRS
    from pyproj.exceptions import ProjError

    try:
        source, target = CRS.from_user_input(lines.crs_wkt), CRS.from_wkt(frame.crs_wkt)
        flat = source.sub_crs_list[0] if source.is_compound else source
        longitude, latitude = longitude_latitude(frame.crs_wkt, *frame.origin)
        place = float(longitude), float(latitude)
        operation = best_operation(flat, target, place, refuse)
    except ProjError as error:
        raise refuse(
            "background-crs",
            f"the CRS of {lines.file} cannot be used ({one_line(error)})",
            "a CRS that PROJ knows",
            "export the layer in the survey's CRS",
        ) from error

    def move(coordinates: Floats) -> Floats:
        return np.column_stack(operation.move(coordinates[:, 0], coordinates[:, 1]))

    moved = shapely.transform(np.array(lines.shapes, dtype=object), move)
    finite: Geometries = moved[np.isfinite(shapely.bounds(moved)).all(axis=1)]
    return finite


def lines_under(package: Package, view: View) -> list[Floats]:
    """Return the lines that lie under the map window, cut off at its edge, sheet mm.

    Parameters
    ----------
    package
        With the lines that ``[sheet] background`` names; none of them without.
    view
        The map window.
    """
    if not isinstance(package.background, BackgroundLines):
        return []
    window = view.window
    across, up = window.width / 2 / view.mm_per_unit, window.height / 2 / view.mm_per_unit
    east, north = view.centre
    moved = lines_on_map(package.background, view.frame, _refuse)
    cut = shapely.clip_by_rect(moved, east - across, north - up, east + across, north + up)
    parts = shapely.get_parts(shapely.get_parts(cut))
    parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING]
    drawn = shapely.transform(parts[~shapely.is_empty(parts)], view.on_paper)
    fine = shapely.simplify(drawn, _FINEST, preserve_topology=False)
    return [shapely.get_coordinates(line) for line in fine]


def background_findings(
    background: GroundPicture | BackgroundLines,
    frame: Frame,
    extent: tuple[float, float, float, float],
    file: str,
    line: int | None = None,
) -> tuple[Finding, ...]:
    """Say where a background was asked for that does not reach the survey's surroundings.

    Parameters
    ----------
    background, frame
    extent : (west, south, east, north), map units
        Of the survey.
    file, line
        Where the site file asks for it.

    Raises
    ------
    InputError
        It cannot be laid on the map.
    """
    west, south, east, north = extent
    # the map window reaches beyond the survey: a lane beside it is seen
    wide = max(east - west, north - south, 1.0) * 0.5
    bounds = (west - wide, south - wide, east + wide, north + wide)

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(Problem(code, f"sheet.background: {what}", expected, remedy, file, line))

    if isinstance(background, BackgroundLines):
        near = shapely.intersects(lines_on_map(background, frame, refuse), shapely.box(*bounds))
        reaches, what = bool(near.any()), "lines of"
    else:
        shape = (_LOOKED_AT, _LOOKED_AT)
        reaches = picture_in(background, frame.crs_wkt, bounds, shape, refuse) is not None
        what = "picture"
    if reaches:
        return ()
    verb = "do" if what == "lines of" else "does"
    text = (
        f"The {what} {background.file} {verb} not reach the survey or what lies round it: look "
        "whether it is the right file, and in the right CRS."
    )
    return (Finding("look", "background-elsewhere", text, file, line),)
