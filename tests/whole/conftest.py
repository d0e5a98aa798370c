"""What the tests of whole pages share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from browser_cases import opened_browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Return a real browser."""
    yield from opened_browser(tmp_path_factory.mktemp("profile"))
