"""A third-party plug-in, built as a wheel, installed into a fresh environment and used there."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

pytestmark = pytest.mark.slow

PACKAGE = Path(__file__).parents[1] / "plugin_package"


@pytest.fixture(scope="module")
def python(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the interpreter of a fresh environment that has the plug-in."""
    folder = tmp_path_factory.mktemp("plugin")
    # from a copy: a build leaves nothing in the source tree
    source = shutil.copytree(PACKAGE, folder / "source")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    subprocess.run(
        [*pip, "wheel", "--no-deps", "--no-build-isolation", "-w", folder, source], check=True
    )
    (wheel,) = folder.glob("*.whl")
    fresh = folder / "fresh"
    venv.create(fresh, with_pip=False)
    interpreter = fresh / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    own = subprocess.run(
        [interpreter, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        check=True, capture_output=True, text=True,
    ).stdout.strip()  # fmt: skip
    # geosite and its libraries come from here, installing them again would test nothing
    (Path(own) / "parent.pth").write_text(
        f"import site; site.addsitedir({sysconfig.get_path('purelib')!r})\n"
    )
    subprocess.run(
        [*pip, "--python", interpreter, "install", "--no-index", "--no-deps", wheel], check=True
    )
    return interpreter


def geosite(python: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [python, "-m", "geosite_cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


def ground(path: Path) -> Path:
    values = np.full((4, 5), 400.0, dtype=np.float32)
    values[:2] = 401.0
    with rasterio.open(
        path, "w", driver="GTiff", width=5, height=4, count=1, dtype="float32", nodata=-9999,
        crs="EPSG:25832", transform=Affine(2, 0, 500_000, 0, -2, 5_000_000),
    ) as file:  # fmt: skip
        file.write(values, 1)
    return path


def test_it_is_listed_beside_the_built_in_ones_and_the_broken_one_with_its_reason(
    python: Path,
) -> None:
    ran = geosite(python, "list", "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    listed = json.loads(ran.stdout)
    ids = {one["id"] for one in listed["processes"]}
    assert ids >= {"estimate-fill", "derive-slope", "build-site"}
    assert listed["broken"] == [
        {
            "id": "estimate-blasting",
            "package": "yard-compaction",
            "reason": "ModuleNotFoundError: No module named 'a_package_that_nobody_has'",
        }
    ]
    words = geosite(python, "list").stdout
    assert "Loose material to fill a yard up to a level (yard-compaction)" in words
    assert "cannot be used" in words


def test_it_is_described_like_any_other(python: Path) -> None:
    described = json.loads(geosite(python, "describe", "estimate-fill", "--json").stdout)
    assert described["version"] == "0.3.0"
    assert described["inputs"]["bulking"]["minOccurs"] == 0
    text = geosite(python, "execute", "estimate-fill", "--help").stdout
    assert "--bulking NUMBER" in text
    assert "geosite execute estimate-fill --elevation map/elevation.tif --level 402" in text


def test_it_runs_and_its_schema_is_enforced(python: Path, tmp_path: Path) -> None:
    elevation = ground(tmp_path / "e.tif")
    call = (
        "execute",
        "estimate-fill",
        "--json",
        "--elevation",
        elevation,
        "--out",
        tmp_path / "out",
    )
    ran = geosite(python, *call, "--level", "401.5")
    assert (ran.returncode, ran.stderr) == (0, "")
    href = json.loads(ran.stdout)["fill"]["href"]
    # two rows of five cells of 4 m2 each, 0.5 m and 1.5 m deep
    assert json.loads(Path(href).read_text()) == {"volume_m3": 80.0, "loose_volume_m3": 100.0}
    ran = geosite(python, *call, "--level", "401.5", "--bulking", "9")
    assert ran.returncode == 2
    assert "bulking is 9.0; expected a number from 1 to 3" in ran.stderr
    ran = geosite(python, *call, "--level", "300")
    assert ran.returncode == 2
    assert "raise the level" in ran.stderr
    assert ran.stderr.count("\n") == 1


def test_the_broken_one_says_why_when_it_is_asked_for(python: Path, tmp_path: Path) -> None:
    ran = geosite(python, "execute", "estimate-blasting", "--out", tmp_path / "out")
    assert ran.returncode == 2
    assert "a_package_that_nobody_has" in ran.stderr
    assert ran.stderr.count("\n") == 1
