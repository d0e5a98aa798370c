"""Work that needs more memory than there is is refused with the number and the remedy."""

from __future__ import annotations

import platform
import subprocess
import sys
from pathlib import Path

import pytest

from geosite.base import memory
from geosite.base.errors import InputError
from geosite.base.memory import available_bytes, refuse_beyond_memory


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
