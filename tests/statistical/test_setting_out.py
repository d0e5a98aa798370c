"""Setting out comes as near as it says: 500 walks over baselines, map scales, units and axes."""

from __future__ import annotations

import numpy as np
import pytest
from setting_out_walks import KINDS, set_out_own_marks

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("half", [0, 1])
def test_the_device_comes_within_the_stated_error(half: int) -> None:
    walks = range(250 * half, 250 * half + 250)
    found = np.array(
        [set_out_own_marks(1000 + seed, KINDS[seed % len(KINDS)], marks=3) for seed in walks]
    )
    plan, level = found.mean(axis=(0, 2))
    assert 0.92 <= plan <= 0.98
    assert 0.92 <= level <= 0.98
