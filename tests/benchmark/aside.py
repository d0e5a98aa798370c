"""What writing files aside, on a second processor, gains: wall time with and without it.

Run on an idle machine: ``python tests/benchmark/aside.py [SITE.toml] [REPEATS]``.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any

import geosite.handover.folder.write as folder
from geosite.build import build
from geosite.fieldbook.read import read_survey

SAMPLE = Path(__file__).parents[2] / "sample_data" / "ferry_landing" / "site.toml"


@contextmanager
def here(work: Callable[[], Any]) -> Iterator[Callable[[], Any]]:
    """Do the work in this process, and say how much of a processor it took."""

    def timed() -> Any:
        start = time.process_time()
        done = work()
        moved.append(time.process_time() - start)
        return done

    yield timed


moved: list[float] = []


def main() -> None:
    site = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLE
    repeats = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    notes = read_survey(site)
    package = build(notes)
    beside = folder.aside
    took: dict[str, list[float]] = {"aside": [], "here": []}
    for _ in range(repeats):
        for name, way in (("aside", beside), ("here", here)):
            folder.aside = way
            with tempfile.TemporaryDirectory() as out:
                start = time.perf_counter()
                folder.write_into(Path(out), package, notes.site.handover)
                took[name].append(time.perf_counter() - start)
    for name, seconds in took.items():
        print(f"{name:6} least {min(seconds):.2f} s, median {median(seconds):.2f} s")
    print(f"processor time of the work that is moved: median {median(moved):.2f} s")


if __name__ == "__main__":
    main()
