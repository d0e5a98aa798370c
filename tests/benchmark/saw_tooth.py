"""Ground that is all saw-tooth: seconds of the processor for a build with every output.

    python tests/benchmark/saw_tooth.py [MARKS ...]

Marks streamed to and fro over a square, a metre apart; every fifth lies in a hollow of its own. For
each size (2,500 and 10,000 without any) the command as a user calls it, its copy included, against
the first size; the aims are 3 s for 10,000 and 20 s for 100,000, and no more than linear.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from baseline_site import site_text


def site(folder: Path, marks: int) -> Path:
    """Write a survey of about so many marks; return its site file."""
    side = math.isqrt(marks)
    rows = ["run,point,x,y,z,feature,code,segment,note"]
    ends = [f"R1,A,0,0,0,,,,\nR1,B,{side + 3},0,0,,,,"]
    rows += ends
    for row in range(side):
        for col in range(side) if row % 2 else reversed(range(side)):
            rows.append(f"R1,,{col + 2},{row + 2},{0.1 * ((col + 2 * row) % 5):.1f},,,,")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "field_book.csv").write_text("\n".join(rows + ends) + "\n", encoding="utf-8")
    path = folder / "site.toml"
    path.write_text(site_text("Saw-tooth (invented)", side + 3.0), encoding="utf-8")
    return path


def main(sizes: list[int]) -> None:
    """Print a line for each size."""
    command = Path(sys.executable).with_name("geosite")
    first = 0.0
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as name:
        for marks in sizes:
            path = site(Path(name) / str(marks), marks)
            build = [str(command), "build", str(path), "--out", str(path.parent / "map")]
            start = time.perf_counter()
            child = subprocess.Popen(build, stdout=subprocess.DEVNULL)
            _, status, used = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status)
            seconds = used.ru_utime + used.ru_stime
            first = first or seconds * marks / sizes[0]
            print(
                f"{marks} marks: exit {child.returncode}, {seconds:.1f} s of the processor, "
                f"{seconds / first:.1f} times the first for {marks / sizes[0]:.1f} times the "
                f"marks, peak {used.ru_maxrss / 1e6:.2f} GB, {time.perf_counter() - start:.0f} s",
                flush=True,
            )


if __name__ == "__main__":
    main([int(one) for one in sys.argv[1:]] or [2_500, 10_000])
