"""Measures first, their sigmas afterwards and all at once.

One standard deviation costs far more than its share of many: features are measured with the sigma
left open (NaN), and `with_sigmas` closes all of them together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from geosite.linework.model import Measure
from geosite.network.covariance import accuracies
from geosite.network.model import LinearForm, Network

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Item = TypeVar("Item", bound=DataclassInstance)

__all__ = ["open_measure", "sum_of_forms", "with_sigmas"]


def open_measure(value: float, grid: float, form: LinearForm) -> Measure:
    """Return a measure whose sigma is not computed yet.

    Examples
    --------
    >>> nothing = np.zeros(0)
    >>> math.isnan(open_measure(2.0, 2.0, LinearForm(nothing, nothing, nothing, nothing)).sigma)
    True
    """
    return Measure(value, grid, form, math.nan)


def sum_of_forms(forms: Sequence[LinearForm]) -> LinearForm:
    """Add up many forms at once; at least one.

    Examples
    --------
    >>> one = LinearForm(np.array([3]), np.array([1.0]), np.array([0.0]), np.array([0.0]))
    >>> sum_of_forms([one, one * 2.0]).east
    array([1., 2.])
    """
    return LinearForm(
        np.concatenate([f.rows for f in forms]),
        np.concatenate([f.east for f in forms]),
        np.concatenate([f.north for f in forms]),
        np.concatenate([f.up for f in forms]),
    )


def with_sigmas(network: Network, items: Sequence[Item]) -> list[Item]:
    """Compute the missing sigmas of every measure that is a field of an item, all at once.

    Parameters
    ----------
    network
        For the covariance.
    items
        Frozen dataclasses.

    Returns
    -------
    list
        The same items; a measure that several of them share stays shared.

    Examples
    --------
    How far east a mark lies that was placed to 1 cm per axis:

    >>> from dataclasses import dataclass
    >>> from geosite.network.independent_marks import independent_marks
    >>> @dataclass(frozen=True)
    ... class Place:
    ...     east: Measure
    >>> form = LinearForm(np.array([0]), np.ones(1), np.zeros(1), np.zeros(1))
    >>> network = independent_marks([(30.0, 40.0, 0.0)], sigma_m=0.01)
    >>> (place,) = with_sigmas(network, [Place(open_measure(30.0, 30.0, form))])
    >>> round(place.east.sigma, 6), round(place.east.half_width, 4)
    (0.01, 0.0196)
    """
    opened: dict[int, Measure] = {}
    for item in items:
        for field in fields(item):
            measure = getattr(item, field.name)
            if isinstance(measure, Measure) and math.isnan(measure.sigma):
                opened[id(measure)] = measure
    found = accuracies(network, [m.form for m in opened.values()])
    closed = {
        key: replace(measure, sigma=float(sigma), half_width=float(half_width))
        for (key, measure), sigma, half_width in zip(opened.items(), *found, strict=True)
    }
    return [
        replace(
            item,
            **{
                field.name: closed[id(getattr(item, field.name))]
                for field in fields(item)
                if id(getattr(item, field.name)) in closed
            },
        )
        for item in items
    ]
