"""Many sites at once: side by side, again, broken off, with bad ones among them, on a cluster."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pyogrio
import pytest
from cli_runner import geosite, geosite_process
from dask_cluster import dask_cluster

from geosite.base.errors import InputError
from geosite.processes.hosts import sites as sites_module
from geosite.processes.hosts.build_many import build_many
from geosite.processes.hosts.sites import content_hash, find_sites

pytestmark = pytest.mark.slow

# everything that takes time and is tested elsewhere
LEAN = """
[handover]
plan = false
viewer = false
dxf = false
geojson = false
spreadsheet = false
survey_report = false
takeoff = false

[drainage]
confidence_runs = 5
"""


def yard(folder: Path, *, title: str = "", lean: bool = True) -> Path:
    """Write a starter site; return its site file."""
    assert geosite("new", folder).status == 0
    site = folder / "site.toml"
    text = site.read_text()
    text = text.replace("Ferry landing", title) if title else text
    site.write_text(text + (LEAN if lean else ""))
    return site


@pytest.fixture
def sites(tmp_path: Path) -> Path:
    """Return a folder with four good sites and three bad ones."""
    folder = tmp_path / "surveys"
    for name in ("apron", "north/pier", "north/slip", "yard"):
        yard(folder / name, title=f"Site {name}")
    syntax = yard(folder / "bad_syntax")
    syntax.write_text("[survey\n")
    rows = yard(folder / "bad_row").with_name("field_book.csv")
    rows.write_text(rows.read_text().replace("morning,A3,", "morning,A3,x"))
    loose = yard(folder / "bad_closure")
    loose.write_text(loose.read_text().replace("closure_limit = 300 ", "closure_limit = 9000 "))
    return folder


GOOD = {"apron", "north/pier", "north/slip", "yard"}
BAD = {"bad_syntax": 2, "bad_row": 2, "bad_closure": 3}


def rows(out: Path) -> dict[str, dict[str, Any]]:
    """Read the summary layer with another reader than its writer."""
    table = pyogrio.raw.read(out / "sites.gpkg", layer="sites")
    meta, _, geometry, columns = table
    names = [str(name) for name in meta["fields"]]
    found = [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]
    for record, shape in zip(found, geometry, strict=True):
        record["geometry"] = shape
    return {str(record["site"]): record for record in found}


def test_a_bad_site_does_not_stop_the_rest_and_a_second_run_skips_what_is_done(
    sites: Path, tmp_path: Path
) -> None:
    out = tmp_path / "maps"
    ran = geosite("build-many", sites, "--out", out, "--workers", "2")
    assert ran.status == 3
    assert "7 sites: 4 built, 0 unchanged, 3 failed" in ran.out
    assert all(any(name in line for name in BAD) for line in ran.err.splitlines())
    assert "bad_row/field_book.csv:6: x is" in ran.err
    assert "Traceback" not in ran.err
    summary = rows(out)
    assert set(summary) == GOOD | set(BAD)
    for name in GOOD:
        assert (out / name / "elevation.tif").is_file()
        one = summary[name]
        assert (one["title"], one["status"]) == (f"Site {name} (invented example)", "built")
        assert one["closure_ratio"] > 300
        assert one["sigma_h_max_m"] > 0.01
        assert one["geometry"] is not None
    for name in BAD:
        assert not (out / name).exists()
        assert summary[name]["status"] == "failed"
        assert summary[name]["geometry"] is None
        assert "expected" in summary[name]["problems"]

    before = {name: (out / name / "site.gpkg").stat().st_mtime_ns for name in GOOD}
    changed = sites / "yard/field_book.csv"
    changed.write_text(changed.read_text().replace("spot height", "spot"))
    mended = sites / "bad_row/field_book.csv"
    mended.write_text(mended.read_text().replace("morning,A3,x", "morning,A3,"))
    again = {built.name: built for built in build_many(sites, out, workers=1)}
    status = {name: built.status for name, built in again.items()}
    assert status == {
        "apron": "unchanged", "north/pier": "unchanged", "north/slip": "unchanged",
        "yard": "built", "bad_row": "built", "bad_syntax": "failed", "bad_closure": "failed",
    }  # fmt: skip
    assert {name: built.exit_code for name, built in again.items() if built.exit_code} == {
        "bad_syntax": 2,
        "bad_closure": 3,
    }
    after = {name: (out / name / "site.gpkg").stat().st_mtime_ns for name in GOOD}
    assert {name for name in GOOD if before[name] != after[name]} == {"yard"}
    assert rows(out)["apron"]["title"] == "Site apron (invented example)"  # from the record


def test_a_site_whose_files_are_gone_is_built_again(tmp_path: Path) -> None:
    yard(tmp_path / "in/a")
    out = tmp_path / "out"
    assert [built.status for built in build_many(tmp_path / "in", out, workers=1)] == ["built"]
    assert [built.status for built in build_many(tmp_path / "in", out, workers=1)] == ["unchanged"]
    (out / "a/report.json").write_text("{}")
    assert [built.status for built in build_many(tmp_path / "in", out, workers=1)] == ["built"]
    (out / "a/site.gpkg").unlink()
    assert [built.status for built in build_many(tmp_path / "in", out, workers=1)] == ["built"]
    (record,) = (out / ".done").glob("*.json")
    record.write_text("[]")
    assert [built.status for built in build_many(tmp_path / "in", out, workers=1)] == ["built"]


def test_the_hash_covers_every_file_that_the_site_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = yard(tmp_path / "a")
    text = site.read_text()
    site.write_text(
        text + '[parcels]\nfile = "parcels.shp"\n[grades]\nlimits_file = "limits.toml"\n'
    )
    seen = {content_hash(site)}
    for name in ("field_book.csv", "parcels.shp", "parcels.dbf", "limits.toml", "site.toml"):
        with (tmp_path / "a" / name).open("a") as stream:
            stream.write("# more\n")
        seen.add(content_hash(site))
    assert len(seen) == 6
    (tmp_path / "a/unrelated.txt").write_text("x")
    assert content_hash(site) in seen
    monkeypatch.setattr(sites_module, "__version__", "99")
    assert content_hash(site) not in seen


def test_names_never_put_one_output_folder_into_another(tmp_path: Path) -> None:
    for name in ("a/site.toml", "a/b/site.toml", "a.toml", "c.toml", "c/x.toml", "site.toml"):
        path = tmp_path / "in" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("[survey]\n")
    (tmp_path / "in/limits.toml").write_text("[walk]\n")
    (tmp_path / "in/.hidden.toml").write_text("[survey]\n")
    (tmp_path / "in/out").mkdir()
    (tmp_path / "in/out/old.toml").write_text("[survey]\n")
    found = find_sites(tmp_path / "in", tmp_path / "in/out")
    names = [Path(name) for name in found]
    assert len(names) == 6
    assert not any(one in other.parents for one in names for other in names)
    assert {path.relative_to(tmp_path / "in").as_posix() for path in found.values()} == {
        "a/site.toml", "a/b/site.toml", "a.toml", "c.toml", "c/x.toml", "site.toml",
    }  # fmt: skip


def test_calls_that_make_no_sense(tmp_path: Path) -> None:
    assert geosite("build-many", tmp_path / "none", "--out", tmp_path / "o").status == 2
    (tmp_path / "empty").mkdir()
    ran = geosite("build-many", tmp_path / "empty", "--out", tmp_path / "o")
    assert (ran.status, ran.err.count("\n")) == (2, 1)
    assert "there is no site file in it" in ran.err
    yard(tmp_path / "in/a")
    (tmp_path / "file").write_text("")
    assert geosite("build-many", tmp_path / "in", "--out", tmp_path / "file").status == 4
    call = ("build-many", tmp_path / "in", "--out", tmp_path / "o", "--scheduler", "nonsense")
    ran = geosite_process(*call, env=dict(os.environ))
    assert (ran.status, ran.err.count("\n")) == (2, 1)


def test_a_worker_that_dies_costs_its_own_site_only(sites: Path, tmp_path: Path) -> None:
    """One site ends the process that builds it, as the kernel does when memory runs out."""
    (sites / "north/pier/field_book.csv").write_text("deadly")
    code = (
        "import os, pathlib, sys, tests_patch\n"
        "from geosite.processes.hosts.build_many import build_many\n"
        "if __name__ == '__main__':\n"
        f"    sites, out = pathlib.Path({str(sites)!r}), pathlib.Path(sys.argv[1])\n"
        "    done = build_many(sites, out, workers=2)\n"
        "    print(*sorted(f'{b.name}={b.status}' for b in done))\n"
    )
    # the children import the main module again and with it this
    (tmp_path / "tests_patch.py").write_text(
        "import os\n"
        "import geosite.processes.hosts.build_many as many\n"
        "whole = many.content_hash\n"
        "def deadly(site):\n"
        "    if (site.parent / 'field_book.csv').read_text() == 'deadly':\n"
        "        os._exit(9)\n"
        "    return whole(site)\n"
        "many.content_hash = deadly\n"
    )
    (tmp_path / "main.py").write_text(code)
    done = subprocess.run(
        [sys.executable, tmp_path / "main.py", tmp_path / "out"],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert done.stdout.split() == [
        "apron=built", "bad_closure=failed", "bad_row=failed", "bad_syntax=failed",
        "north/pier=failed", "north/slip=built", "yard=built",
    ]  # fmt: skip
    assert "was ended" in rows(tmp_path / "out")["north/pier"]["problems"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL])
def test_a_run_that_is_broken_off_goes_on_where_it_was(tmp_path: Path, number: int) -> None:
    for n in range(10):
        yard(tmp_path / f"in/s{n}", title=f"Site {n}")
    out = tmp_path / "out"
    child = subprocess.Popen(
        [sys.executable, "-m", "geosite_cli", "build-many", tmp_path / "in", "--out", out,
         "--workers", "2"],
        stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not list(out.glob(".done/*.json")) and time.monotonic() < deadline:
        time.sleep(0.02)
    os.killpg(child.pid, number)
    _, said = child.communicate(timeout=60)
    assert "Traceback" not in said
    if number == signal.SIGINT:
        assert child.returncode == 130
        assert not list(out.glob(".geosite-*"))
    finished = len(list(out.glob(".done/*.json")))
    assert 1 <= finished < 10
    done = build_many(tmp_path / "in", out, workers=1)
    assert [built.status for built in done].count("unchanged") == finished
    assert {built.status for built in done} <= {"built", "unchanged"}
    assert len(rows(out)) == 10
    assert not list(out.glob(".geosite-*"))


def alive(group: int) -> list[int]:
    """Return the processes of a session that still run."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            state, _, _, session = entry.read_text().rpartition(")")[2].split()[:4]
            if int(session) == group and state != "Z":
                found.append(int(entry.parent.name))
    return found


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_workers_end_with_the_process_that_is_killed(tmp_path: Path) -> None:
    for n in range(12):
        yard(tmp_path / f"in/s{n}", lean=False)
    out = tmp_path / "out"
    child = subprocess.Popen(
        [sys.executable, "-m", "geosite_cli", "build-many", tmp_path / "in", "--out", out,
         "--workers", "2"],
        stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not list(out.glob(".done/*.json")) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert len(alive(child.pid)) >= 4  # itself, the fork server, two workers
    os.kill(child.pid, signal.SIGKILL)  # it alone
    _, said = child.communicate(timeout=60)
    assert said == ""
    # the workers end at once; the fork server takes a second to leave on a busy machine
    deadline = time.monotonic() + 5
    while alive(child.pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert alive(child.pid) == []


def test_json_for_machines_and_the_same_bytes_from_the_same_sites(tmp_path: Path) -> None:
    yard(tmp_path / "in/a")
    ran = geosite("build-many", tmp_path / "in", "--out", tmp_path / "one", "--json")
    assert json.loads(ran.out)["sites"][0]["figures"]["observations"] == 24
    geosite("build-many", tmp_path / "in", "--out", tmp_path / "two")
    one, two = ((tmp_path / name / "sites.gpkg").read_bytes() for name in ("one", "two"))
    assert one == two
    with closing(sqlite3.connect(tmp_path / "one/sites.gpkg")) as database, database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        found = database.execute("SELECT srs_id FROM gpkg_contents").fetchall()
    database.close()
    assert found == [(4326,)]


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    with dask_cluster() as address:
        yield address


def test_the_same_on_a_cluster(sites: Path, tmp_path: Path, scheduler: str) -> None:
    out = tmp_path / "maps"
    # a relative path: the workers stand in folders of their own
    ran = geosite_process(
        "build-many", sites.name, "--out", "maps", "--scheduler", scheduler,
        cwd=tmp_path, env=dict(os.environ),
    )  # fmt: skip
    assert "7 sites: 4 built, 0 unchanged, 3 failed" in ran.out, ran.err
    assert ran.status == 3
    assert "Traceback" not in ran.err
    on_cluster = rows(out)
    build_many(sites, tmp_path / "here", workers=1)
    here = rows(tmp_path / "here")
    for name in GOOD:
        assert (out / name / "report.json").is_file()
        assert on_cluster[name]["area_m2"] == here[name]["area_m2"]
    again = geosite_process(
        "build-many", sites, "--out", out, "--scheduler", scheduler, env=dict(os.environ)
    )
    assert "0 built, 4 unchanged, 3 failed" in again.out


def test_no_scheduler_at_the_address_is_one_line(
    sites: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import distributed

    def refuses(*arguments: object, **options: object) -> None:
        raise OSError("Timed out trying to connect")

    monkeypatch.setattr(distributed, "Client", refuses)
    with pytest.raises(InputError, match=r"no Dask scheduler answers at tcp://127.0.0.1:1"):
        build_many(sites, tmp_path / "out", scheduler="tcp://127.0.0.1:1")


def test_maps_are_not_written_among_the_sites(tmp_path: Path) -> None:
    yard(tmp_path / "in/in/yard")
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    # the second would put the site "in/yard" where its site file is; with the others it would not
    # be found, as the output folder is not searched
    for out in (tmp_path / "in", tmp_path, tmp_path / "in/in", tmp_path / "in/in/yard"):
        ran = geosite("build-many", tmp_path / "in", "--out", out)
        assert (ran.status, ran.err.count("\n")) == (4, 1)
        assert "the maps would lie among the site files" in ran.err
        assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before
    one = ("--workers", "1")
    assert geosite("build-many", tmp_path / "in", "--out", tmp_path / "in/maps", *one).status == 0
    assert geosite("build-many", tmp_path / "in/in", "--out", tmp_path, *one).status == 0
