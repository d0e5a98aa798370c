"""How often verdicts are wrong on simulated walks just off each limit.

    python tests/benchmark/verdict_rates.py [--walks 40] [--results verdicts.jsonl]

The same walks as `tests/statistical/test_review_verdicts.py`, more of them: a building on ground
that falls away from it, a way that leans, a parcel line beside a wall, just within and just beyond
their limits. With `--results` every walk is one line of that file, and none is walked twice.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter, defaultdict
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [
    str(HERE.parent),
    str(HERE.parent / "statistical"),
    str(HERE.parents[1] / "sample_data"),
]

from test_review_verdicts import Walked  # noqa: E402

#: Fall from the building and cross slope of the way, as ratios; limits are 1:20 and 1:48.
SIDES = {"within": (0.052, 0.0195), "beyond": (0.048, 0.0225)}
WRONG = {"within": ("beyond", "crosses"), "beyond": ("within", "clear")}


def one_walk(side: str, seed: int) -> dict[str, list[str]]:
    """Return the verdicts of one walk by what was judged."""
    with tempfile.TemporaryDirectory() as folder:
        walked = Walked(Path(folder), seed, *SIDES[side])
        apart = 0.02 if side == "within" else -0.02
        return {
            "fall from a building": [walked.fall()],
            "cross slope": walked.cross(),
            "clearance": [walked.clearance(apart, 0.05, seed)],
        }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--walks", type=int, default=40)
    parser.add_argument("--results", type=Path)
    asked = parser.parse_args()
    found: dict[tuple[str, int], dict[str, list[str]]] = {}
    if asked.results is not None and asked.results.exists():
        for line in asked.results.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            found[one["side"], one["seed"]] = one["verdicts"]
    for seed in range(asked.walks):
        for side in SIDES:
            if (side, seed) in found:
                continue
            found[side, seed] = one_walk(side, seed)
            if asked.results is not None:
                line = {"side": side, "seed": seed, "verdicts": found[side, seed]}
                with asked.results.open("a", encoding="utf-8") as stream:
                    stream.write(json.dumps(line) + "\n")
    told: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    for (side, _), verdicts in found.items():
        for what, words in verdicts.items():
            told[what, side].update(words)
    for (what, side), words in sorted(told.items()):
        wrong = sum(words[word] for word in WRONG[side])
        print(f"{what}, just {side}: {wrong} of {words.total()} wrong; {dict(words)}")


if __name__ == "__main__":
    main()
