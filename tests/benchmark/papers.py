"""What the sheet set and the papers cost the landing's build, against the bare import.

Processor seconds of whole processes, medians; the import is that of the libraries a build needs.

    python tests/benchmark/papers.py [ROUNDS]
"""

from __future__ import annotations

import re
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

LANDING = Path(__file__).parents[2] / "sample_data" / "ferry_landing"
IMPORT = "import numpy, scipy.spatial, shapely, pyproj, fiona, rasterio"
WITHOUT = "[handover]\nplan = false\nsurvey_report = false\ntakeoff = false\n"


def seconds(*command: str) -> float:
    """Return user and system seconds of a process and its children."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def main() -> None:
    """Print the three medians and the ratio."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    with tempfile.TemporaryDirectory() as folder:
        bare = Path(folder) / "bare"
        shutil.copytree(LANDING, bare)
        site = bare / "site.toml"
        text = re.sub(r"(?ms)^\[handover\]\n(?:[^\[]*)", "", site.read_text("utf-8"))
        site.write_text(f"{text.rstrip()}\n\n{WITHOUT}", "utf-8")
        build = (sys.executable, "-m", "geosite_cli", "build")
        times: dict[str, list[float]] = {"import": [], "without": [], "with": []}
        for _ in range(rounds):
            times["import"].append(seconds(sys.executable, "-c", IMPORT))
            times["without"].append(seconds(*build, str(site), "--out", f"{folder}/a"))
            times["with"].append(
                seconds(*build, str(LANDING / "site.toml"), "--out", f"{folder}/b")
            )
    middle = {name: statistics.median(found) for name, found in times.items()}
    for name, found in middle.items():
        print(f"{name:8} {found:6.2f} s")
    cost = middle["with"] - middle["without"]
    print(f"sheets and papers {cost:.2f} s, {cost / middle['import']:.2f} of the bare import")


if __name__ == "__main__":
    main()
