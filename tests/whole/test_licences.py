"""Everything that geosite needs at run time is under an open licence, and has both bounds."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from importlib.metadata import Distribution, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from geosite import __version__

ROOT = Path(__file__).parents[2]

# identifiers of the SPDX list, all approved by the Open Source Initiative or public domain
OPEN = {
    "0BSD",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "CC0-1.0",
    "HPND",
    "ISC",
    "MIT",
    "MIT-CMU",
    "MPL-2.0",
    "PSF-2.0",
    "Zlib",
}
# older packages say it in words
WORDS = {
    "BSD": "BSD-3-Clause",
    "New BSD": "BSD-3-Clause",
    "BSD 3-Clause": "BSD-3-Clause",
    "BSD License": "BSD-3-Clause",
    "MIT License": "MIT",
    "Apache Software License": "Apache-2.0",
    "ISC License (ISCL)": "ISC",
    "Python Software Foundation License": "PSF-2.0",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}

# of parts built into a wheel, whose licences lie beside it in the wheel
INSIDE = {"dependency licenses", "LicenseRef-PdfiumThirdParty"}


def needed(name: str, found: dict[str, Distribution]) -> dict[str, Distribution]:
    """Return the installed distributions that one needs, and those that these need."""
    key = re.sub(r"[-_.]+", "-", name).lower()
    if key in found:
        return found
    found[key] = one = distribution(name)
    for text in one.requires or ():
        wanted = Requirement(text)
        if wanted.marker is None or wanted.marker.evaluate({"extra": ""}):
            needed(wanted.name, found)
    return found


def licences(one: Distribution) -> set[str]:
    """Return the licences that a distribution states, as SPDX identifiers where known."""
    kinds = one.metadata.get_all("Classifier") or []
    words = [c.rpartition("::")[2].strip() for c in kinds if c.startswith("License ::")]
    words = [word for word in words if word != "OSI Approved"]
    stated = one.metadata.get("License-Expression")
    if stated or not words:
        stated = stated or one.metadata.get("License") or ""
        words = re.split(r"\s+(?:AND|OR)\s+|[(),]", stated)
    return {
        WORDS.get(word.strip(), word.strip())
        for word in words
        if word.strip() and word.strip() not in INSIDE
    }


def test_every_licence_is_open() -> None:
    found = needed("geosite", {})
    assert {"numpy", "scipy", "fiona", "rasterio", "pyproj", "shapely"} <= set(found)
    stated = {name: licences(one) for name, one in found.items()}
    assert {name: names for name, names in stated.items() if not names or names - OPEN} == {}


def requirements() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    return [*project["dependencies"], *(text for extra in extras for text in extra)]


@pytest.mark.parametrize("text", sorted(set(requirements())))
def test_every_dependency_has_both_bounds(text: str) -> None:
    wanted = Requirement(text)
    signs = {part.operator for part in wanted.specifier}
    assert {">=", "<"} <= signs or wanted.name == "geosite"


def test_the_font_comes_with_its_licence() -> None:
    folder = ROOT / "geosite" / "drawing" / "fonts"
    assert list(folder.glob("*.ttf"))
    assert "free of charge" in (folder / "LICENSE.txt").read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_wheel_holds_its_licences_its_version_and_its_types(tmp_path: Path) -> None:
    pip = [sys.executable, "-m", "pip", "-q", "--disable-pip-version-check"]
    made = [*pip, "wheel", "--no-deps", "--no-build-isolation", "-w", str(tmp_path), str(ROOT)]
    subprocess.run(made, check=True)
    (wheel,) = tmp_path.glob("*.whl")
    assert wheel.name.startswith(f"geosite-{__version__}-")
    with zipfile.ZipFile(wheel) as packed:
        names = packed.namelist()
        folder = f"geosite-{__version__}.dist-info"
        licence = packed.read(f"{folder}/licenses/geosite/LICENSE").decode()
        stated = packed.read(f"{folder}/METADATA").decode()
    assert "MIT License" in licence
    assert "License-Expression: MIT" in stated
    assert f"{folder}/licenses/geosite/drawing/fonts/LICENSE.txt" in names
    assert "geosite/py.typed" in names
