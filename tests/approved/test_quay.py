"""A site in metres that asks for all there is: every file that a build of it writes."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_the_quay_leaves_as_approved(tmp_path: Path) -> None:
    assert_approved("quay", tmp_path)
