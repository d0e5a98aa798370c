"""The picture under the plan, where the site file asks for one."""

from __future__ import annotations

import math

import numpy as np

from geosite.base.errors import Finding, InputError, Problem
from geosite.base.map_frame import Frame
from geosite.drawing.sheet import Picture
from geosite.handover.model import Package
from geosite.handover.plan.layout import View
from geosite.reading.pictures import GroundPicture, picture_in

__all__ = ["background_findings", "background_of"]

#: Of the picture on paper; enough for a print looked at in the hand.
_DPI = 150
_MOST_PIXELS = 6_000_000
#: Share of its colour that a picture keeps, so that lines and letters stand out.
_KEPT = 0.6
_LOOKED_AT = 32


def _refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
    return InputError(Problem(code, what, expected, remedy))


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
    if package.background is None:
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


def background_findings(
    picture: GroundPicture, frame: Frame, extent: tuple[float, float, float, float], file: str
) -> tuple[Finding, ...]:
    """Say where a picture was asked for that does not reach the survey.

    Parameters
    ----------
    picture, frame
    extent : (west, south, east, north), map units
        Of the survey.
    file
        The site file.
    """
    west, south, east, north = extent
    wide = max(east - west, north - south, 1.0) * 0.01
    bounds = (west - wide, south - wide, east + wide, north + wide)
    shape = (_LOOKED_AT, _LOOKED_AT)
    if picture_in(picture, frame.crs_wkt, bounds, shape, _refuse) is not None:
        return ()
    text = f"The picture {picture.file} does not reach the survey: nothing lies under the plan."
    return (Finding("look", "background-elsewhere", text, file),)
