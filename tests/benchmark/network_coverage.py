"""Does the 95 % interval hold the truth in 95 % of the surveys? 500 walks of the ferry landing.

    python tests/benchmark/network_coverage.py [surveys]

Marks (easting, northing, elevation), areas and grades; asked for is 92 to 98 %. Rows of one survey
err together, so the share of one survey says little; that of 500 does.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import numpy as np

from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical, sigmas
from geosite.network.model import LinearForm, Network

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parents[2] / "sample_data")]

from simulated import MEASURES, ferry_landing  # noqa: E402

GRADES = (("A1", "A2"), ("A2", "A5"), ("S4", "S8"), ("A6", "A1"), ("B1", "A5"), ("S1", "S13"))


def grade(network: Network, a: int, b: int) -> tuple[float, LinearForm]:
    """Return rise over ground length between two rows, and its derivatives."""
    step = (network.en[b] - network.en[a]) / network.frame.combined_factor
    rise, length = network.elevation[b] - network.elevation[a], math.hypot(*step)
    along = -rise / length**2 * step / length / network.frame.combined_factor
    rows, sign = np.array([a, b]), np.array([-1.0, 1.0])
    return rise / length, LinearForm(rows, sign * along[0], sign * along[1], sign / length)


def main(surveys: int) -> None:
    held: dict[str, list[bool]] = {k: [] for k in ("easting", "northing", "elevation")}
    areas: dict[str, list[bool]] = {}
    grades: list[bool] = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(surveys):
            survey = ferry_landing(5000 + seed, Path(folder))
            network, book = adjust(survey.notes), survey.notes.book
            truth = network.frame.to_local(survey.easting_northing)
            plan, up = 1.96 * sigma_horizontal(network), 1.96 * sigma_vertical(network)
            held["easting"] += (np.abs(network.en[:, 0] - truth[:, 0]) < plan).tolist()
            held["northing"] += (np.abs(network.en[:, 1] - truth[:, 1]) < plan).tolist()
            held["elevation"] += (np.abs(network.elevation - survey.elevation) < up).tolist()
            for feature in draw(survey.notes, network).features:
                if (feature.name, "area_m2") in MEASURES and feature.area is not None:
                    off = abs(feature.area.value - MEASURES[feature.name, "area_m2"])
                    name = f"area of {feature.name}"
                    areas.setdefault(name, []).append(off < 1.96 * feature.area.sigma)
            ground = truth / network.frame.combined_factor
            found, forms, true = [], [], []
            for pair in GRADES:
                a, b = (int(np.argmax(book.mark == book.marks.index(n))) for n in pair)
                value, form = grade(network, a, b)
                found.append(value)
                forms.append(form)
                rise = survey.elevation[b] - survey.elevation[a]
                true.append(rise / math.dist(ground[a], ground[b]))
            off_grade = np.abs(np.array(found) - true)
            grades += (off_grade < 1.96 * sigmas(network, forms)).tolist()
    for name, hits in (held | areas | {"grades": grades}).items():
        share = float(np.mean(hits))
        verdict = "" if 0.92 <= share <= 0.98 else "   OUTSIDE 92 to 98 %"
        print(f"{name:24} {100 * share:5.1f} % of {len(hits)}{verdict}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
