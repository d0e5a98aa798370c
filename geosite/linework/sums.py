"""Measures of an outline: the sums over its pieces, each with its derivative by the marks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geosite.linework.measures import open_measure, sum_of_forms
from geosite.linework.model import Measure
from geosite.linework.strokes import Stroke, climb_form, form_of, length_3d_form
from geosite.network.model import LinearForm, Network

__all__ = ["climb_of", "length_of", "on_ground", "slope_length_of"]


def length_of(network: Network, strokes: Sequence[Stroke]) -> Measure | None:
    """Add up the horizontal lengths of pieces, on the ground.

    Parameters
    ----------
    network
        For the combined factor.
    strokes
        Pieces of an outline.

    Returns
    -------
    Measure or None
        Metres; ``None`` where there is nothing to add.

    Examples
    --------
    Two legs of 3 and 4 m on the map, where the map is drawn at 0.5 of the ground:

    >>> from geosite.base.map_frame import Frame
    >>> from geosite.linework.strokes import straight_stroke
    >>> from geosite.network.independent_marks import independent_marks
    >>> marks = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [3.0, 4.0, 0.0]])
    >>> legs = straight_stroke("line", np.arange(3), marks, np.zeros(2))
    >>> length = length_of(independent_marks(marks, frame=Frame(combined_factor=0.5)), [legs])
    >>> length.value, length.grid
    (14.0, 7.0)
    """
    if not strokes:
        return None
    rows = np.concatenate([s.piece.rows for s in strokes])
    gradient = np.concatenate([s.length_gradient for s in strokes])
    return on_ground(network, sum(s.length for s in strokes), form_of(rows, gradient), 1)


def on_ground(network: Network, grid: float, form: LinearForm, power: int) -> Measure:
    """Bring a measure on the grid to the ground: it is divided by the combined factor to a power.

    Parameters
    ----------
    network
        For the combined factor.
    grid
        Metres or square metres on the map grid.
    form
        Derivative of it.
    power
        1 for a length, 2 for an area.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.network.independent_marks import independent_marks
    >>> half = independent_marks([(0, 0, 0)], frame=Frame(combined_factor=0.5))
    >>> none = LinearForm(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(0))
    >>> on_ground(half, 6.0, none, 1).value, on_ground(half, 6.0, none, 2).value
    (12.0, 24.0)
    """
    to_ground = network.frame.combined_factor**-power
    return open_measure(grid * to_ground, grid, form * to_ground)


def slope_length_of(network: Network, strokes: Sequence[Stroke]) -> Measure:
    """Add up the lengths of pieces along their slope, on the ground, metres.

    Parameters
    ----------
    network
        For the combined factor.
    strokes
        Pieces of a line; at least one.

    Examples
    --------
    Five metres on and twelve up are thirteen along the slope:

    >>> from geosite.linework.strokes import straight_stroke
    >>> from geosite.network.independent_marks import independent_marks
    >>> marks = np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 12.0]])
    >>> steep = straight_stroke("line", np.arange(2), marks, np.zeros(2))
    >>> slope_length_of(independent_marks(marks), [steep]).value
    13.0
    """
    factor = network.frame.combined_factor
    climbs = np.concatenate([s.climbs for s in strokes])
    form = sum_of_forms([length_3d_form(s, factor) for s in strokes])
    return open_measure(
        float(np.hypot(climbs[:, 0] / factor, climbs[:, 1]).sum()),
        float(np.hypot(climbs[:, 0], climbs[:, 1]).sum()),
        form,
    )


def climb_of(strokes: Sequence[Stroke], sign: float) -> Measure:
    """Add up what a line climbs from mark to mark, or what it descends, metres.

    Parameters
    ----------
    strokes
        Pieces of a line; at least one.
    sign
        1 for the climbs, -1 for the descents; both come out positive.

    Examples
    --------
    >>> from geosite.linework.strokes import straight_stroke
    >>> marks = np.array([[0.0, 0.0, 5.0], [1.0, 0.0, 7.0], [2.0, 0.0, 6.5], [3.0, 0.0, 7.0]])
    >>> way = straight_stroke("line", np.arange(4), marks, np.zeros(2))
    >>> climb_of([way], 1.0).value, climb_of([way], -1.0).value
    (2.5, 0.5)
    """
    value = sum(float(np.maximum(sign * s.climbs[:, 1], 0.0).sum()) for s in strokes)
    weights = [np.where(sign * s.climbs[:, 1] > 0.0, sign, 0.0) for s in strokes]
    form = sum_of_forms([climb_form(s, w) for s, w in zip(strokes, weights, strict=True)])
    return open_measure(value, value, form)
