"""The examples in docstrings run and give what they say."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "geosite").rglob("*.py")
    if re.search(r">>> (?!.*\+SKIP)", path.read_text(encoding="utf-8"))
)
# these build a whole sample
SLOW = {"geosite", "geosite.api", "geosite.build"}


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=pytest.mark.slow) if n in SLOW else n for n in WITH_EXAMPLES],
)
def test_examples(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    failed, tried = doctest.testmod(importlib.import_module(name))
    assert tried > 0
    assert failed == 0


def test_the_public_functions_are_shown_at_work() -> None:
    public, shown = 0, 0
    for path in (ROOT / "geosite").rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        listed: set[str] = set()
        for node in tree.body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
                listed = set(ast.literal_eval(node.value))
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and node.name in listed:
                public += 1
                shown += ">>> " in (ast.get_docstring(node) or "")
    assert shown / public > 0.49
