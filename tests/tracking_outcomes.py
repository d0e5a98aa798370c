"""Errors of a survey whose truth is known, over half the width of their 95 % intervals."""

from __future__ import annotations

import numpy as np

from geosite.network.covariance import intervals, sigma_horizontal, sigma_vertical
from geosite.network.model import LinearForm, Network

KINDS = ("plan", "height", "distance", "rise", "grade", "area")


def outcomes(network: Network, truth: np.ndarray, seed: int) -> dict[str, list[float]]:
    """Errors over half the width of their intervals, by kind of quantity."""
    en = network.frame.to_map(network.en) - np.array([500.0, 700.0])
    out: dict[str, list[float]] = {kind: [] for kind in KINDS}
    plan = sigma_horizontal(network) * network.interval_factor
    height = sigma_vertical(network) * network.vertical_interval_factor
    free = plan > 1e-4
    out["plan"] = ((en - truth[:, :2])[free] / plan[free, None]).ravel().tolist()
    free = height > 1e-4
    out["height"] = ((network.elevation - truth[:, 2])[free] / height[free]).tolist()
    rng = np.random.default_rng(seed)
    forms, errors, kinds = [], [], []
    size = float(np.hypot(*np.ptp(truth[:, :2], axis=0)))
    sign, none = np.array([-1.0, 1.0]), np.zeros(2)
    for _ in range(25):
        a, b = rng.integers(0, len(truth), 2)
        real = float(np.hypot(*(truth[b] - truth[a])[:2]))
        if real < 0.1 * size:
            continue
        step = en[b] - en[a]
        length = float(np.hypot(*step))
        east, north = step / length
        rise = network.elevation[b] - network.elevation[a]
        rows = np.array([a, b])
        forms.append(LinearForm(rows, sign * east, sign * north, none))
        errors.append(length - real)
        forms.append(LinearForm(rows, none, none, sign))
        errors.append(rise - (truth[b, 2] - truth[a, 2]))
        slope = -rise / length**2
        forms.append(LinearForm(rows, slope * sign * east, slope * sign * north, sign / length))
        errors.append(rise / length - (truth[b, 2] - truth[a, 2]) / real)
        kinds += ["distance", "rise", "grade"]
        corners = np.sort(rng.choice(len(truth), 5, replace=False))

        def area(places: np.ndarray, corners: np.ndarray = corners) -> float:
            e, n = places[corners, 0], places[corners, 1]
            return float((e * np.roll(n, -1) - n * np.roll(e, -1)).sum() / 2)

        e, n = en[corners].T
        d_east = (np.roll(n, -1) - np.roll(n, 1)) / 2
        d_north = (np.roll(e, 1) - np.roll(e, -1)) / 2
        forms.append(LinearForm(corners, d_east, d_north, np.zeros(5)))
        errors.append(area(en) - area(truth))
        kinds.append("area")
    for kind, error, half in zip(kinds, errors, intervals(network, forms), strict=True):
        if half > 1e-6:
            out[kind].append(error / half)
    return out
