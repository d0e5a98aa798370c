"""What two walks tell of the device."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_the_device_is_told_as_approved(tmp_path: Path) -> None:
    assert_approved("device", tmp_path)
