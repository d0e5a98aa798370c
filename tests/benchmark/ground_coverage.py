"""How often the intervals of the ground and its water hold the truth, on rough sites.

    python tests/benchmark/ground_coverage.py [--walks 20] [--first 0] [--sites landing crowned]
        [--results walks.jsonl] [--table] [--ranks]

Every walk is on another ground: the sines of `rough_sites` over the plain of the site. The truth is
put on the same raster and asked the same questions. What is counted is printed as a table, of each
site and of all that were asked together.

With `--results` every walk is one line of that file as soon as it is done, and walks that stand
there already are not walked again: a run that was stopped goes on where it was. Lines of another
state of network and terrain are passed over. `--table` walks nothing and prints what is there.
`--ranks` prints where the truth stood among the draws, too: even where the draws are right, on one
side where they are biased, at both ends where they are too narrow.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "sample_data")]

from real_ground import moraine_yard, scanned_yard  # noqa: E402
from rough_sites import (  # noqa: E402
    RoughSite,
    benched,
    crowned,
    dock_yard,
    landing,
    plane_yard,
    walk_site,
)
from rough_truth import Compared, Number, compared  # noqa: E402

SITES: dict[str, Callable[[int], RoughSite]] = {
    "landing": lambda seed: landing(),
    "benched": lambda seed: benched(),
    "crowned": lambda seed: crowned(),
    "dock": lambda seed: dock_yard(),
    "plane": lambda seed: plane_yard(),
    "moraine": lambda seed: moraine_yard(seed, bends=False),
    "moraine-bends": lambda seed: moraine_yard(seed, bends=True),
    "built": scanned_yard,
}


RANKS = (0.0, 0.005, 0.01, 0.025, 0.05, 0.1, 0.3, 0.5, 0.7, 0.9, 0.95, 0.975, 0.99, 0.995, 1.0)
"""Between them shares of draws below the truth are counted."""


def one_walk(name: str, seed: int) -> Compared:
    """Walk one site once and hold it against its truth."""
    with tempfile.TemporaryDirectory() as folder:
        more = '[drainage]\nflow_paths_from = ["S10", "A1"]\n' if name == "landing" else ""
        return compared(walk_site(SITES[name](seed), seed, Path(folder), more=more), seed)


def state() -> str:
    """Return a checksum of what the ground is made of."""
    import geosite

    digest = hashlib.sha256()
    for room in ("network", "terrain"):
        for path in sorted((Path(geosite.__file__).parent / room).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _kept(path: Path | None, now: str) -> dict[tuple[str, int], Compared]:
    if path is None or not path.exists():
        return {}
    kept, passed = {}, 0
    for line in path.read_text(encoding="utf-8").splitlines():
        found = json.loads(line)
        if found["state"] != now:
            passed += 1
            continue
        kept[found["site"], found["seed"]] = Compared(
            tuple(Number(**one) for one in found["numbers"]),
            found["held"],
            found["bins"],
            found["counts"],
        )
    if passed:
        print(f"{path}: {passed} walks of another state passed over")
    return kept


def _walked(
    names: list[str], walks: range, kept: dict[tuple[str, int], Compared], workers: int
) -> Iterator[tuple[str, int, Compared]]:
    """Yield the walks that are missing as they are done, the sites in turn."""
    missing = [(n, k) for k in walks for n in names if (n, k) not in kept]
    if workers <= 1:
        for name, seed in missing:
            yield name, seed, one_walk(name, seed)
        return
    with ProcessPoolExecutor(workers) as pool:
        started = {pool.submit(one_walk, *one): one for one in missing}
        for done in as_completed(started):
            yield *started[done], done.result()


def _print_site(name: str, walks: list[Compared]) -> None:
    print(f"\n{name}: {len(walks)} walks")
    print(f"  {'':30s} {'held':>7s} {'of':>6s} {'too low':>8s} {'too high':>8s}")
    held: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    sides_off: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for walk in walks:
        for key, inside, asked in walk.shares():
            held[key][0] += inside
            held[key][1] += asked
        for number in walk.numbers:
            sides_off[number.name][0] += number.high < number.truth and not number.held
            sides_off[number.name][1] += number.low > number.truth and not number.held
    for key, (inside, asked) in held.items():
        sides = [f"{100 * n / asked:8.1f}" for n in sides_off[key]] if key in sides_off else []
        print(f"  {key:30s} {100 * inside / max(asked, 1):5.1f} % {asked:6d} {' '.join(sides)}")
    for key in dict.fromkeys(k for walk in walks for k in walk.bins):
        cells, said, so = np.sum([w.bins[key] for w in walks if key in w.bins], axis=0).T
        row = [
            f"{s / n:.2f}:{t / n:.2f}({n / cells.sum():.0%})" if n else "-"
            for n, s, t in zip(cells, said, so, strict=True)
        ]
        print(f"  {key}, said:so (share of cells)\n    " + " ".join(row))
        off = np.abs(said - so).sum() / cells.sum()
        told = said / np.maximum(cells, 1)
        # the mean square of said less so (Brier 1950), as if all of a bin said its mean
        square = (told * (said - 2.0 * so) + so).sum() / cells.sum()
        print(f"    off {off:.4f}, square {square:.4f}")
    for key in walks[0].counts:
        print(f"  {key:40s} {sum(w.counts[key] for w in walks)}")


def _print_ranks(walks: list[Compared]) -> None:
    """Print how often the truth stood where among the draws, and how wide the intervals are."""
    numbers: dict[str, list[Number]] = defaultdict(list)
    for walk in walks:
        for number in walk.numbers:
            if number.draws:
                numbers[number.name].append(number)
    print(f"  {'truth above so many of the draws':30s} " + " ".join(f"{r:5g}" for r in RANKS[1:]))
    for name, some in numbers.items():
        counted, _ = np.histogram([number.below for number in some], RANKS)
        width = np.mean([number.high - number.low for number in some])
        print(f"  {name:32s} " + " ".join(f"{n:5d}" for n in counted) + f"  wide {width:.4g}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--walks", type=int, default=20)
    parser.add_argument("--first", type=int, default=0, help="number of the first walk")
    parser.add_argument("--sites", nargs="+", choices=SITES, default=list(SITES))
    parser.add_argument("--results", type=Path)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--table", action="store_true")
    parser.add_argument("--ranks", action="store_true")
    asked = parser.parse_args()
    numbers = range(asked.first, asked.first + asked.walks)
    now = state()
    kept = _kept(asked.results, now)
    if not asked.table:
        for name, seed, walk in _walked(asked.sites, numbers, kept, asked.workers):
            kept[name, seed] = walk
            if asked.results is not None:
                line = {"state": now, "site": name, "seed": seed, **asdict(walk)}
                with asked.results.open("a", encoding="utf-8") as stream:
                    stream.write(json.dumps(line) + "\n")
    every: list[Compared] = []
    for name in asked.sites:
        walks = [kept[key] for key in sorted(kept) if key[0] == name and key[1] in numbers]
        if walks:
            _print_site(name, walks)
            if asked.ranks:
                _print_ranks(walks)
            every += walks
    if len(asked.sites) > 1 and every:
        _print_site("these sites together", every)


if __name__ == "__main__":
    main()
