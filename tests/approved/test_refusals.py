"""What is said of a site file or a field book that is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_refusals_are_told_as_approved(tmp_path: Path) -> None:
    assert_approved("refusals", tmp_path)
