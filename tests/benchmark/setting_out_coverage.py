"""How often setting out comes as near as it says: python tests/benchmark/setting_out_coverage.py

Marks of a simulated survey are set out from a second simulated walk of the same baseline.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "sample_data")]

from setting_out_walks import KINDS, set_out_own_marks  # noqa: E402


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--walks", type=int, default=500)
    parser.add_argument("--kinds", type=int, nargs="*", default=range(len(KINDS)))
    given = parser.parse_args()
    for number in given.kinds:
        kind = KINDS[number]
        found = np.array([set_out_own_marks(seed, kind) for seed in range(given.walks)])
        plan, level = 100 * found.mean(axis=(0, 2))
        axes = "left" if kind.left_handed else "right"
        device = "straying" if kind.strays else "plain"
        print(
            f"baseline {kind.baseline:4.0f} m, factor {kind.factor}, {kind.unit:2}, "
            f"{axes}-handed, {device}: plan {plan:.1f} %, "
            f"height {level:.1f} % of {found[:, 0].size} points",
            flush=True,
        )


if __name__ == "__main__":
    main()
