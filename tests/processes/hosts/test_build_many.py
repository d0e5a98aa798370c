"""Many sites: who builds which, what a process that dies costs, what is built again."""

from __future__ import annotations

import json
import multiprocessing
import os
import re
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from plain_cluster import ADDRESS, KilledWorker, plain_cluster

from geosite.base.errors import OutputRefused
from geosite.processes import registry
from geosite.processes.hosts import build_many as many
from geosite.processes.hosts.build_many import Built, build_many

pytestmark = pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning")
REPORT: Mapping[str, Any] = {
    "site": {"title": "Slip", "date": ""},
    "network": {
        "closures": [
            {"ratio": 900.0, "misclosure_m": 0.01},
            {"ratio": 400.0, "misclosure_m": 0.05},
            {"ratio": None, "misclosure_m": 0.0},
        ],
        "baseline": None,
        "frame": {"crs": "EPSG:25832"},
    },
    "points": {
        "count": 4,
        "largest_sigma_h_m": 0.02,
        "largest_sigma_v_m": 0.03,
        "outline_wgs84": [[9, 47], [9.1, 47], [9, 47.1], [9, 47]],
    },
    "areas": {"a": {"net_area_m2": {"value": 10.0}}, "b": {"net_area_m2": {"value": 2.5}}},
    "findings": [{"level": "look"}, {"level": "good"}, {"level": "look"}],
}


def sites(folder: Path, *names: str) -> Path:
    for name in names:
        path = folder / f"{name}.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text('[survey]\nfile = "walk.csv"\n')
    return folder


