"""What errors are made of: shares that add up to all of it, against components switched off."""

from __future__ import annotations

import re

import numpy as np
import pytest
from dense_walks import ANCHORS, DEVICES, Dense, DenseHeights, start_of, survey
from network_cases import notes

from geosite.network.accuracy.error_shares import error_shares
from geosite.network.adjust import adjust
from geosite.network.control.anchor import read_anchor
from geosite.network.covariance import sigma_horizontal, sigma_vertical
from geosite.network.model import Network
from geosite.network.place_on_map import Placing
from geosite.network.walk.device import device_of
from geosite.network.walk.runs import walk_runs

OPEN = [("A", 0, 0, 0), ("B", 12, 0, 0.1), ("C", 30, 5, 0.4), ("D", 45, 30, 0.9), ("E", 40, 60, 1)]
EXACT = {
    "A": {"easting": 0.0, "northing": 0.0, "elevation": 5.0},
    "B": {"easting": 12.0, "northing": 0.0},
}
DEVICE = {
    "pointing": 0.01,
    "walk": 0.02,
    "heading_deg": 0.4,
    "scale_percent": 1.0,
    "climb_percent": 0.5,
    "tilt_deg": 0.3,
}
PARTS = {
    "pointing": "pointing",
    "walk": "random walk",
    "heading_deg": "heading",
    "scale_percent": "scale",
    "climb_percent": "climb",
    "tilt_deg": "tilt",
}
OFF = 1e-5
"""A component that is as good as none: a site file may not give 0 for all."""


def walked(device: dict[str, float], anchor: dict = EXACT) -> Network:
    rows = [("R", name, float(x), float(y), float(z)) for name, x, y, z in OPEN]
    one = {"A": anchor["A"]}
    return adjust(notes(rows, one, noise=None, device=device, azimuth={"value": 90.0}))


def test_shares_add_up_to_all_of_it() -> None:
    shares = walked(DEVICE).report.error_shares
    assert shares is not None
    assert (shares.mark, shares.line) == ("E", 6)
    for parts in (shares.horizontal_percent, shares.vertical_percent, shares.distance_percent):
        assert sum(parts.values()) == pytest.approx(100.0)
        assert min(parts.values()) >= 0.0
    assert shares.horizontal_percent["climb"] == shares.vertical_percent["heading"] == 0.0


@pytest.mark.parametrize("name", PARTS)
def test_a_component_switched_off_takes_its_share_with_it(name: str) -> None:
    # nothing checks an open walk, so its variances are sums of those of the components
    whole = walked(DEVICE)
    shares = whole.report.error_shares
    assert shares is not None
    off = walked(DEVICE | {name: OFF})
    plan = (sigma_horizontal(off)[4] / sigma_horizontal(whole)[4]) ** 2
    level = (sigma_vertical(off)[4] / sigma_vertical(whole)[4]) ** 2
    assert 1 - shares.horizontal_percent[PARTS[name]] / 100 == pytest.approx(plan, abs=2e-3)
    assert 1 - shares.vertical_percent[PARTS[name]] / 100 == pytest.approx(level, abs=2e-3)


@pytest.mark.parametrize(("name", "in_height"), [("heading_deg", False), ("climb_percent", True)])
def test_one_component_alone_is_all_of_it(name: str, in_height: bool) -> None:
    shares = walked(dict.fromkeys(DEVICE, OFF) | {name: DEVICE[name]}).report.error_shares
    assert shares is not None
    parts = shares.vertical_percent if in_height else shares.horizontal_percent
    assert parts[PARTS[name]] > 97.0


def test_the_anchor_has_its_share_and_a_distance_has_none_of_it() -> None:
    rough = {"A": EXACT["A"] | {"sigma": 0.5}}
    shares = walked(DEVICE, rough).report.error_shares
    assert shares is not None
    assert shares.horizontal_percent["anchor"] > 3.0
    assert shares.distance_percent["anchor"] == pytest.approx(0.0, abs=1e-6)


def test_the_words_add_up_to_a_hundred() -> None:
    (said,) = [f.text for f in walked(DEVICE).findings if f.code == "error-shares"]
    assert "mark E, the least certain place" in said
    for part in said.split(";"):
        assert sum(int(n) for n in re.findall(r"(\d+) %", part)) == 100


def test_nothing_said_of_the_device_is_said_with_what_calibration_would_gain() -> None:
    rows = [("R", n, float(x), float(y), float(z)) for n, x, y, z in OPEN]
    rng = np.random.default_rng(2)
    rows += [("R", n, *(np.array([x, y, z]) + rng.normal(0, 0.2, 3))) for n, x, y, z in OPEN[:1]]
    network = adjust(notes(rows, EXACT, noise=None, limit=None))
    arm = network.report.lever_arm
    assert arm is not None
    assert arm.error_95_m is not None
    assert arm.calibrated_95_m is not None
    # the errors stay, their size is known as by four misclosures instead of two: for n degrees of
    # freedom n (0.05^(-2 / n) - 1) is twice the quantile of F
    before, after = (
        n * (0.05 ** (-2 / n) - 1)
        for n in (network.degrees_of_freedom, network.degrees_of_freedom + 2)
    )
    gain = (after / before) ** 0.5
    assert arm.calibrated_95_m == pytest.approx(gain * arm.error_95_m)
    (said,) = [f.text for f in network.findings if f.code == "device-unknown"]
    assert f"{arm.calibrated_95_m:.2f} m instead of {arm.error_95_m:.2f} m" in said
    # with the class given nothing is said of it
    given = adjust(notes(rows, EXACT, noise=None, device={"class": "unknown"}, limit=None))
    assert given.report.lever_arm is not None
    assert given.report.lever_arm.calibrated_95_m is None
    # many misclosures tell already what calibration would
    again = [("R", n, *(np.array(xyz) + rng.normal(0, 0.2, 3))) for _, n, *xyz in 3 * rows[::-1]]
    often = adjust(notes(rows + again, EXACT, noise=None, limit=None))
    assert often.report.lever_arm is not None
    assert often.report.lever_arm.calibrated_95_m is None
    (said,) = [f.text for f in often.findings if f.code == "device-unknown"]
    assert "gain this site less than a twentieth" in said


