"""Surveys that are held against something: read, adjusted, drawn and taken off."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from geosite.analysis.change.model import Epoch

__all__ = ["read_epoch"]


def read_epoch(site: str, day: str | None = None) -> Epoch:
    """Return a survey as far as comparisons need it.

    Parameters
    ----------
    site
        Site file.
    day
        Only the runs of this day (``[runs.NAME]`` ``date``); without it all.
    """
    from geosite.analysis.change.model import Epoch
    from geosite.analysis.takeoff.draped import triangles_of
    from geosite.analysis.takeoff.quantities import take_off
    from geosite.fieldbook.days import of_day
    from geosite.fieldbook.read import read_survey
    from geosite.linework.draw import draw
    from geosite.network.adjust import adjust
    from geosite.terrain.site_ground import site_ground

    notes = read_survey(Path(site))
    if day is not None:
        notes = of_day(notes, day)
    network = adjust(notes)
    drawing = draw(notes, network)
    laid = site_ground(notes, network, drawing)
    triangles = None if laid is None else triangles_of(laid.ground)
    return Epoch(notes, network, laid, take_off(notes, network, drawing, triangles), drawing)
