"""What processes tell of the quay and of a later walk of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_later_walks_are_told_as_approved(tmp_path: Path) -> None:
    assert_approved("later_walks", tmp_path)
