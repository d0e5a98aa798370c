"""What tests of several rooms share."""

from __future__ import annotations

import contextlib
import importlib.metadata
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import IO, Any

import pytest
from cli_runner import FERRY
from hypothesis import HealthCheck, settings

# one thread for linear algebra, as the command takes it: two processes of tests with two threads
# each would keep the processors busy with waiting for each other. numpy, not imported yet, reads it
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# commands in processes of their own, and the tests themselves, keep their modules compiled, as an
# install does: without, each of some hundred processes would compile them again
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# on a machine that is busy with other things even six numbers take too long to be drawn, and the
# first example of a test, which loads its libraries, takes longer than the usual limit. Half of
# the usual hundred examples: every run draws others
settings.register_profile(
    "shared machine", suppress_health_check=[HealthCheck.too_slow], deadline=None, max_examples=50
)
settings.load_profile("shared machine")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give each process tests that follow each other, so that what a file makes is made once.

    The usual way deals them out in turns, and each process makes what all tests of a file share.
    """
    if config.getvalue("dist") != "load":
        return None  # somebody asked for another way
    from xdist.scheduler import WorkStealingScheduling

    return WorkStealingScheduling(config, log)


@pytest.fixture(scope="session", autouse=True)
def no_waiting_for_the_disk() -> Iterator[None]:
    """Files of tests need not outlive a power cut: a build waits some hundred times for the disk.

    Commands in processes of their own, as `built_landing`, do wait.
    """

    def is_open(handle: int) -> None:
        os.fstat(handle)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", is_open)
        yield


@pytest.fixture(scope="session", autouse=True)
def one_processor() -> Iterator[None]:
    """Let builds in the tests' own process share no work with copies of it.

    With `-n auto` every processor has tests of its own, and to copy a process that holds thousands
    of tests takes longer than many a piece of the work. Commands in processes of their own, as
    `built_landing`, share theirs; how it is shared is held by `tests/base/test_shared_work.py`.
    """
    with pytest.MonkeyPatch.context() as patch:
        if hasattr(os, "sched_getaffinity"):
            one = {min(os.sched_getaffinity(0))}
            patch.setattr(os, "sched_getaffinity", lambda _: one)
        else:
            patch.setattr(os, "cpu_count", lambda: 1)
        yield


@pytest.fixture(scope="session", autouse=True)
def packages_looked_for_once() -> Iterator[None]:
    """Look for processes of other packages once for each place where packages are.

    A command looks through all that is installed, which takes longer than many a test of it.
    """
    look = importlib.metadata.entry_points
    found = cache(lambda path, group: look(group=group))

    def entry_points(**wanted: Any) -> Any:
        if set(wanted) != {"group"}:
            return look(**wanted)
        return found(tuple(sys.path), wanted["group"])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(importlib.metadata, "entry_points", entry_points)
        yield


@pytest.fixture
def have_processors(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """Return what lets a test's process have so many processors, with copies to share work with."""

    def have(count: int) -> None:
        monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(count)), raising=False)

    return have


@pytest.fixture(scope="session")
def built_landing(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that `geosite build` makes of the sample landing, to read only."""
    return _built_once(FERRY / "site.toml", tmp_path_factory.getbasetemp())


@pytest.fixture(scope="session")
def built_jetty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that `geosite build` makes of the sample jetty, to read only."""
    return _built_once(FERRY.parent / "jetty_feet" / "site.toml", tmp_path_factory.getbasetemp())


def _built_once(site: Path, place: Path) -> Path:
    """Build a site once, whichever of the processes that share the tests comes first."""
    if "PYTEST_XDIST_WORKER" in os.environ:
        place = place.parent
    name = f"built_{site.parent.name}"
    folder, out = place / name, place / f"{name}.in_work"
    with (place / f"{name}.lock").open("w") as lock:
        _lock(lock)
        if not folder.exists():
            command = Path(sys.executable).with_name("geosite")
            subprocess.run([command, "build", site, "--out", out], check=True, timeout=120)
            shutil.move(out, folder)
    return folder


def _lock(file: IO[str]) -> None:
    """Wait until no other process holds a file, which is held until it is closed."""
    if sys.platform != "win32":
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX)
        return
    import msvcrt

    while True:
        with contextlib.suppress(OSError):  # held for ten seconds: ask again
            msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
            return
