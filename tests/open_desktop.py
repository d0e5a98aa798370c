"""The real open GIS desktop, without a screen: its own Python runs the scripts in tests/desktop."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import pytest

SCRIPTS = Path(__file__).parent / "desktop"
SKIPPED = "the open GIS desktop is not installed here: tests in the real desktop are skipped"


@cache
def interpreter() -> str | None:
    """Return the Python that the desktop's libraries are for, None where there is none."""
    for candidate in (os.environ.get("GEOSITE_DESKTOP_PYTHON"), "/usr/bin/python3"):
        path = shutil.which(candidate) if candidate else None
        if path is None:
            continue
        tried = subprocess.run(
            [path, "-c", "import qgis.core"], env=_environment(Path("/tmp")), capture_output=True
        )
        if tried.returncode == 0:
            return path
    return None


def _environment(folder: Path) -> dict[str, str]:
    runtime = folder / "runtime"
    runtime.mkdir(mode=0o700, exist_ok=True) if folder != Path("/tmp") else None
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("PYTHON", "VIRTUAL_ENV", "PROJ_", "GDAL_", "CPL_"))
    }
    return {
        **kept,
        "QT_QPA_PLATFORM": "offscreen",
        "QGIS_CUSTOM_CONFIG_PATH": str(folder / "profile"),
        "XDG_RUNTIME_DIR": str(runtime),
        "PATH": "/usr/bin:/bin",
    }


def in_desktop(script: str, folder: Path, *arguments: object, **settings: str) -> dict[str, Any]:
    """Run a script in the desktop's Python; return what it printed as JSON on its last line."""
    path = interpreter()
    if path is None:
        pytest.skip(SKIPPED)
    done = subprocess.run(
        [path, SCRIPTS / script, *map(str, arguments)],
        env={**_environment(folder), **settings},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found
