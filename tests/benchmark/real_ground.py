"""How well the ground between marks is known, beside Gaussian processes, on real ground.

    pip install scikit-learn
    python tests/benchmark/real_ground.py [--walks 64]

Each yard of `real_ground` is walked once. geosite's triangles and intervals, and a general-purpose
regression on the same marks, say the elevation at 200 places; the truth is the laser scan. The
regression is that of scikit-learn: a plane, a Matern covariance of smoothness 1/2, 3/2 or 5/2,
whichever is likeliest, and noise; its intervals are those of the ground without the noise.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "sample_data")]

from real_ground import moraine_yard, scanned_yard  # noqa: E402
from rough_sites import RoughSite, walk_site  # noqa: E402
from rough_truth import said_at_places  # noqa: E402

NO_DRAWS = "[drainage]\nconfidence_runs = 0\n"

Said = tuple[np.ndarray, np.ndarray]
"""Elevations and half-widths of their 95 % intervals."""

YARDS: dict[str, Callable[[int], RoughSite]] = {
    "moraine, marks every 6 m": partial(moraine_yard, bends=False),
    "moraine, every 8 m, tops and hollows": partial(moraine_yard, bends=True),
    "built ground, every 5 m": scanned_yard,
}


def gaussian_process(marks: np.ndarray, places: np.ndarray) -> Said:
    """Return what the regression says at places, from marks (n, 3)."""
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    middle = marks[:, :2].mean(axis=0)
    known, asked = (np.c_[np.ones(len(at)), at[:, :2] - middle] for at in (marks, places))
    plane = np.linalg.lstsq(known, marks[:, 2], rcond=None)[0]
    left = marks[:, 2] - known @ plane
    scale = left.std()
    fitted = []
    for smoothness in (0.5, 1.5, 2.5):
        kernel = ConstantKernel(1.0, (1e-3, 1e4)) * Matern(8.0, (1.0, 500.0), nu=smoothness)
        kernel += WhiteKernel((0.02 / scale) ** 2, ((0.003 / scale) ** 2, 1.0))
        regression = GaussianProcessRegressor(kernel, n_restarts_optimizer=1, random_state=0)
        fitted.append(regression.fit(known[:, 1:], left / scale))
    likeliest = max(fitted, key=lambda one: one.log_marginal_likelihood_value_)
    mean, sigma = likeliest.predict(asked[:, 1:], return_std=True)
    ground = np.sqrt(np.maximum(sigma**2 - likeliest.kernel_.k2.noise_level, 0.0))
    return asked @ plane + scale * mean, 1.96 * scale * ground


def one_yard(site: RoughSite, seed: int) -> tuple[np.ndarray, Said, Said]:
    """Walk one yard; return the true elevations, what geosite and what the regression say."""
    with tempfile.TemporaryDirectory() as folder:
        walked = walk_site(site, seed, Path(folder), more=NO_DRAWS)
    at, elevation, half = said_at_places(walked, seed)
    marks = walked.terrain.ground.tin.points
    return walked.true_elevations(at), (elevation, half), gaussian_process(marks, at)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--walks", type=int, default=64)
    walks = parser.parse_args().walks
    # the optimiser says where a parameter ends at its bound
    warnings.simplefilter("ignore")
    for name, yard in YARDS.items():
        rows = []
        for seed in range(walks):
            true, *said = one_yard(yard(seed), seed)
            for who, (value, half) in zip(("geosite", "regression"), said, strict=True):
                error = value - true
                rows.append((who, (error**2).mean(), (np.abs(error) < half).mean(), half.mean()))
        print(f"{name}: {walks} walks")
        for who in ("geosite", "regression"):
            square, held, half = np.mean([row[1:] for row in rows if row[0] == who], axis=0)
            print(
                f"  {who:12s} error {1000 * square**0.5:4.0f} mm  held {100 * held:5.1f} %", end=""
            )
            print(f"  interval +/- {1000 * half:4.0f} mm")


if __name__ == "__main__":
    main()
