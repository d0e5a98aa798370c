"""What leaves of small sites is what somebody has read and approved."""

from __future__ import annotations

from pathlib import Path

import pytest
from approved.cases import CASES
from approved.check import assert_approved

pytestmark = [
    pytest.mark.slow,
    # runs of the host are copies of this process, of which newer versions of Python warn
    pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning"),
]


@pytest.mark.parametrize("case", CASES)
def test_what_leaves_is_as_approved(case: str, tmp_path: Path) -> None:
    assert_approved(case, tmp_path)
