"""A ramp, a deck and a dwelling in US survey feet: every file that a build writes."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_the_pier_leaves_as_approved(tmp_path: Path) -> None:
    assert_approved("pier", tmp_path)