def kinds_in_plan(dense: Dense) -> np.ndarray:
    """What each of the dense solution's observations is of."""
    device = dense.device
    leg = ["random walk"] * 2 + ["heading"] * (2 if device.heading > 0 else 0)
    names = leg * len(dense.legs)
    names += ["pointing"] * (2 * len(dense.mark) if device.pointing > 0 else 0)
    names += ["scale"] * (len(dense.case.book.runs) if device.scale > 0 else 0)
    return np.array(names + ["anchor"] * (len(dense.misfits(dense.start)) - len(names)))


def split_bends(told: dict[str, float], sums: np.ndarray, dense: Dense) -> dict[str, float]:
    """Return shares with what the bends of legs do counted as random walk, as the rows have it."""
    if "heading" not in told:
        return told
    each, bent = 4, 0.0
    for number, leg in enumerate(dense.legs):
        walk, bend = dense.walk_and_bend(*leg)
        both = float((sums[..., each * number : each * number + 2] ** 2).sum())
        bent += both * bend / (walk + bend) / float((sums**2).sum())
    return told | {"heading": told["heading"] - bent, "random walk": told["random walk"] + bent}


def kinds_in_height(dense: DenseHeights) -> np.ndarray:
    """The same of the heights."""
    names = ["random walk"] * len(dense.legs)
    names += ["pointing"] * (len(dense.mark) if dense.device.pointing_up > 0 else 0)
    names += ["climb", "tilt", "tilt"] * len(dense.case.book.runs)
    return np.array(names + ["anchor"] * (len(dense.sigma) - len(names)))


def brought_up(level: DenseHeights) -> np.ndarray:
    """What the error of each observation, in its standard deviation, does to each elevation."""
    real = level.sigma > 0
    gone = [int(np.flatnonzero(row)[0]) for row in level.design[~real]]
    used = np.setdiff1d(np.flatnonzero(np.abs(level.design[real]).sum(axis=0)), gone)
    weighted = level.design[real][:, used] / level.sigma[real, None]
    found = np.zeros((level.size, len(real)))
    found[np.ix_(used, np.flatnonzero(real))] = np.linalg.pinv(weighted)
    return found


@pytest.mark.slow
@pytest.mark.parametrize("anchor", [a for a in ANCHORS if "exact" not in a])
@pytest.mark.parametrize("device", DEVICES)
def test_shares_are_those_of_the_dense_solution(device: str, anchor: str) -> None:
    # every observation and every state written out: a row of the pseudo-inverse says what each
    # observation's error does to a place; of all rows: on nodes, between them, on open ends
    case = survey(DEVICES[device], anchor)
    network = adjust(case)
    anchored, own = read_anchor(case), device_of(case)
    always = frozenset(c.name for c in anchored.controls) | {"A", "B"}
    factors = (network.variance_factor, network.vertical_variance_factor)
    placing = Placing(case, anchored, own, always, factors)
    scale = network.frame.combined_factor
    plan = Dense(case, own, factors[0], scale, start_of(case, network))
    x, free, jacobian, r = plan.solution()
    brought = np.zeros((len(x), len(jacobian)))
    brought[free] = np.linalg.solve(r, np.linalg.solve(r.T, jacobian.T))
    level = DenseHeights(case, own, factors[1], scale)
    kinds, lifted = (kinds_in_plan(plan), kinds_in_height(level)), brought_up(level)

    def check(told: dict[str, float], sums: np.ndarray, kinds: np.ndarray) -> None:
        whole = float((sums**2).sum())
        if not told:
            assert whole == pytest.approx(0.0, abs=1e-12)
            return
        for name, share in told.items():
            part = float((sums[..., kinds == name] ** 2).sum())
            assert share == pytest.approx(part / whole, abs=1e-8)

    walk = walk_runs(case.book, own, always)
    for row in range(len(case.book)):
        shares = error_shares(placing, network, walk, row)
        placed = brought[2 * plan.mark[row] + np.array([0, 1])]
        check(split_bends(shares.horizontal, placed, plan), placed, kinds[0])
        check(shares.vertical, lifted[level.mark[row]], kinds[1])
        assert shares.between is not None
        a, b = shares.between
        along = (network.en[b] - network.en[a]) / np.hypot(*(network.en[b] - network.en[a]))
        ends = [brought[2 * plan.mark[i] + np.array([0, 1])] for i in (a, b)]
        apart = along @ (ends[1] - ends[0])
        check(split_bends(shares.distance, apart, plan), apart, kinds[0])
