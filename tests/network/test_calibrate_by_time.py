"""Where times are recorded the random walk of the position is fitted by time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from device_walks import walked

from geosite.fieldbook.model import Notes
from geosite.network.calibration import fit
from geosite.network.calibration.fit import Calibration, calibrate
from geosite.network.calibration.wording import calibration_facts, device_toml
from geosite.network.walk.device import Device

TRUE = Device(
    pointing=0.004,
    pointing_up=0.004,
    walk=0.03,
    walk_up=0.03,
    heading=math.radians(0.2),
    scale=0.01,
    climb=0.005,
    tilt=math.radians(0.3),
    degrees_of_freedom=4,
)
"""Mostly random walk."""
PACE = 0.25
"""Metres per second."""


def timed(seed: int, share: float = 1.0) -> Notes:
    """Walk a yard of 40 m at an even pace, with the time of a share of the observations."""
    case = walked(40.0, seed, true=TRUE).notes
    book = case.book
    step = np.linalg.norm(np.diff(book.local, axis=0, prepend=book.local[:1]), axis=1)
    time = np.cumsum(step) / PACE
    time[np.arange(len(time)) >= share * len(time)] = np.nan
    return replace(case, book=replace(book, time=time))


@pytest.fixture(autouse=True, scope="module")
def straight_and_true() -> Iterator[None]:
    """Fit neither heading nor scale, which take most of the time of a calibration."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fit, "PLAN", ("pointing", "walk"))
        yield


@pytest.fixture(scope="module")
def by_time() -> Calibration:
    return calibrate([timed(seed) for seed in (1, 2)], proof=False)


@pytest.mark.slow
def test_the_random_walk_is_that_of_the_pace(by_time: Calibration) -> None:
    found = {part.name: part for part in by_time.components}
    assert "walk" not in found
    for name in ("walk_per_second", "walk_up_per_second"):
        assert found[name].low <= TRUE.walk * math.sqrt(PACE) <= found[name].high
        assert found[name].identified
        assert found[name].high / found[name].value < 1.7
    assert by_time.device.walk_per_second == found["walk_per_second"].value


@pytest.mark.slow
def test_it_is_written_and_told_by_the_second(by_time: Calibration) -> None:
    facts = calibration_facts(by_time)["components"]
    assert facts["walk_per_second"]["unit"] == "m per root second"
    assert "\nwalk_up_per_second = " in device_toml(by_time)


@pytest.mark.slow
def test_times_of_half_the_observations_are_not_enough() -> None:
    found = calibrate([timed(1, 0.5)], proof=False)
    assert {"walk", "walk_up"} <= {part.name for part in found.components}
