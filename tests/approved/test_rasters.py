"""What the processes tell that start from points or a raster."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_rasters_are_told_as_approved(tmp_path: Path) -> None:
    assert_approved("rasters", tmp_path)
