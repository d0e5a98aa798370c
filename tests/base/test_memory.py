"""Work that needs more memory than there is is refused with the number and the remedy."""

from __future__ import annotations

import ctypes
import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

from geosite.base import memory
from geosite.base.errors import InputError
from geosite.base.memory import available_bytes, give_back, keep_freed, refuse_beyond_memory


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_the_least_of_what_the_system_says() -> None:
    import resource

    free = available_bytes()
    assert free is not None
    assert free > 1_000_000
    before = resource.getrlimit(resource.RLIMIT_AS)
    taken = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (taken + 50_000_000, before[1]))
    try:
        assert available_bytes() == pytest.approx(50_000_000, abs=20_000_000)
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)


def test_too_much_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "available_bytes", lambda: 4_000_000_000)
    refuse_beyond_memory(40_000_000, 100, "the slope", "a.tif")
    with pytest.raises(InputError) as refused:
        refuse_beyond_memory(160_000_000, 100, "the slope", "a.tif")
    said = str(refused.value)
    assert "160.0 million cells needs 16.0 GB of memory, and 4.0 GB are free" in said
    assert "at most 40.0 million cells here" in said
    assert "cells 2.0 times as large" in said
    monkeypatch.setattr(memory, "available_bytes", lambda: None)
    refuse_beyond_memory(160_000_000, 100, "the slope", "a.tif")


PAGES = """
import resource
import numpy as np
from geosite.base.memory import keep_freed

{first}
for round in range(20):
    if round == 1:
        before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    arrays = [np.ones(500_000) for _ in range(8)]
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library")
def test_freed_memory_is_kept_for_the_arrays_that_follow() -> None:
    fresh, kept = (
        int(
            subprocess.run(
                [sys.executable, "-c", PAGES.format(first=first)],
                check=True,
                capture_output=True,
                text=True,
            ).stdout
        )
        for first in ("", "keep_freed()")
    )
    assert fresh > 40_000  # 19 rounds of 8 arrays of 977 pages, some of them kept
    assert kept < 10_000


def system(folder: Path, monkeypatch: pytest.MonkeyPatch, **files: str | None) -> None:
    """Let the system say what stands in files of a folder."""
    places = {
        "meminfo": "/proc/meminfo",
        "most": "/sys/fs/cgroup/memory.max",
        "current": "/sys/fs/cgroup/memory.current",
        "statm": "/proc/self/statm",
    }
    for name, place in places.items():
        path = folder / place[1:]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        if (said := files.get(name)) is not None:
            path.write_text(said)
    monkeypatch.setattr(memory, "Path", lambda place: folder / place[1:])


@pytest.mark.skipif(sys.platform == "win32", reason="has no such limits")
def test_each_limit_of_the_system_is_read(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import resource

    limit = [resource.RLIM_INFINITY]
    monkeypatch.setattr(resource, "getrlimit", lambda kind: (limit[0], -1))
    meminfo = "MemTotal:  9000 kB\nMemAvailable:    5000 kB\nCached: 1 kB\n"
    page = os.sysconf("SC_PAGE_SIZE")
    system(tmp_path, monkeypatch)
    assert available_bytes() is None
    system(tmp_path, monkeypatch, meminfo=meminfo)
    assert available_bytes() == 5_120_000
    system(tmp_path, monkeypatch, meminfo=meminfo, most="3000000\n", current="1000000\n")
    assert available_bytes() == 2_000_000
    system(tmp_path, monkeypatch, meminfo=meminfo, most="max\n", current="1000000\n")
    assert available_bytes() == 5_120_000
    system(tmp_path, monkeypatch, most="3000000", current="4000000")
    assert available_bytes() == 0
    system(tmp_path, monkeypatch, statm="100 7 8")
    assert available_bytes() is None
    limit[0] = 101 * page
    assert available_bytes() == page
    limit[0] = 99 * page
    assert available_bytes() == 0
    system(tmp_path, monkeypatch, meminfo="MemAvailable:\n")
    assert available_bytes() is None


def test_what_just_fits_is_done_and_without_any_memory_it_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(memory, "available_bytes", lambda: 800)
    refuse_beyond_memory(100, 8, "work", None)
    with pytest.raises(InputError):
        refuse_beyond_memory(101, 8, "work", None)
    monkeypatch.setattr(memory, "available_bytes", lambda: 0)
    with pytest.raises(InputError, match=r"^work of 2\.5 million cells .* 5000\.0 times"):
        refuse_beyond_memory(2_500_000, 10, "work", None)


class Library:
    """Notes what the C library is asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple[int, ...]] = []

    def mallopt(self, option: int, value: int) -> None:
        self.asked.append((option, value))

    def malloc_trim(self, pad: int) -> None:
        self.asked.append((pad,))


def test_the_c_library_is_asked_for_what_malloc_h_says(monkeypatch: pytest.MonkeyPatch) -> None:
    # M_TRIM_THRESHOLD -1, M_MMAP_THRESHOLD -3; 32 MiB is the most that the second takes
    library = Library()
    monkeypatch.setattr(ctypes, "CDLL", lambda name: library)
    monkeypatch.setattr(sys, "platform", "linux")
    give_back(from_now_on=False)
    assert library.asked == [(0,)]
    give_back(from_now_on=True)
    assert library.asked == [(0,), (-3, 4_000_000), (0,)]
    library.asked.clear()
    keep_freed()
    assert library.asked == [(-1, 64 << 20), (-3, 32 << 20)]
    monkeypatch.setattr(ctypes, "CDLL", lambda name: object())  # another C library
    keep_freed()
    give_back(from_now_on=True)
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(ctypes, "CDLL", None)
    keep_freed()
    give_back(from_now_on=True)
