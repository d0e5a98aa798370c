"""What a newcomer gets: starters and what is said of them."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_starters_are_told_as_approved(tmp_path: Path) -> None:
    assert_approved("starters", tmp_path)
