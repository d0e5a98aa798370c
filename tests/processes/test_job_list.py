"""The list of jobs, and what is left of it after kills."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from geosite.base.errors import InputError
from geosite.processes.hosts.job_list import JobList, only_host


def test_jobs_come_back_in_order_and_in_pages(tmp_path: Path) -> None:
    jobs = JobList(tmp_path / "jobs.sqlite")
    for number in range(5):
        jobs.add(f"job {number}", {"identifier": f"job {number}", "status": "accepted"})
    assert jobs.update("job 3", {"status": "running", "message": "näher"})
    assert not jobs.update("job 9", {"status": "running"})
    assert jobs.get("job 9") is None
    assert jobs.remove("job 1")
    assert not jobs.remove("job 1")
    again = JobList(tmp_path / "jobs.sqlite")
    page, count = again.page(1, 2)
    assert count == 4
    assert [one["identifier"] for one in page] == ["job 2", "job 3"]
    assert page[1] == {"identifier": "job 3", "status": "running", "message": "näher"}
    assert len(again.page()[0]) == 4


def test_an_identifier_is_there_once(tmp_path: Path) -> None:
    jobs = JobList(tmp_path / "jobs.sqlite")
    jobs.add("a", {})
    with pytest.raises(sqlite3.IntegrityError):
        jobs.add("a", {})


def test_many_threads_change_it(tmp_path: Path) -> None:
    jobs = JobList(tmp_path / "jobs.sqlite")
    jobs.add("shared", {})

    def work(number: int) -> None:
        jobs.add(f"own {number}", {})
        for step in range(5):
            jobs.update("shared", {f"{number} {step}": step})

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(jobs.get("shared") or ()) == 40
    assert jobs.page()[1] == 9


@pytest.mark.parametrize("content", [b'{"_default": {"1": {"type": "pro', b"\0" * 5000])
def test_a_damaged_list_is_put_aside(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "jobs.sqlite"
    path.write_bytes(content)
    # what the database kept beside it belongs to the damaged one
    beside = [Path(f"{path}-{ending}") for ending in ("journal", "wal", "shm")]
    for left in beside:
        left.write_bytes(b"left")
    assert JobList(path).page() == ([], 0)
    assert (tmp_path / "jobs.sqlite.damaged").read_bytes() == content
    assert not any(left.exists() for left in beside)


def test_a_list_that_is_damaged_inside(tmp_path: Path) -> None:
    path = tmp_path / "jobs.sqlite"
    jobs = JobList(path)
    for number in range(30):
        jobs.add(str(number), {"message": "x" * 3000})
    content = bytearray(path.read_bytes())
    content[8192:40960] = b"\xff" * 32768
    path.write_bytes(content)
    assert JobList(path).page() == ([], 0)


# every job counts up; what was reported as kept is kept
_COUNTING = """
import sys; from pathlib import Path
from geosite.processes.hosts.job_list import JobList
jobs = JobList(Path(sys.argv[1]))
number = jobs.page()[1]
while True:
    jobs.add(str(number), {"status": "accepted", "text": "x" * 3000})
    jobs.update(str(number), {"status": "successful"})
    number += 1
    print(number, flush=True)
"""


@pytest.mark.slow
def test_thirty_kills_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "jobs.sqlite"
    chance = random.Random(20)
    for _ in range(30):
        child = subprocess.Popen(
            [sys.executable, "-c", _COUNTING, path], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(chance.uniform(0, 0.05))
        child.send_signal(signal.SIGKILL)
        reported = [int(line) for line in child.stdout.read().split()]
        child.wait()
        child.stdout.close()
        jobs = JobList(path)
        assert not (tmp_path / "jobs.sqlite.damaged").exists()
        records, _ = jobs.page()
        assert all(records[number - 1]["status"] == "successful" for number in reported)


@pytest.mark.skipif(sys.platform == "win32", reason="has no such locks")
def test_a_folder_has_one_host(tmp_path: Path) -> None:
    with (
        only_host(tmp_path),
        pytest.raises(InputError, match="another host serves this folder"),
        only_host(tmp_path),
    ):
        pass
    with only_host(tmp_path):
        pass
