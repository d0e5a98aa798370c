"""How often stated 95 % intervals hold the truth of walks simulated by the device model.

    python tests/benchmark/device_coverage.py [walks of each kind, a third of them of each yard]

Each component of the error alone (beside a pointing of 1 mm and a random walk of 1 mm per root
metre) and all together, yards of 20, 60 and 200 m, two runs. In brackets how many times wider the
intervals are than the errors need: one over the 95 % quantile of errors over half widths.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path[:0] = [str(Path(__file__).resolve().parents[1])]
from device_walks import walked  # noqa: E402
from tracking_outcomes import KINDS, outcomes  # noqa: E402

from geosite.base.errors import SurveyRefused  # noqa: E402
from geosite.network.adjust import adjust  # noqa: E402
from geosite.network.walk.device import CLASSES, Device  # noqa: E402

UNKNOWN = CLASSES["unknown"]
LITTLE = 0.001
YARDS = (20.0, 60.0, 200.0)
"""Metres."""
NONE = replace(
    UNKNOWN,
    pointing=LITTLE,
    pointing_up=LITTLE,
    walk=LITTLE,
    walk_up=LITTLE,
    heading=0.0,
    scale=0.0,
    climb=0.0,
    tilt=0.0,
)
ALONE: dict[str, tuple[str, ...]] = {
    "pointing": ("pointing", "pointing_up"),
    "walk": ("walk", "walk_up"),
    "heading": ("heading",),
    "scale": ("scale",),
    "climb": ("climb",),
    "tilt": ("tilt",),
}


def devices() -> dict[str, Device]:
    """All components, and each alone."""
    alone = {
        name: replace(NONE, **{f: getattr(UNKNOWN, f) for f in fields})
        for name, fields in ALONE.items()
    }
    return {"together": UNKNOWN, **alone}


def stated(device: Device) -> dict[str, Any]:
    """Return what the site file says of it."""
    return {
        "pointing": device.pointing,
        "walk": device.walk,
        "heading_deg": float(np.degrees(device.heading)),
        "scale_percent": 100 * device.scale,
        "climb_percent": 100 * device.climb,
        "tilt_deg": float(np.degrees(device.tilt)),
    }


def tried(device: Device, size: float, closed: bool, count: int) -> dict[str, list[float]]:
    """Walk a yard and return errors over half widths by quantity, mistakes named, refusals."""
    found: dict[str, list[float]] = {kind: [] for kind in (*KINDS, "mistakes", "refused")}
    for seed in range(1000 * int(size), 1000 * int(size) + count):
        walk = walked(size, seed, true=device, stated=stated(device), closed=closed)
        try:
            network = adjust(walk.notes)
        except SurveyRefused:
            found["refused"].append(1.0)
            continue
        if any(f.code in ("leg-off", "visit-off") for f in network.findings):
            found["mistakes"].append(1.0)
        for kind, values in outcomes(network, walk.truth, seed).items():
            found[kind] += np.abs(values).tolist()
    return found


def held_and_width(ratios: list[float]) -> str:
    """Say the share that is held, and the width over what the errors need."""
    if not ratios:
        return "-"
    held = 100 * np.mean(np.array(ratios) < 1)
    return f"{held:.1f} ({1 / np.quantile(ratios, 0.95):4.2f})"


def show(title: str, found: dict[str, list[float]]) -> None:
    """Print one line."""
    cells = [f"{held_and_width(found[kind]):>13}" for kind in KINDS]
    counts = (f"{len(found[name]):9}" for name in ("mistakes", "refused"))
    print(f"{title:24}", *cells, *counts, flush=True)


def main() -> None:
    """Print the table."""
    count = -(-(int(sys.argv[1]) if len(sys.argv) > 1 else 500) // len(YARDS))
    print(f"{count} walks of each yard: held, and in brackets how many times wider than needed")
    print(f"{'':24}", *(f"{kind:>13}" for kind in KINDS), f"{'mistakes':>9}{'refused':>9}")
    for name, device in devices().items():
        for closed in (False, True):
            way = "closed" if closed else "open"
            all_yards: dict[str, list[float]] = {}
            for size in YARDS:
                found = tried(device, size, closed, count)
                show(f"  {name}, {way}, {size:.0f} m", found)
                for kind, values in found.items():
                    all_yards.setdefault(kind, []).extend(values)
            show(f"{name}, {way}", all_yards)


if __name__ == "__main__":
    main()
