"""How long the command takes to say anything, beside the interpreter alone and the libraries.

python tests/benchmark/start_up.py
"""

from __future__ import annotations

import subprocess
import sys
import time

LIBRARIES = "import numpy, scipy.spatial, shapely, pyproj, fiona, rasterio"


def best(arguments: list[str], rounds: int = 7) -> float:
    """Return the shortest of several wall times, seconds."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run(arguments, stdout=subprocess.DEVNULL, check=True)
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    """Print the times."""
    command = [sys.executable, "-m", "geosite_cli"]
    for name, arguments in {
        "interpreter alone": [sys.executable, "-c", "pass"],
        "geosite --help": [*command, "--help"],
        "geosite list": [*command, "list"],
        "the libraries a build needs": [sys.executable, "-c", LIBRARIES],
    }.items():
        print(f"{name:30} {1000 * best(arguments):6.0f} ms")


if __name__ == "__main__":
    main()
