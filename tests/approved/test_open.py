"""Lines walked once, of a device of which nothing is known: every file that a build writes."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_the_rope_line_leaves_as_approved(tmp_path: Path) -> None:
    assert_approved("open", tmp_path)
