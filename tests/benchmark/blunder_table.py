"""What is recognised: a hundred surveys with each kind of mistake, a hundred without any.

    python tests/benchmark/blunder_table.py [surveys per kind]

Asked for: at least 95 % named (kind, run and lines) and at most 5 % false alarms.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parents[2] / "sample_data")]

from network_spoilt import KINDS, WALKS, clean, is_named, said, spoil  # noqa: E402


def main(surveys: int) -> None:
    for name, walks in (("three runs", WALKS), ("two runs", WALKS[::2]), ("one run", WALKS[:1])):
        start = time.perf_counter()
        alarms = sum(bool(said(clean(seed, walks=walks))) for seed in range(1000, 1000 + surveys))
        took = (time.perf_counter() - start) / surveys
        label = f"no mistake, {name}"
        print(f"{label:36} {alarms:4} of {surveys} alarms   {took * 1000:5.0f} ms each")
    for kind in KINDS:
        start = time.perf_counter()
        named = 0
        for seed in range(surveys):
            spoilt = spoil(kind, seed)
            named += is_named(spoilt, said(spoilt.notes))
        took = (time.perf_counter() - start) / surveys
        print(f"{kind:36} {named:4} of {surveys} named    {took * 1000:5.0f} ms each", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
