"""What is made of exports of devices, in many forms."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_exports_are_imported_as_approved(tmp_path: Path) -> None:
    assert_approved("exports", tmp_path)
