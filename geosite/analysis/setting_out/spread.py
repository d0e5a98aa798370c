"""How near to a point the device comes: what today's walk and the survey do not share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geosite.analysis.setting_out.joint_network import Joint, Place
from geosite.analysis.setting_out.model import Verdict
from geosite.base.arrays import Floats
from geosite.base.statistics import chi2_isf, radius_factor
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network

__all__ = ["PlaceErrors", "place_errors"]


@dataclass(frozen=True, eq=False)
class PlaceErrors:
    """How far the device may be off at each point, metres on the ground; NaN where not known.

    `least` is what the radius is at least, for all that is known of the size of the noise.
    """

    plan: Floats
    level: Floats
    radius: Floats
    least: Floats
    level_95: Floats
    on_map: Floats

    def known(self, name: str, number: int) -> float | None:
        """Return one number of one point, None where it is not known."""
        value = float(getattr(self, name)[number])
        return value if math.isfinite(value) else None

    def verdict(self, number: int, tolerance: float | None) -> Verdict | None:
        """Judge the radius, whose own size is only as well known as the noise it is made from."""
        if tolerance is None:
            return None
        if not np.isfinite(self.radius[number]):
            return "undecided"
        if self.radius[number] <= tolerance:
            return "can"
        return "undecided" if self.least[number] <= tolerance else "cannot"


def place_errors(
    joint: Joint, places: Sequence[Place], survey: Network, planned: bool
) -> PlaceErrors:
    """Return the errors of the points, the first rows, against the survey around them.

    A planned walk fits its baseline without error; that says nothing about the noise, so the
    survey's own variance factors stay.
    """
    network = joint.network
    relative, absolute = [], []
    for row, place in zip(joint.rows, places, strict=False):
        rows = np.append(place.rows, row)
        weights = np.append(-place.shares, 1.0)
        none = np.zeros(len(rows))
        relative += [
            LinearForm(rows, weights, none, none),
            LinearForm(rows, none, weights, none),
            LinearForm(rows, weights, weights, none),
            LinearForm(rows, none, none, weights),
        ]
        alone = np.array([row])
        one, zero = np.ones(1), np.zeros(1)
        absolute += [LinearForm(alone, one, zero, zero), LinearForm(alone, zero, one, zero)]
    table = sigmas(network, relative).reshape(-1, 4)
    on_map = sigmas(network, absolute).reshape(-1, 2)
    level_factor, degrees_of_freedom = network.vertical_interval_factor, network.degrees_of_freedom
    if planned:
        table[:, :3] *= math.sqrt(survey.variance_factor / network.variance_factor)
        vertical_ratio = survey.vertical_variance_factor / network.vertical_variance_factor
        table[:, 3] *= math.sqrt(vertical_ratio)
        level_factor, degrees_of_freedom = (
            survey.vertical_interval_factor,
            survey.degrees_of_freedom,
        )
    table[:, :3] /= network.frame.combined_factor
    east, north, diagonal, level = table.T
    covariance = (diagonal**2 - east**2 - north**2) / 2
    mean_variance = (east**2 + north**2) / 2
    half_difference = np.hypot((east**2 - north**2) / 2, covariance)
    major = np.sqrt(mean_variance + half_difference)
    minor = np.sqrt(np.maximum(mean_variance - half_difference, 0.0))
    ratio = np.divide(minor, major, out=np.ones_like(minor), where=major > 0)
    radius = major * radius_factor(ratio, degrees_of_freedom)
    least = major * radius_factor(ratio, math.inf)
    if math.isfinite(degrees_of_freedom):
        n = max(round(degrees_of_freedom), 1)
        least = least * math.sqrt(n / chi2_isf(0.025, n))
    known = network.accuracy_known and survey.accuracy_known
    unknown = np.full(len(east), math.nan)
    return PlaceErrors(
        plan=np.sqrt(mean_variance) if known else unknown,
        level=level if known else unknown,
        radius=radius if known else unknown,
        least=least if known else unknown,
        level_95=level * level_factor if known else unknown,
        on_map=np.sqrt((on_map**2).mean(axis=1)) if known else unknown,
    )
