"""Setting out comes as near as it says, over baselines, map scales, units, axes and devices.

500 walks of each kind: ``python tests/benchmark/setting_out_coverage.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from setting_out_walks import KINDS, set_out_own_marks

pytestmark = [pytest.mark.slow, pytest.mark.long]


@pytest.mark.parametrize("half", [0, 1])
def test_the_device_comes_within_the_stated_error(half: int) -> None:
    walks = range(120 * half, 120 * half + 120)
    found = np.array(
        [set_out_own_marks(1000 + seed, KINDS[seed % len(KINDS)], marks=3) for seed in walks]
    )
    plan, level = found.mean(axis=(0, 2))
    assert 0.92 <= plan <= 0.98
    assert 0.92 <= level <= 0.98
