"""Earthworks that a site file asks for."""

from __future__ import annotations

import numpy as np

from geosite.analysis.named_areas import area_named
from geosite.analysis.volumes.design_surfaces import design_plane, design_raster
from geosite.analysis.volumes.earthwork import Earthwork, earthwork
from geosite.base.errors import InputError, Problem
from geosite.fieldbook import sitefile
from geosite.fieldbook.model import Notes
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.reading.second_surface import refuse_unlike
from geosite.terrain.uncertainty.ground import Ground

__all__ = ["requested_earthwork"]


def requested_earthwork(
    name: str,
    requested: sitefile.Earthwork,
    notes: Notes,
    network: Network,
    drawing: Drawing,
    ground: Ground,
) -> Earthwork:
    """Reckon an earthwork of ``[earthworks]`` against the plane or the surface that it names.

    Parameters
    ----------
    name, requested
        A table of the site file.
    notes, network, drawing
    ground
        Between the marks.

    Raises
    ------
    InputError
        There is no area or mark of that name, or not one of plane and surface, or the surface is
        of another map.
    """

    def refuse(code: str, what: str, expected: str, remedy: str) -> InputError:
        return InputError(
            Problem(code, f"earthwork {name}: {what}", expected, remedy, notes.site_file)
        )

    feature = area_named(requested.feature, drawing, "earthwork-no-area", refuse)
    second = notes.attached.surfaces.get(name)
    if (second is None) == (requested.design_elevation is None):
        raise refuse(
            "earthwork-design",
            "it has both a plane and a surface" if second else "it has neither plane nor surface",
            "either design_elevation or surface",
            "give one of them",
        )
    frame = network.frame
    if second is not None:
        refuse_unlike(second, frame, "surface", refuse)
        design = design_raster(second, frame)
    else:
        assert requested.design_elevation is not None
        through = (feature.geometry.centroid.x, feature.geometry.centroid.y)
        if requested.through is not None:
            book = notes.book
            if requested.through not in book.marks:
                raise refuse(
                    "earthwork-no-mark",
                    f"mark {requested.through} is not in the field book",
                    "the name of a mark",
                    "correct the name",
                )
            row = int(np.flatnonzero(book.mark == book.marks.index(requested.through))[0])
            through = (float(network.en[row, 0]), float(network.en[row, 1]))
        design = design_plane(
            through,
            requested.design_elevation * frame.height_unit_m,
            requested.fall_percent,
            requested.fall_azimuth,
            frame.combined_factor,
        )
    return earthwork(name, feature, ground, design, interval=requested.interval)
