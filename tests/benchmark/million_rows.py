"""A field book of a million rows: seconds of the processor and peak memory of ``geosite check``.

    python tests/benchmark/million_rows.py [ROWS]

Once in runs of 500 rows that share two marks, once in a single run, by a good device; the aim is
12 s and 500 MB. Of an address space beyond 8 GB nothing can be taken unnoticed.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from baseline_site import site_text

LIMIT = 8_000_000_000


def site(folder: Path, runs: int, stops: int) -> Path:
    """Write closed random walks from the baseline and back to it; return the site file."""
    draw = np.random.default_rng(1)
    folder.mkdir(parents=True)
    with (folder / "field_book.csv").open("w", encoding="utf-8") as file:
        file.write("run,point,x,y,z,feature,code,segment,note\n")
        for run in range(runs):
            path = np.cumsum(draw.normal(0, 1.0, (stops, 3)) * [1, 1, 0.05], axis=0)
            path[[0, -2]], path[[1, -1]] = (0.0, 0.0, 0.0), (20.0, 0.0, 0.1)
            length = np.sqrt((np.diff(path, axis=0) ** 2).sum(axis=1))
            noise = draw.normal(size=(stops - 1, 3)) * np.sqrt(25e-6 + 16e-6 * length)[:, None]
            path[1:] += np.cumsum(noise, axis=0)
            turned = np.exp(1j * draw.uniform(0, 2 * np.pi)) * (path[:, 0] + 1j * path[:, 1])
            names = ["A", "B", *[""] * (stops - 4), "A", "B"]
            places = zip(names, turned.tolist(), path[:, 2].tolist(), strict=True)
            file.writelines(
                f"R{run},{name},{at.real:.3f},{at.imag:.3f},{z:.3f},,,,\n" for name, at, z in places
            )
    path = folder / "site.toml"
    path.write_text(site_text("A long walk (invented)", 20.0), encoding="utf-8")
    return path


def main(rows: int) -> None:
    """Print a line for each field book."""
    command = Path(sys.executable).with_name("geosite")
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as name:
        for runs, stops in ((rows // 500, 500), (1, rows)):
            path = site(Path(name) / str(runs), runs, stops)
            start = time.perf_counter()
            child = subprocess.Popen(
                [str(command), "check", str(path)],
                stdout=subprocess.DEVNULL,
                preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (LIMIT, LIMIT)),
            )
            _, status, used = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            print(
                f"{runs} runs of {stops} rows: exit {child.returncode}, "
                f"{used.ru_utime + used.ru_stime:.1f} s of the processor, "
                f"peak {used.ru_maxrss / 1e6:.2f} GB, {time.perf_counter() - start:.0f} s",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 1_000_000)
