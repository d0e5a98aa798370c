"""How long many sites take side by side, against one after another.

python tests/benchmark/many_sites.py [NUMBER OF SITES] [WORKERS]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from geosite.processes.hosts.build_many import build_many
from geosite.processes.starter import write


def main() -> None:
    """Print the times and their ratio."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    with tempfile.TemporaryDirectory() as folder:
        sites = Path(folder) / "surveys"
        for number in range(count):
            site = write(sites / f"site_{number:03}")
            text = site.read_text(encoding="utf-8")
            site.write_text(text.replace("Ferry landing", f"Site {number}"), encoding="utf-8")
        seconds = {}
        for used in (workers, 1):
            start = time.perf_counter()
            done = build_many(sites, Path(folder) / f"maps_{used}", workers=used)
            seconds[used] = time.perf_counter() - start
            assert all(built.status == "built" for built in done)
            print(f"{count} sites, {used} at a time: {seconds[used]:7.1f} s", flush=True)
        start = time.perf_counter()
        done = build_many(sites, Path(folder) / f"maps_{workers}", workers=workers)
        assert all(built.status == "unchanged" for built in done)
        print(f"again, nothing changed: {time.perf_counter() - start:7.1f} s")
        print(f"side by side / one after another: {seconds[workers] / seconds[1]:.2f}")


if __name__ == "__main__":
    main()