class Builds:
    """Stands in for the process that builds a site, which writes two files."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.built: list[str] = []
        self.fails: Mapping[str, BaseException] = {}
        monkeypatch.setattr(registry, "execute", self.execute)

    def execute(self, process: str, inputs: Mapping[str, str], out: Path) -> SimpleNamespace:
        assert process == "build-site"
        assert Path(inputs["site"]).is_file()
        self.built.append(out.name)
        if out.name in self.fails:
            raise self.fails[out.name]
        out.mkdir(parents=True, exist_ok=True)
        (out / "report.json").write_text("{}")
        (out / "site.gpkg").write_text("layers")
        return SimpleNamespace(summary=REPORT)


@pytest.fixture
def builds(monkeypatch: pytest.MonkeyPatch) -> Builds:
    return Builds(monkeypatch)


def told(found: tuple[Built, ...]) -> dict[str, str]:
    return {one.name: one.status for one in found}


def test_figures_are_of_the_worst_loop_and_sums_of_the_site(builds: Builds, tmp_path: Path) -> None:
    (one,) = build_many(sites(tmp_path / "in", "slip"), tmp_path / "out")
    assert one.figures == {
        "title": "Slip", "date": None, "crs": "EPSG:25832", "observations": 4, "loops": 3,
        "closure_ratio": 400.0, "misclosure_m": 0.05, "baseline_m": None, "baseline_ppm": None,
        "baseline_sigmas": None, "sigma_h_max_m": 0.02, "sigma_v_max_m": 0.03, "area_m2": 12.5,
        "look": 2, "outline": REPORT["points"]["outline_wgs84"],
    }  # fmt: skip
    written = json.loads((tmp_path / "out/sites.json").read_text())["sites"]
    assert [(s["name"], s["status"], s["figures"]["loops"]) for s in written] == [
        ("slip", "built", 3)
    ]


def test_only_what_is_whole_and_of_the_same_content_is_left(builds: Builds, tmp_path: Path) -> None:
    folder, out = sites(tmp_path / "in", *"abcdef"), tmp_path / "out"
    build_many(folder, out, workers=1)
    builds.built.clear()
    (out / "a/report.json").write_text('{"another": "report"}')
    (out / "b/site.gpkg").unlink()
    (folder / "c.toml").write_text('[survey]\nfile = "walk.csv"\n[site]\ntitle = "C"\n')
    (out / "d/report.json").unlink()
    found = build_many(folder, out, workers=1)
    assert builds.built == ["a", "b", "c", "d"]
    assert told(found) == dict.fromkeys("abcd", "built") | dict.fromkeys("ef", "unchanged")
    assert found[4].figures["loops"] == 3
    records = list((out / ".done").glob("*.json"))
    assert len(records) == 6
    for path in records:
        path.write_text("no JSON")
    builds.built.clear()
    build_many(folder, out, workers=1)
    assert builds.built == list("abcdef")


def test_a_site_that_fails_costs_itself_alone_and_is_tried_again(
    builds: Builds, tmp_path: Path
) -> None:
    folder, out = sites(tmp_path / "in", *"abc"), tmp_path / "out"
    builds.fails = {"a": MemoryError(), "b": ZeroDivisionError("no\n  depth " + 300 * "x")}
    shares: list[tuple[float, str]] = []
    found = build_many(folder, out, workers=1, progress=lambda *told: shares.append(told))
    assert [(one.status, one.exit_code) for one in found] == [
        ("failed", 4), ("failed", 1), ("built", 0)
    ]  # fmt: skip
    assert found[0].problems == (f"{folder}/a.toml: not enough memory for it",)
    (line,) = found[1].problems
    assert line.startswith(f"{folder}/b.toml: a bug in geosite (ZeroDivisionError: no depth xxx")
    assert line.endswith("xxx); build it alone")
    assert len(line) < 300 + len(str(folder))
    assert shares == [(1 / 3, "1 of 3: a"), (2 / 3, "2 of 3: b"), (1.0, "3 of 3: c")]
    builds.fails = {}
    assert told(build_many(folder, out, workers=1)) == {
        "a": "built", "b": "built", "c": "unchanged"
    }  # fmt: skip


def test_a_place_that_cannot_be_written_is_told_before_anything_is_built(
    builds: Builds, tmp_path: Path
) -> None:
    folder, out = sites(tmp_path / "in", "a", "north/b", "north/c"), tmp_path / "out"
    out.mkdir()
    (out / "north").write_text("a file")
    said = re.escape(f"{out}: cannot be written ({out / 'north'} is a file, no folder)")
    with pytest.raises(OutputRefused, match=said):
        build_many(folder, out, workers=1)
    assert not builds.built


@pytest.mark.parametrize(
    ("out", "is_among"),
    [("in", True), ("in/a", True), ("in/maps", False), (".", True), ("in/a/maps", False),
     ("maps", False)],
)  # fmt: skip
def test_maps_lie_apart_from_the_sites(
    out: str, is_among: bool, builds: Builds, tmp_path: Path
) -> None:
    # into the folder itself, into one with a site in it, and where a site's map would hold them
    source = sites(tmp_path / "in", "a/site", "in/site")
    if not is_among:
        found = build_many(source, tmp_path / out, workers=1)
        assert told(found) == {"a": "built", "in": "built"}
        return
    with pytest.raises(OutputRefused, match="the maps would lie among the site files of"):
        build_many(source, tmp_path / out, workers=1)
    assert builds.built == []


def test_a_map_of_all_that_cannot_be_written_is_refused(builds: Builds, tmp_path: Path) -> None:
    folder, out = sites(tmp_path / "in", "a"), tmp_path / "out"
    (out / "sites.gpkg").mkdir(parents=True)
    with pytest.raises(OutputRefused, match=r"out: cannot be written \(Is a directory\)"):
        build_many(folder, out)
    assert builds.built == ["a"]


# --- in several processes ----------------------------------------------------------------------


def build_or_die(name: str, site: Path, out: Path) -> Built:
    """Build a site in a process that ends if the name says so; note the process."""
    with (out / "tried").open("a") as notes:
        notes.write(f"{name} {os.getpid()}\n")
    if name.startswith("dies"):
        os._exit(1)
    return Built(name, str(site), "built")


@pytest.fixture
def pools(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Processes of each pool: plain copies of this one, which build nothing."""
    made: list[int] = []
    pool = many.ProcessPoolExecutor

    def counted(workers: int, **more: Any) -> Any:
        made.append(workers)
        return pool(workers, mp_context=multiprocessing.get_context("fork"), **more)

    def without(workers: int, mp_context: object, **more: Any) -> Any:
        return counted(workers, **more)

    monkeypatch.setattr(multiprocessing, "get_all_start_methods", lambda: ["spawn"])
    monkeypatch.setattr(many, "ProcessPoolExecutor", without)
    monkeypatch.setattr(many, "build_one", build_or_die)
    return made


