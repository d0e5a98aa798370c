"""Windows' rules for files (`windows_rules`), where this machine goes by others."""

from __future__ import annotations

import errno
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from cli_runner import ROOT

from geosite.handover.folder.output_place import cannot_write

JETTY = ROOT / "sample_data/jetty_feet/site.toml"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc for what is open"),
]


def by_windows_rules(*arguments: object) -> str:
    """Run commands by the rules; return what they say."""
    done = subprocess.run(
        [sys.executable, ROOT / "tests/windows_rules.py", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr + done.stdout
    assert "Traceback" not in done.stderr
    return done.stdout


def test_a_site_is_built_and_built_again(tmp_path: Path, built_jetty: Path) -> None:
    out, mine, slopes = tmp_path / "map", tmp_path / "mine.gpkg", tmp_path / "slopes"
    mine.write_bytes((built_jetty / "site.gpkg").read_bytes())
    build = "build", JETTY, "--out", out, "--into", mine
    slope = "execute", "derive-slope", "--elevation", out / "elevation.tif", "--out", slopes
    verify = "verify", out
    said = by_windows_rules(*build, "--then", *build, "--then", *verify, "--then", *slope)
    assert "READ_FIRST.txt says what each file is" in said
    with closing(sqlite3.connect(mine)) as file, file:
        (layers,) = file.execute(
            "SELECT count(*) FROM gpkg_contents WHERE table_name LIKE 'site_%'"
        )
    assert layers[0] > 3
    assert sorted(path.name for path in tmp_path.iterdir()) == ["map", "mine.gpkg", "slopes"]


def test_a_folder_that_is_open_elsewhere_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    problem = cannot_write(Path("map"), PermissionError(errno.EACCES, "Permission denied"))
    assert "close the programs that have files of it open" in problem.remedy
