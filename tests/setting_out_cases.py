"""A small finished setting out for the tests of what is made from it."""

from __future__ import annotations

import math

import numpy as np

from geosite.analysis.setting_out.baseline import BaselineCheck
from geosite.analysis.setting_out.model import Known, Located, SettingOut
from geosite.analysis.setting_out.targets import Target
from geosite.base.estimate import Estimate

NAMES = ("P1", 'P2, "the" <i>post</i>')


def located(name: str, along: float, offset: float, rise: float, walked: bool = True) -> Located:
    """Return a point of a baseline along +y of the device: right of it is +x."""
    return Located(
        Target(name, "", "point", np.array([500000 + offset, 5000000 + along, 100 + rise])),
        along=along,
        offset=offset,
        rise=rise,
        distance=math.hypot(along, offset),
        angle=math.atan2(offset, along) % (2 * math.pi),
        far=0.5,
        reading=(offset, along, rise) if walked else None,
        ground=Estimate.normal(100.1, 0.02, 1.96),
        cut=Estimate.normal(0.1 - rise, 0.02, 1.96),
        sigma_h_m=0.01,
        sigma_v_m=0.01,
        error_95_m=0.0245,
        v_95_m=0.0196,
        map_sigma_h_m=0.02,
        verdict="can",
    )


def found(walked: bool = True, count: int = 2) -> SettingOut:
    """Return a baseline of ten metres from A to B and two points, or many."""
    names = [*NAMES, *(f"Q{n}" for n in range(3, count + 1))]
    points = [located(names[0], 5.0, 5.0, 0.25, walked), located(names[1], 2.0, -1.0, -0.5, walked)]
    points += [located(name, 0.5 * n, -3.0, 0.0, walked) for n, name in enumerate(names[2:])]
    return SettingOut(
        title="Quay & <b>shed</b> (invented)",
        marks=("A", "B"),
        check=BaselineCheck("T", (1, 1), 10.0, 10.0, 0.01, 0.0, 0.0, 0.01, 0.04, 0.04, False)
        if walked
        else None,
        axes="right-handed",
        unit="m",
        unit_m=1.0,
        baseline=10.0,
        baseline_rise=0.0,
        baseline_visits=((0.0, 0.0, 0.0), (0.0, 10.0, 0.0)) if walked else None,
        combined_factor=0.9996,
        tolerance_m=0.05,
        points=tuple(points),
        straight_95_m={},
        check_mark=Known("S1", 3.0, 6.0, 0.1, (6.0, 3.0, 0.1) if walked else None),
    )
