"""How often verdicts are wrong on simulated walks just off each limit.

    python tests/benchmark/verdict_rates.py [--walks 40] [--results verdicts.jsonl]

The same walks as `tests/statistical/test_review_verdicts.py`, more of them: a building on ground
that falls away from it, a way that leans, a parcel line beside a wall, just within and just beyond
their limits; and a ramp of two runs with a landing between them. With `--results` every walk is one
line of that file, and none is walked twice; lines of another state of the code are passed over.
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

from ferry_landing import make_site  # noqa: E402
from ground_coverage import state  # noqa: E402
from simulated import ferry_landing  # noqa: E402
from test_review_verdicts import Walked  # noqa: E402
from walk_simulator import Noise, Stop, Walk  # noqa: E402

from geosite.analysis.access.grade_checks import Checked  # noqa: E402
from geosite.analysis.access.grades import check_grades  # noqa: E402
from geosite.analysis.limits import limit_sets  # noqa: E402
from geosite.analysis.walked_line import polyline  # noqa: E402
from geosite.linework.draw import draw  # noqa: E402
from geosite.network.adjust import adjust  # noqa: E402

#: Fall from the building and cross slope of the way, as ratios; limits are 1:20 and 1:48.
SIDES = {"within": (0.052, 0.0195), "beyond": (0.048, 0.0225)}
#: Slope of the runs, slope and length of the landing: limits are 1:12, 1:48 and 1.524 m. Runs of 9
#: m rise by 0.73 and 0.79 m, of at most 0.762 m.
RAMPS = {"within": (0.081, 0.0195, 1.60), "beyond": (0.088, 0.0225, 1.45)}
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
            **ramp(Path(folder), seed, *RAMPS[side]),
        }


def ramp(
    folder: Path, seed: int, slope: float, landing: float, length: float
) -> dict[str, list[str]]:
    """Return the verdicts on one walk up a ramp, marks every three metres, by what was judged."""
    legs = [(3.0, slope)] * 3 + [(length, landing)] + [(3.0, slope)] * 3
    along = up = 0.0
    b1, b2 = make_site.B1, make_site.B2
    stops = [b1, b2]
    for number, (run, rise) in enumerate([(0.0, 0.0), *legs]):
        along, up = along + run, up + run * rise
        stops.append(
            Stop(b1.east, b1.north + 3.0 + along, b1.up + up, f"R{number}", "ramp", "walk")
        )
    walks = (Walk("R1", (*stops, b1, b2)),)
    notes = ferry_landing(seed, folder, noise=Noise(0.003, 0.002), walks=walks).notes
    network = adjust(notes)
    line = polyline("ramp", notes, network, draw(notes, network), feature="ramp", marks=())
    grades = check_grades(Checked(line, network, limit_sets({})["ramp"], "ramp"))
    told = defaultdict(list)
    for grade in grades:
        # the leg over the landing is a running slope that is far from its limit
        if grade.check != "running" or abs(grade.measured.value) > (slope + landing) / 2:
            told[grade.check].append(grade.verdict)
    return dict(told)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--walks", type=int, default=40)
    parser.add_argument("--results", type=Path)
    asked = parser.parse_args()
    now = state()
    found: dict[tuple[str, int], dict[str, list[str]]] = {}
    if asked.results is not None and asked.results.exists():
        for line in asked.results.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if one["state"] == now:
                found[one["side"], one["seed"]] = one["verdicts"]
    for seed in range(asked.walks):
        for side in SIDES:
            if (side, seed) in found:
                continue
            found[side, seed] = one_walk(side, seed)
            if asked.results is not None:
                line = {"state": now, "side": side, "seed": seed, "verdicts": found[side, seed]}
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
