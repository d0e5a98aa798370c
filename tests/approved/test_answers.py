"""What the processes tell that answer one question of a site."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.check import assert_approved

pytestmark = pytest.mark.slow


def test_answers_are_told_as_approved(tmp_path: Path) -> None:
    assert_approved("answers", tmp_path)
