"""The same site gives the same bytes: another day, place, language, home and hash seed."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from quick_landing import quick_landing, take_coarse_cells

pytestmark = pytest.mark.slow

SCRIPT = """
import sys
from pathlib import Path
from geosite.build import build
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.sitefile import Handover
from geosite.handover.folder.write import write_package

site, out = map(Path, sys.argv[1:])
options = Handover(curves=True, coverages=True, archive=True)
write_package(build(read_survey(site)), out, options)
"""


def built(out: Path, **environment: str) -> dict[str, str]:
    # the same name on both "machines": paths as the user named them stand in the report
    work = out.parent
    take_coarse_cells(quick_landing(work / "site"))
    subprocess.run(
        [sys.executable, "-c", SCRIPT, "site/site.toml", str(out)],
        cwd=work,
        env={**os.environ, "HOME": str(work), **environment},
        check=True,
    )
    return {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


def test_two_machines_write_the_same_bytes(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    first = built(tmp_path / "one" / "out", TZ="Pacific/Auckland", PYTHONHASHSEED="1", LC_ALL="C")
    second = built(
        tmp_path / "two" / "out", TZ="America/Anchorage", PYTHONHASHSEED="2", LC_ALL="C.UTF-8"
    )
    different = [name for name, digest in first.items() if second.get(name) != digest]
    assert different == []
    assert set(first) == set(second)
    expected = {
        "site.gpkg", "elevation.tif", "slope.tif", "drainage_direction.tif", "quantities.csv",
        "report.json", "plan.pdf", "plan.svg", "plan.png", "viewer.html", "site.dxf",
        "site.geojson", "points.csv", "metadata.xml", "MANIFEST.json", "handover.zip",
    }  # fmt: skip
    assert expected <= set(first)
