"""What one host allows, and what it answers of jobs that are over or gone, without any run."""

from __future__ import annotations

import json
import subprocess
import threading
import time
from dataclasses import asdict
from http import HTTPStatus
from pathlib import Path
from typing import Any

import pytest

base = pytest.importorskip("pygeoapi.process.base")

from geosite.processes.hosts import jobs  # noqa: E402
from geosite.processes.hosts.http import made_ready  # noqa: E402
from geosite.processes.hosts.jobs import Limits, Manager, Refused, folder_size  # noqa: E402

URL = "http://127.0.0.1:5000"


def manager(folder: Path, **limits: Any) -> Manager:
    folder = made_ready(folder)
    return Manager(
        {
            "name": "geosite.processes.hosts.jobs.Manager",
            "connection": str(folder / ".host" / "jobs.sqlite"),
            "output_dir": str(folder / ".host"),
            "folder": str(folder),
            "url": URL,
            "limits": asdict(Limits(**limits)),
        }
    )


def refused(host: Manager, inputs: Any) -> tuple[HTTPStatus, str]:
    with pytest.raises(Refused) as told:
        host.execute_process("derive-slope", inputs)
    return told.value.http_status_code, told.value.message


def test_no_more_wait_than_may_wait_and_run(tmp_path: Path) -> None:
    busy = (HTTPStatus.SERVICE_UNAVAILABLE, "too many jobs wait already")
    assert refused(manager(tmp_path / "none", at_once=0, waiting=0), {}) == busy
    for more in ({"at_once": 1, "waiting": 0}, {"at_once": 0, "waiting": 1}):
        status, text = refused(manager(tmp_path / "one", **more), {})
        assert status == HTTPStatus.BAD_REQUEST
        assert 'the input "elevation" of derive-slope is missing' in text


def test_a_folder_is_full_when_it_holds_more_than_it_may(tmp_path: Path) -> None:
    manager(tmp_path)
    (tmp_path / "uploads" / "survey.csv").write_bytes(b"x" * 1000)
    size = folder_size(tmp_path)
    assert size == sum(path.stat().st_size for path in tmp_path.rglob("*") if path.is_file())
    full = (HTTPStatus.INSUFFICIENT_STORAGE, "the folder is full; delete jobs")
    assert refused(manager(tmp_path, folder_bytes=size - 1), {}) == full
    assert refused(manager(tmp_path, folder_bytes=size), {})[0] == HTTPStatus.BAD_REQUEST


@pytest.mark.parametrize(
    "name",
    ["../secret", "/etc/hostname", ".host/jobs.sqlite", "http://elsewhere/files/a.tif", "a" * 5000,
     f"{URL}/files/../secret", "uploads/../.host/lock"],
)  # fmt: skip
def test_only_files_of_the_folder_are_taken(name: str, tmp_path: Path) -> None:
    status, text = refused(manager(tmp_path), {"elevation": name})
    assert status == HTTPStatus.BAD_REQUEST
    assert "expected the name of an uploaded file or the address of an output of this host" in text
    assert name[:200] in text
    assert name[:201] not in text or len(name) <= 200


@pytest.mark.parametrize("own", [URL, "http://localhost:5000", ""])
def test_an_upload_is_known_by_its_address_and_by_its_name(own: str, tmp_path: Path) -> None:
    host = manager(tmp_path)
    place = tmp_path / "uploads" / "a b.txt"
    place.write_text("no raster")
    name = f"{own}/files/uploads/a%20b.txt" if own else "uploads/a b.txt"
    for given in (name, {"href": name}, {"value": name}):
        # it is found and refused for what it is, not for where it lies
        with pytest.raises(Refused) as told:
            host.execute_process("derive-slope", {"elevation": given, "method": "none"})
        assert "method is" in told.value.message
        assert "elevation is" not in told.value.message


