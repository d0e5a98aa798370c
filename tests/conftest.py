"""What tests of several rooms share."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from cli_runner import FERRY
from hypothesis import HealthCheck, settings

# commands in processes of their own keep their modules compiled, as an install does: without, each
# of some hundred processes would compile them again
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# on a machine that is busy with other things even six numbers take too long to be drawn
settings.register_profile("shared machine", suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("shared machine")


@pytest.fixture(scope="session")
def built_landing(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that `geosite build` makes of the sample landing, to read only.

    It is built once, whichever of the processes that share the tests comes first.
    """
    place = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        place = place.parent
    folder = place / "built_landing"
    with (place / "built_landing.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            command = Path(sys.executable).with_name("geosite")
            site, out = FERRY / "site.toml", place / "in_work"
            subprocess.run([command, "build", site, "--out", out], check=True, timeout=120)
            shutil.move(place / "in_work", folder)
    return folder
