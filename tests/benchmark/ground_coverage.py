"""How often the intervals of the ground and its water hold the truth, on three rough sites.

    python tests/benchmark/ground_coverage.py [walks] [site ...]

Every walk is on another ground: the sines of `rough_sites` over the plain of the site. The truth is
put on the same raster and asked the same questions. What is counted is printed as a table.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "sample_data")]

from rough_sites import RoughSite, benched, crowned, landing, plane_yard, walk_site  # noqa: E402
from rough_truth import Bins, Held, held_by  # noqa: E402

SITES = {"landing": landing, "benched": benched, "crowned": crowned, "plane": plane_yard}


def one_walk(site: RoughSite, seed: int) -> tuple[Held, Bins, Held]:
    with tempfile.TemporaryDirectory() as folder:
        more = '[drainage]\nflow_paths_from = ["S10", "A1"]\n' if site.name == "landing" else ""
        return held_by(walk_site(site, seed, Path(folder), more=more), seed)


def _named(name: str, seed: int) -> tuple[Held, Bins, Held]:
    return one_walk(SITES[name](), seed)


def _bin(share: np.ndarray, so: np.ndarray, cells: float) -> str:
    return f"{share.mean():.2f}:{so.mean():.2f}({cells:.0%})" if share.size else "-"


def main() -> None:
    walks = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    names = sys.argv[2:] or list(SITES)
    for name in names:
        print(f"\n{name}: {walks} walks")
        table, bins, counts = defaultdict(list), defaultdict(list), defaultdict(float)
        with ProcessPoolExecutor(os.cpu_count()) as pool:
            for held, said, counted in pool.map(_named, [name] * walks, range(walks)):
                for key, value in held:
                    table[key].append(value)
                for key, share, so in said:
                    bins[key].append((share, so))
                for key, value in counted:
                    counts[key] += value
        for key, values in table.items():
            print(f"  {key:32s} {100 * np.mean(values):6.1f} % of {len(values)}")
        for key, pairs in bins.items():
            share, so = np.array(pairs).T
            group = np.minimum((share * 10).astype(int), 9)
            row = [_bin(share[group == k], so[group == k], (group == k).mean()) for k in range(10)]
            print(f"  {key}, said:so (share of cells)\n    " + " ".join(row))
        for key, value in counts.items():
            print(f"  {key:32s} {value:.0f} in {walks} walks")


if __name__ == "__main__":
    main()
