"""Elevations in triangles as combinations of the marks at their corners."""

from __future__ import annotations

import numpy as np

from geosite.base.arrays import Floats, Ints
from geosite.network.model import LinearForm

__all__ = ["corner_forms"]


def corner_forms(
    corners: Ints, row_of_point: Ints, shares: Floats, slopes: Floats
) -> list[LinearForm]:
    """Return the form of the elevation at each place in a triangle.

    Parameters
    ----------
    corners : array, shape (m, 3)
        Points at the corners of the triangle of each place.
    row_of_point : array, shape (p,)
        Observation of each point.
    shares : array, shape (m, 3)
        Barycentric coordinates; NaN for a place in no triangle, whose form is empty.
    slopes : array, shape (m, 2)
        Rise of the triangle towards east and north: moving a corner sideways carries it along.

    Examples
    --------
    A quarter of the way from the first corner to the second, on ground that rises 0.2 to the east:

    >>> corners, shares = np.array([[7, 3, 5]]), np.array([[0.75, 0.25, 0.0]])
    >>> (form,) = corner_forms(corners, np.arange(10), shares, np.array([[0.2, 0.0]]))
    >>> form.rows.tolist(), form.up.tolist(), form.east.round(9).tolist()
    ([3, 5, 7], [0.25, 0.0, 0.75], [-0.05, -0.0, -0.15])
    """
    order = np.argsort(corners, axis=1)
    rows = row_of_point[np.take_along_axis(corners, order, axis=1)]
    up = np.take_along_axis(shares, order, axis=1)
    east, north = -up * slopes[:, :1], -up * slopes[:, 1:]
    none = LinearForm(rows[:0, 0], up[:0, 0], up[:0, 0], up[:0, 0])
    return [
        none if beyond else LinearForm(rows[k], east[k], north[k], up[k])
        for k, beyond in enumerate(np.isnan(shares[:, 0]).tolist())
    ]
