"""The scripts of the pages: modules that say what they take from each other, and are linted."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

import geosite
from geosite.handover.viewer import page

ROOT = Path(geosite.__file__).parent / "handover"
VIEWER = ROOT / "viewer"
SCRIPTS = tuple(sorted(ROOT.rglob("*.js")))


def imports(text: str) -> dict[str, set[str]]:
    found = re.findall(r'^import \{([^}]*)\} from "\./([\w.]+)";$', text, flags=re.MULTILINE)
    return {
        name: {part.strip() for part in names.split(",") if part.strip()} for names, name in found
    }


def exports(text: str) -> set[str]:
    lines = re.findall(r"^export ((?:const|let|function) .*)$", text, flags=re.MULTILINE)
    return {
        name
        for line in lines
        for name in re.findall(r"(?:^function |^const |^let |, )(\w+)(?: =|\()", line)
    }


def test_a_module_imports_only_what_an_earlier_one_exports() -> None:
    order = [path.name for path in sorted(VIEWER.glob("*.js"))]
    texts = {name: (VIEWER / name).read_text("utf-8") for name in order}
    taken = {
        (name, source, item)
        for name, text in texts.items()
        for source, items in imports(text).items()
        for item in items
    }
    assert len(taken) > 40
    assert {(n, s, i) for n, s, i in taken if i not in exports(texts[s])} == set()
    script = page.viewer_script()
    at = {name: script.index(texts[name].lstrip().splitlines()[0]) for name in order}
    assert {(n, s) for n, s, _ in taken if at[s] >= at[n]} == set()
    assert re.search(r"^(?:import|export) ", script, flags=re.MULTILINE) is None


@pytest.mark.slow
def test_scripts_are_linted_as_modules(tmp_path: Path) -> None:
    """Nothing undeclared, unused or shadowed: eslint, the usual linter for the language."""
    modules = Path(os.environ.get("GEOSITE_NPM_READERS", "")) / "node_modules"
    if not (modules / "eslint").is_dir() or shutil.which("node") is None:
        pytest.skip("eslint is not installed here (GEOSITE_NPM_READERS)")
    (tmp_path / "node_modules").symlink_to(modules.resolve())
    shutil.copy(Path(__file__).with_name("page_scripts.eslint.mjs"), tmp_path / "eslint.config.mjs")
    for number, path in enumerate(SCRIPTS):
        folder = tmp_path / f"part{number}"
        folder.mkdir()
        shutil.copy(path, folder / path.name)
    (tmp_path / "wrong.js").write_text("const one = undeclared;\n")
    eslint = ["node", "node_modules/eslint/bin/eslint.js"]
    wrong = subprocess.run([*eslint, "wrong.js"], cwd=tmp_path, capture_output=True, text=True)
    assert wrong.returncode == 1
    assert "'undeclared' is not defined" in wrong.stdout
    (tmp_path / "wrong.js").unlink()
    done = subprocess.run([*eslint, "."], cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