def test_answers_of_jobs_that_are_over_failed_or_gone(tmp_path: Path) -> None:
    host = manager(tmp_path)
    answer = tmp_path / ".host" / "answer.json"
    answer.write_text(json.dumps({"slope": {"href": "a"}}))
    about = {"mimetype": "application/json", "location": str(answer)}
    for name, status in (("done", "successful"), ("bad", "failed"), ("now", "running")):
        host.add_job({"identifier": name, "status": status, **about})
    assert host.get_job_result("done") == ("application/json", {"slope": {"href": "a"}})
    assert host.get_job_result("bad") == host.get_job_result("now") == (None,)
    with pytest.raises(base.JobNotFoundError):
        host.get_job_result("none")
    answer.write_text("{")
    with pytest.raises(base.JobResultNotFoundError):
        host.get_job_result("done")
    answer.unlink()
    with pytest.raises(base.JobResultNotFoundError):
        host.get_job_result("done")


def test_a_host_that_begins_closes_what_ran_and_keeps_what_is_over(tmp_path: Path) -> None:
    host = manager(tmp_path)
    for name, status in (("a", "successful"), ("b", "accepted"), ("c", "running"), ("d", "failed")):
        host.add_job({"identifier": name, "status": status, "message": "own words"})
        host.results_of(name).mkdir(parents=True)
    (tmp_path / ".host" / "inline" / "x").mkdir(parents=True)
    host.clear_up()
    jobs = host.get_jobs()
    assert jobs["numberMatched"] == 4
    assert [(job["identifier"], job["status"], job["message"]) for job in jobs["jobs"]] == [
        ("a", "successful", "own words"),
        ("b", "failed", "the host was stopped while it ran"),
        ("c", "failed", "the host was stopped while it ran"),
        ("d", "failed", "own words"),
    ]
    assert sorted(path.name for path in (tmp_path / "jobs").iterdir()) == ["a", "d"]
    assert not (tmp_path / ".host" / "inline").exists()
    assert [job["identifier"] for job in host.get_jobs(limit=2, offset=1)["jobs"]] == ["b", "c"]


def test_a_job_is_removed_with_its_outputs_and_its_answer(tmp_path: Path) -> None:
    host = manager(tmp_path)
    answer = tmp_path / ".host" / "answer.json"
    answer.write_text("{}")
    host.add_job({"identifier": "a", "status": "successful", "location": str(answer)})
    host.results_of("a").mkdir(parents=True)
    assert host.delete_job("a")
    assert host.get_jobs() == {"jobs": [], "numberMatched": 0}
    assert not answer.exists()
    assert not any((tmp_path / "jobs").iterdir())
    with pytest.raises(base.JobNotFoundError):
        host.delete_job("a")


@pytest.fixture
def still(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[str]]:
    """Runs that read what is asked, say nothing and stand still."""
    begun: list[subprocess.Popen[str]] = []
    popen = subprocess.Popen

    def begin(_: object, **options: Any) -> subprocess.Popen[str]:
        begun.append(popen(["sleep", "30"], **options))
        return begun[-1]

    monkeypatch.setattr(jobs.subprocess, "Popen", begin)
    return begun


def test_a_run_that_takes_too_long_is_ended(
    still: list[subprocess.Popen[str]], tmp_path: Path
) -> None:
    host = manager(tmp_path, seconds=0.2)
    host.results_of("a").mkdir(parents=True)
    start = time.monotonic()
    with pytest.raises(RuntimeError, match=r"^it took longer than 0\.2 s and was ended$"):
        host.run("derive-slope", {}, "a")
    assert 0.2 <= time.monotonic() - start < 15
    assert still[0].returncode == -9
    assert not any((tmp_path / "jobs").iterdir())


def test_a_host_that_stops_ends_its_runs(
    still: list[subprocess.Popen[str]], tmp_path: Path
) -> None:
    host = manager(tmp_path)
    told: list[str] = []

    def run() -> None:
        with pytest.raises(RuntimeError) as ended:
            host.run("derive-slope", {}, "a")
        told.append(str(ended.value))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    while not still:
        time.sleep(0.01)
    host.end_all()
    thread.join(15)
    assert told == ["it was ended, perhaps for want of memory"]
