"""The examples in docstrings run and give what they say."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "geosite").rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)
# these build a whole sample
SLOW = {"geosite.api", "geosite.build"}


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=pytest.mark.slow) if n in SLOW else n for n in WITH_EXAMPLES],
)
def test_examples(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    failed, tried = doctest.testmod(importlib.import_module(name))
    assert tried > 0
    assert failed == 0