def tried(out: Path) -> list[str]:
    return [line.split()[0] for line in (out / "tried").read_text().splitlines()]


def processes(out: Path) -> set[str]:
    return {line.split()[1] for line in (out / "tried").read_text().splitlines()}


def test_processes_share_the_sites(pools: list[int], tmp_path: Path) -> None:
    folder, out = sites(tmp_path / "in", *"abcdefgh"), tmp_path / "out"
    shares: list[float] = []
    found = build_many(folder, out, workers=2, progress=lambda share, _: shares.append(share))
    assert pools == [2]
    assert told(found) == dict.fromkeys("abcdefgh", "built")
    assert sorted(tried(out)) == list("abcdefgh")
    assert str(os.getpid()) not in processes(out)
    assert shares == [n / 8 for n in range(1, 9)]


def test_no_more_processes_than_sites_and_none_for_one(pools: list[int], tmp_path: Path) -> None:
    two, one = sites(tmp_path / "two", "a", "b"), sites(tmp_path / "one", "a")
    build_many(two, tmp_path / "out", workers=8)
    assert pools == [2]
    build_many(one, tmp_path / "alone", workers=8)
    build_many(two, tmp_path / "here", workers=1)
    assert pools == [2]
    assert processes(tmp_path / "alone") == processes(tmp_path / "here") == {str(os.getpid())}


def test_a_process_that_dies_costs_its_own_site_alone(pools: list[int], tmp_path: Path) -> None:
    names = ("a", "b", "dies", "e", "f")
    folder, out = sites(tmp_path / "in", *names), tmp_path / "out"
    found = build_many(folder, out, workers=2)
    assert told(found) == dict.fromkeys(names, "built") | {"dies": "failed"}
    failed = found[2]
    assert failed.exit_code == 4
    assert failed.problems == (
        f"{folder}/dies.toml: the process that built it was ended (not enough memory?);"
        " build it alone",
    )
    assert tried(out).count("dies") == 2, "the second time alone, to know whose fault it was"
    assert pools[0] == 2
    assert set(pools[1:]) == {1}
    record = json.loads((out / "sites.json").read_text())["sites"]
    assert {s["name"]: s["exit_code"] for s in record} == dict.fromkeys(names, 0) | {"dies": 4}


# --- on a cluster ------------------------------------------------------------------------------


def test_a_cluster_builds_them_by_whole_paths(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def build(name: str, site: Path, out: Path) -> Built:
        if name == "b":
            raise KilledWorker("b")
        return Built(name, str(site), "built")

    clients = plain_cluster(monkeypatch)
    monkeypatch.setattr(many, "build_one", build)
    monkeypatch.chdir(tmp_path)
    sites(tmp_path / "in", *"abc")
    found = build_many(Path("in"), Path("out"), scheduler=ADDRESS)
    assert told(found) == {"a": "built", "b": "failed", "c": "built"}
    assert found[1].problems == (
        "in/b.toml: the process that built it was ended (KilledWorker on the cluster);"
        " build it alone",
    )
    (client,) = clients
    out = tmp_path / "out"
    assert client.given == [(n, tmp_path / "in" / f"{n}.toml", out) for n in "abc"]
