"""What lies between two walked edges of a way: its width and its cross slope, from the marks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geosite.analysis.walked_line import Polyline
from geosite.base.arrays import Floats
from geosite.network.model import LinearForm, Network

__all__ = ["Crossing", "crossing"]


@dataclass(frozen=True, eq=False)
class Crossing:
    """A straight cut across a way, from its left edge to its right.

    Parameters
    ----------
    width, width_form
        Ground metres.
    slope, slope_form
        A ratio, positive where the left edge is higher.
    places : array, shape (2, 3)
        On the left and on the right edge, local grid metres and elevation.
    """

    width: float
    width_form: LinearForm
    slope: float
    slope_form: LinearForm
    places: Floats


@dataclass(frozen=True, eq=False)
class _Met:
    """Where a cut meets an edge: how far to the left, with the form, and how high."""

    aside: float
    aside_form: LinearForm
    elevation: float
    up_form: LinearForm


def crossing(
    network: Network, edges: tuple[Polyline, Polyline], middle: Floats, left: Floats
) -> Crossing | None:
    """Cut across a way at one place.

    Parameters
    ----------
    network
        The adjusted survey.
    edges
        The two edges, in any order.
    middle, left : array, shape (2,)
        A place between them, local grid metres, and the unit vector across.

    Returns
    -------
    Crossing or None
        None where the cut does not meet both edges.

    Examples
    --------
    A way to the north, 2 m wide, its left edge 4 cm higher than its right one:

    >>> from geosite.network.independent_marks import independent_marks
    >>> network = independent_marks([(0, 0, 0.04), (0, 9, 0.04), (2, 0, 0), (2, 9, 0)])
    >>> along = np.array([0.0, 9.0])
    >>> left = Polyline("left", np.array([0, 1]), ("", ""), along)
    >>> right = Polyline("right", np.array([2, 3]), ("", ""), along)
    >>> cut = crossing(network, (left, right), np.array([1.0, 5.0]), np.array([-1.0, 0.0]))
    >>> cut.width, cut.slope
    (2.0, 0.02)
    """
    met = [_meet(network, edge, middle, left) for edge in edges]
    if met[0] is None or met[1] is None:
        return None
    a, b = sorted((met[0], met[1]), key=lambda m: -m.aside)
    factor = network.frame.combined_factor
    width = (a.aside - b.aside) / factor
    if width <= 0:
        return None
    rise = a.elevation - b.elevation
    width_form = (a.aside_form + b.aside_form * -1.0) * (1 / factor)
    slope_form = (a.up_form + b.up_form * -1.0) * (1 / width) + width_form * (-rise / width**2)
    places = np.array([[*(middle + m.aside * left), m.elevation] for m in (a, b)])
    return Crossing(width, width_form, rise / width, slope_form, places)


def _meet(network: Network, edge: Polyline, middle: Floats, left: Floats) -> _Met | None:
    """Return the crossing of the cut with an edge that is nearest to the middle.

    The cut is ``middle + t left``; on a leg with normal n it has ``t = n . (mark - middle) /
    n . left``, so t moves with both marks of the leg, by their shares of the way.
    """
    places = network.en[edge.rows]
    start, leg = places[:-1], np.diff(places, axis=0)
    normal = np.column_stack([-leg[:, 1], leg[:, 0]])
    facing = normal @ left
    with np.errstate(divide="ignore", invalid="ignore"):
        aside = (normal * (start - middle)).sum(axis=1) / facing
        along = ((middle + aside[:, None] * left - start) * leg).sum(axis=1) / (leg**2).sum(axis=1)
    on = np.flatnonzero((np.abs(facing) > 0) & (along >= 0.0) & (along <= 1.0))
    if not len(on):
        return None
    k = int(on[np.argmin(np.abs(aside[on]))])
    share = np.array([1.0 - along[k], along[k]])
    rows = edge.rows[k : k + 2]
    east, north = (share * component / facing[k] for component in normal[k])
    zero = np.zeros(2)
    return _Met(
        float(aside[k]),
        LinearForm(rows, east, north, zero),
        float(share @ network.elevation[rows]),
        LinearForm(rows, zero, zero, share),
    )
