"""The ramp of each raster."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np

from geosite.handover.model import Raster
from geosite.handover.palette import ALERT, CHANGE_RAMP, DIRECTION_RAMP, RAMPS
from geosite.handover.styles.measures import shown_in
from geosite.handover.styles.model import Ramp, Stop

__all__ = ["ramp_of"]

_GREY = ("#f5f5f5", "#c9ced1", "#98a1a6", "#69747b", "#3e4951", "#1f2d37")
_AZIMUTHS = ("drainage_direction", "aspect")
_RAMPS = {**RAMPS, "difference": CHANGE_RAMP, "difference_sigma": RAMPS["elevation_sigma"]}


def ramp_of(raster: Raster, unit: Literal["m", "ft"] = "m") -> Ramp:
    """Return the colours of a raster over the values it holds.

    Parameters
    ----------
    raster
    unit
        That the titles of the colours speak where the raster is in metres; the values stay.

    Examples
    --------
    Colours run evenly from the least value to the greatest:

    >>> from geosite.base.grid import Grid
    >>> values = np.array([[0.0, 2.0], [4.0, 10.0]])
    >>> slope = Raster("slope", "Slope", "", values, Grid(0.0, 2.0, 1.0, 2, 2), "percent")
    >>> stops = ramp_of(slope).stops
    >>> len(stops), stops[0].colour
    (6, '#f7f3e6')
    """
    if raster.name in _AZIMUTHS:
        turn = (*DIRECTION_RAMP, DIRECTION_RAMP[0])
        names = ("north", "east", "south", "west", "north")
        stops = [Stop(90.0 * i, turn[i], names[i]) for i in range(5)]
        if (raster.values == -1.0).any():
            nowhere = "no way out" if raster.name == "drainage_direction" else "level"
            # a narrow step, so that nothing blends from it towards north
            stops[:0] = [Stop(-1.0, ALERT, nowhere), Stop(-0.01, ALERT, nowhere)]
        return Ramp(tuple(stops))
    colours = _RAMPS.get(raster.name, _GREY)
    values = _spread(raster, len(colours))
    # an elevation is in the unit of its vertical CRS, for every reader
    factor, word = (1.0, raster.unit) if raster.is_elevation else shown_in(raster.unit, unit)
    after = f" {word}" if word and word != "1" else ""
    digits = int(np.clip(2 - np.floor(np.log10(np.diff(values).min() * factor)), 0, 6))
    dry = raster.name == "ponding_depth"
    return Ramp(
        tuple(
            Stop(
                float(value),
                colour,
                f"{value * factor:.{digits}f}{after}",
                0.0 if dry and not i else 1.0,
            )
            for i, (value, colour) in enumerate(zip(values, colours, strict=True))
        )
    )


def _spread(raster: Raster, count: int) -> Any:
    """Return the values of the ramp's colours: all there are, or without the outer 2 percent."""
    valid = raster.values[np.isfinite(raster.values)].astype(np.float64)
    if not valid.size:
        return np.linspace(0.0, 1.0, count)
    whole = raster.is_elevation or raster.name == "ponding_depth"
    low, high = np.percentile(valid, (0.0, 100.0) if whole else (2.0, 98.0)).tolist()
    if high - low <= 1e-6 * max(1.0, abs(low)):
        low, high = float(valid.min()), float(valid.max())
    if high - low <= 1e-6 * max(1.0, abs(low)):
        low, high = low - 0.5, high + 0.5
    if raster.name == "difference":  # none in the middle, a rise as strong as a fall
        low, high = -max(abs(low), abs(high)), max(abs(low), abs(high))
    if raster.name == "contributing_area" and low > 0.0:
        return np.geomspace(low, high, count)  # most cells have little, a few have all
    return np.linspace(low, high, count)
