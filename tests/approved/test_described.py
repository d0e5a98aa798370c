"""What geosite says of itself: site files, what it writes, its processes."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_geosite_is_described_as_approved(tmp_path: Path) -> None:
    assert_approved("described", tmp_path)
