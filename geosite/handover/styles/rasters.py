"""The ramp of each raster, and the same in steps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from geosite.handover.model import Raster
from geosite.handover.palette import ALERT, CHANGE_RAMP, DIRECTION_RAMP, RAMPS
from geosite.handover.styles.measures import shown_in
from geosite.handover.styles.model import Ramp, Stop

__all__ = ["WINDS", "ramp_of", "steps_of"]

_GREY = ("#f5f5f5", "#c9ced1", "#98a1a6", "#69747b", "#3e4951", "#1f2d37")
_AZIMUTHS = ("drainage_direction", "aspect")
WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
"""Eight directions, each 45 degrees on from the one before."""
_WATER = "ponding_depth"
_NO_WATER = 0.1
"""Depth that the ramp of water goes to where there is none: all of it is clear then, metres."""
_LEAST_WATER = 1e-6
"""Depth from which on there is any, metres."""
_SHARE = "1"
"""Unit of a share, nothing to all."""
_LITTLE = 1e-3
"""Of what the ramp goes over: less is a rounding, and no legend tells it apart."""
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
    if raster.winds:
        return Ramp(tuple(_codes(raster)))
    if raster.name in _AZIMUTHS:
        turn = (*DIRECTION_RAMP, DIRECTION_RAMP[0])
        names = ("north", "east", "south", "west", "north")
        stops = [Stop(90.0 * i, turn[i], names[i]) for i in range(5)]
        if (raster.values == -1.0).any():
            # a narrow step, so that nothing blends from it towards north
            stops[:0] = [Stop(at, ALERT, _nowhere(raster)) for at in (-1.0, -0.01)]
        return Ramp(tuple(stops))
    colours = _RAMPS.get(raster.name, _GREY)
    values = _spread(raster, len(colours))
    told, after = _told(values, raster, unit)
    titles = [f"{text}{after}" for text in told]
    # the colours at both ends stand for all that lies beyond, too
    below, above = _beyond(raster, values)
    titles[0] += " or less" if below else ""
    titles[-1] += " or more" if above else ""
    dry = raster.name == _WATER
    return Ramp(
        tuple(
            Stop(float(value), colour, title, 0.0 if dry and not i else 1.0)
            for i, (value, colour, title) in enumerate(zip(values, colours, titles, strict=True))
        )
    )


def steps_of(raster: Raster, unit: Literal["m", "ft"] = "m") -> tuple[Stop, ...]:
    """Return the colours of a raster for a reader that blends none: each from its value on.

    A colour holds up to the value of the next; the last one closes the ramp. It is drawn in a
    legend, too, so that its title says where the ramp ends.
    Every value has a colour, the least and the greatest too, but dry ground. Azimuths have eight,
    each round its wind.

    Parameters
    ----------
    raster
    unit
        That the titles speak.

    Examples
    --------
    >>> from geosite.base.grid import Grid
    >>> values = np.array([[0.0, 2.0], [4.0, 10.0]])
    >>> share = Raster("share", "Share", "", values / 10.0, Grid(0.0, 2.0, 1.0, 2, 2), "1")
    >>> [stop.title for stop in steps_of(share)][1:]
    ['0.1 to 0.3', '0.3 to 0.5', '0.5 to 0.7', '0.7 to 0.9', '0.9 or more', 'to 1.0']
    """
    if raster.winds:
        codes = tuple(_codes(raster))
        steps = (replace(stop, value=stop.value - 0.5) for stop in codes)
        return (*steps, Stop(codes[-1].value + 0.5, codes[-1].colour, _END))
    if raster.name in _AZIMUTHS:
        return tuple(_winds(raster))
    colours = _RAMPS.get(raster.name, _GREY)
    values = _spread(raster, len(colours))
    bounds = (values[1:] + values[:-1]) / 2.0
    least, most = _ends(raster)
    little = _LITTLE * float(values[-1] - values[0])
    low = min(least, float(values[0])) - little
    if raster.name == _WATER:  # dry ground is clear: what is drawn begins with any water
        low, bounds, colours = little, bounds[1:], colours[1:]
    told, after = _told(bounds, raster, unit)
    titles = [
        f"less than {told[0]}{after}",
        *(f"{a} to {b}{after}" for a, b in pairwise(told)),
        f"{told[-1]}{after} or more",
        f"to {_told(bounds, raster, unit, max(most, float(values[-1])))[0][-1]}{after}",
    ]
    edges = [low, *bounds.tolist(), max(most, float(values[-1])) + little]
    return tuple(map(Stop, edges, (*colours, colours[-1]), titles))


_END = "end of the colours"


def _codes(raster: Raster) -> Iterator[Stop]:
    """Yield a colour for each code of a direction, that of its wind."""
    winds = dict(zip(WINDS, _turn(), strict=True))
    for code, wind in sorted(raster.winds.items()):
        if wind:
            yield Stop(float(code), winds[wind], f"{code} ({wind})")
        else:
            yield Stop(float(code), ALERT, _nowhere(raster))


def _turn() -> list[str]:
    """Return eight colours round the winds, those in between blended."""
    quarters = [tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in DIRECTION_RAMP]
    return [
        "#" + "".join(f"{(a + b) // 2:02x}" for a, b in zip(one, other, strict=True))
        for k, one in enumerate(quarters)
        for other in (one, quarters[(k + 1) % 4])
    ]


def _winds(raster: Raster) -> Iterator[Stop]:
    """Yield eight colours round the winds, each from where it begins."""
    turn = _turn()
    if (raster.values == -1.0).any():
        yield Stop(-1.5, ALERT, _nowhere(raster))
    yield Stop(-0.5, turn[0], WINDS[0])
    for k in range(1, 9):
        yield Stop(45.0 * k - 22.5, turn[k % 8], WINDS[k % 8])
    yield Stop(361.0, turn[0], _END)


def _nowhere(raster: Raster) -> str:
    return "no way out" if raster.name == "drainage_direction" else "level"


def _told(
    values: Any, raster: Raster, unit: Literal["m", "ft"], *more: float
) -> tuple[list[str], str]:
    """Return values with the digits that tell them apart, and the unit that follows them."""
    # an elevation is in the unit of its vertical CRS, for every reader
    factor, word = (1.0, raster.unit) if raster.is_elevation else shown_in(raster.unit, unit)
    after = f" {word}" if word and word != _SHARE else ""
    apart = np.diff(values) * factor
    digits = int(np.clip(1 - np.floor(np.log10(apart.min())), 0, 6))
    if raster.unit == _SHARE:
        digits = 1
    # a negative nothing is nothing
    return [
        f"{round(value * factor, digits) + 0.0:.{digits}f}" for value in (*values, *more)
    ], after


def _ends(raster: Raster) -> tuple[float, float]:
    """Return the least and the greatest value that a raster holds."""
    valid = raster.values[np.isfinite(raster.values)]
    return (float(valid.min()), float(valid.max())) if valid.size else (0.0, 0.0)


def _beyond(raster: Raster, values: Any) -> tuple[bool, bool]:
    """Return whether a raster holds less than the first value, more than the last."""
    least, most = _ends(raster)
    little = _LITTLE * (values[-1] - values[0])
    return least < values[0] - little, most > values[-1] + little


def _spread(raster: Raster, count: int) -> Any:
    """Return the values of the ramp's colours: all there are, or without the outer 2 percent."""
    valid = raster.values[np.isfinite(raster.values)].astype(np.float64)
    if not valid.size or raster.unit == _SHARE:
        return np.linspace(0.0, 1.0, count)
    whole = raster.is_elevation or raster.name == _WATER
    low, high = np.percentile(valid, (0.0, 100.0) if whole else (2.0, 98.0)).tolist()
    if high - low <= 1e-6 * max(1.0, abs(low)):
        low, high = float(valid.min()), float(valid.max())
    if raster.name == _WATER:
        return np.linspace(0.0, high if high > _LEAST_WATER else _NO_WATER, count)
    if high - low <= 1e-6 * max(1.0, abs(low)):
        low, high = low - 0.5, high + 0.5
    if raster.name == "difference":  # none in the middle, a rise as strong as a fall
        low, high = -max(abs(low), abs(high)), max(abs(low), abs(high))
    if raster.name == "contributing_area" and low > 0.0:
        return np.geomspace(low, high, count)  # most cells have little, a few have all
    return np.linspace(low, high, count)
