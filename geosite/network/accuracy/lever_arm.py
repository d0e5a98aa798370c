"""What the baseline's length costs at the far end of the site."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geosite.base.arrays import Ints
from geosite.network.accuracy.ellipses import error_ellipses, major_axes
from geosite.network.accuracy.on_map import ellipse_half_axis
from geosite.network.accuracy.sight import orientation_variances, orientation_with_place
from geosite.network.model import Network

__all__ = ["LeverArm", "lever_arm"]


@dataclass(frozen=True, slots=True)
class LeverArm:
    """What the baseline's length costs at the far end of the site.

    Parameters
    ----------
    row
        The observation known worst among those on marks that are not anchored.
    distance_m, baseline_m
        From the middle of the baseline; ground metres.
    error_95_m
        Semi-major axis of its 95 % error ellipse.
    swing_95_m
        The part that the turn of its run explains, never more than the whole.
    baseline_only_95_m
        What it would be if the runs shared the baseline and nothing else; ``None`` where that is
        so.
    """

    row: int
    distance_m: float
    baseline_m: float
    error_95_m: float
    swing_95_m: float
    baseline_only_95_m: float | None


def lever_arm(
    network: Network,
    baseline: tuple[int, int],
    baseline_only: Network | None,
    anchored: Ints,
) -> LeverArm:
    """Measure the lever arm.

    Parameters
    ----------
    network
    baseline
        Rows on the two baseline marks.
    baseline_only
        The same survey adjusted with the baseline marks as the only common marks.
    anchored : array, shape (k,)
        Rows on marks that are anchored: they are known already.
    """
    ends = network.en[list(baseline)]
    major = major_axes(network.relative)
    if len(anchored) < len(major):
        major[anchored] = -1.0
    row = int(np.argmax(major))
    run = network.plan.between.run[network.plan.between.at[row]]
    turn = float(orientation_variances(network)[run])
    together = float(np.hypot(*orientation_with_place(network, row)))
    swing = network.interval_factor * together / math.sqrt(turn) if turn > 0 else 0.0
    factor = network.frame.combined_factor
    return LeverArm(
        row=row,
        distance_m=float(np.hypot(*(network.en[row] - ends.mean(axis=0)))) / factor,
        baseline_m=math.dist(*ends) / factor,
        error_95_m=ellipse_half_axis(network, float(major[row])),
        swing_95_m=swing,
        baseline_only_95_m=None
        if baseline_only is None
        else ellipse_half_axis(
            network, float(error_ellipses(baseline_only.relative, np.array([row]))[0][0])
        ),
    )
