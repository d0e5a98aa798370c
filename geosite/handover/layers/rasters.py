"""The rasters of the ground: elevation, slope, drainage and what was derived from them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.fieldbook.model import Notes
from geosite.handover.model import Raster
from geosite.handover.names import readable_name
from geosite.network.model import Network
from geosite.terrain.site import Terrain
from geosite.terrain.site_water import Water

__all__ = ["ground_rasters"]

Raw = npt.NDArray[np.floating[Any]]


def ground_rasters(notes: Notes, network: Network, terrain: Terrain) -> tuple[Raster, ...]:
    """Return elevation, slope, drainage direction and what was derived from them."""
    frame, water, table = network.frame, terrain.water, notes.site.surface
    height = frame.height_band_unit
    drainage, flat = water.drainage, terrain.buildings

    def raster(
        name: str, title: str, description: str, values: Raw, unit: str, elevation: bool = False
    ) -> Raster:
        return Raster(name, title, description, values, terrain.grid, unit, is_elevation=elevation)

    def bare(values: Raw) -> Raw:
        cut: Raw = np.where(flat, np.nan, values)
        return cut

    known = np.isfinite(drainage.filled)
    rasters = [
        raster(
            "elevation",
            "Elevation",
            f"Elevation of the ground between the marks, {height}, by {terrain.surface.method}; "
            "buildings are cut out.",
            terrain.elevation / frame.height_unit_m,
            height,
            elevation=True,
        ),
        raster(
            "slope",
            "Slope",
            f"Slope of the ground in {table.slope_unit}, method {table.slope_method}, over lengths "
            f"on the map grid, which are {frame.combined_factor:.6f} of those on the ground.",
            bare(terrain.slope.steepness(table.slope_unit)),
            table.slope_unit,
        ),
        raster(
            "drainage_direction",
            "Drainage direction",
            "Azimuth of the way water leaves the cell, degrees clockwise from grid north; "
            "-1 where it cannot leave over the ground.",
            drainage.azimuth_deg,
            "degree",
        ),
        raster(
            "aspect",
            "Aspect",
            "Azimuth of steepest descent, degrees clockwise from grid north; -1 on level ground.",
            bare(terrain.slope.aspect()),
            "degree",
        ),
        raster(
            "elevation_sigma",
            "Standard deviation of the elevation",
            "From the marks and from the interpolation between them, metres.",
            terrain.sigma,
            "m",
        ),
        raster(
            "ponding_depth",
            "Ponding depth",
            "Depth of the water when every hollow is full to its spill point, metres.",
            drainage.ponding_depth,
            "m",
        ),
        raster(
            "contributing_area",
            "Contributing area",
            "Ground whose water passes through the cell, its own included, square metres.",
            np.where(known, drainage.contributing_area / frame.combined_factor**2, np.nan),
            "m2",
        ),
    ]
    if water.realised is not None:
        rasters += _shares(water, raster)
    return tuple(rasters)


def _shares(water: Water, raster: Callable[[str, str, str, Raw, str], Raster]) -> list[Raster]:
    """Return the rasters that say on how many of the possible grounds something is so."""
    realised = water.realised
    assert realised is not None
    grounds = f"Share of {realised.draws} possible grounds on which"
    found = [
        raster(
            "drainage_confidence",
            "Drainage confidence",
            f"{grounds} the water leaves the cell the same way, 0 to 1.",
            realised.confidence,
            "1",
        ),
        raster(
            "ponding_probability",
            "Ponding probability",
            f"{grounds} water stands in the cell, a millimetre or more, 0 to 1.",
            realised.ponding,
            "1",
        ),
    ]
    found += [
        raster(
            f"drains_to_inlet_{number}",
            f"Drains to {readable_name(name)}",
            f"{grounds} the water of the cell ends in the inlet {name}, 0 to 1.",
            share,
            "1",
        )
        for number, (name, share) in enumerate(
            zip(water.inlets, realised.to_inlet, strict=False), start=1
        )
    ]
    return found
