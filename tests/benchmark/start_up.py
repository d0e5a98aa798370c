"""How long the command takes to say anything and to build a small site, beside the libraries alone.

Run: ``python tests/benchmark/start_up.py`` with geosite installed as README says (an editable
install is slower). Medians of 11 whole processes, taken in turn, after one round that does not
count. The aim: the small sample in at most 1.3 times the import of the libraries, the landing
without the intervals' draws (a copy of it with ``confidence_runs = 0``) in twice. Modules are kept
compiled, as an install does, whatever the environment says: without that each process compiles all
of geosite anew and takes half as long again.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LIBRARIES = "import numpy, scipy.spatial, shapely, pyproj, fiona, rasterio"
SAMPLES = Path(__file__).parents[2] / "sample_data"
ROUNDS = 11


def seconds(arguments: list[str]) -> float:
    """Return the wall time of one process."""
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    subprocess.run(arguments, stdout=subprocess.DEVNULL, check=True, env=kept)
    return time.perf_counter() - start


def without_draws(folder: Path) -> Path:
    """Return the site file of a copy of the landing that draws no possible grounds of its water."""
    copy = folder / "without_draws"
    shutil.copytree(SAMPLES / "ferry_landing", copy)
    site = copy / "site.toml"
    text = site.read_text(encoding="utf-8")
    assert text.count("[drainage]\n") == 1
    site.write_text(text.replace("[drainage]\n", "[drainage]\nconfidence_runs = 0\n"), "utf-8")
    return site


def main() -> None:
    """Print the times and the ratios to the libraries' import."""
    command = [str(Path(sys.executable).with_name("geosite"))]
    with tempfile.TemporaryDirectory() as folder:

        def build(sample: str) -> list[str]:
            site = str(SAMPLES / sample / "site.toml")
            return [*command, "build", site, "--out", f"{folder}/{sample}"]

        plain = str(without_draws(Path(folder)))

        cases = {
            "the libraries alone": [sys.executable, "-c", LIBRARIES],
            "geosite --help": [*command, "--help"],
            "geosite list": [*command, "list"],
            "build, small sample in feet": build("jetty_feet"),
            "build, landing, no grounds drawn": [
                *command,
                "build",
                plain,
                "--out",
                f"{folder}/plain",
            ],
            "build, landing with all answers": build("ferry_landing"),
        }
        times = [{name: seconds(call) for name, call in cases.items()} for _ in range(ROUNDS + 1)]
    alone = "the libraries alone"
    for name in cases:
        middle = statistics.median(t[name] for t in times[1:])
        ratio = statistics.median(t[name] / t[alone] for t in times[1:])
        print(f"{name:32} {middle:6.2f} s   {ratio:5.2f}")


if __name__ == "__main__":
    main()
