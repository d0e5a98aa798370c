"""Residuals of legs and visits: closed form against least squares with every state written out."""

from __future__ import annotations

import numpy as np
import pytest
from dense_walks import ANCHORS, DEVICES, Dense, DenseHeights, start_of, survey
from network_cases import notes

from geosite.network.accuracy.residuals import residuals
from geosite.network.adjust import adjust
from geosite.network.walk.device import device_of


@pytest.mark.slow
@pytest.mark.parametrize("anchor", ANCHORS)
@pytest.mark.parametrize("device", DEVICES)
def test_plan_equals_the_dense_solution(device: str, anchor: str) -> None:
    case = survey(DEVICES[device], anchor)
    network, model = adjust(case), device_of(case)
    scale = network.frame.combined_factor
    dense = Dense(case, model, network.variance_factor, scale, start_of(case, network))
    value, sigma = dense.residuals()
    found = residuals(network)
    ends = [j for _, j in dense.legs]
    legs = len(ends)
    assert found.leg[ends, :2] == pytest.approx(value[:legs], abs=1e-9)
    assert found.leg_sigma[ends, :2] == pytest.approx(sigma[:legs], abs=1e-7)
    checked = found.leg_sigma[ends, :2] > 0
    assert found.leg_standardised[ends, :2][checked] == pytest.approx(
        (value[:legs] / np.where(sigma[:legs] > 0, sigma[:legs], np.nan))[checked], rel=1e-6
    )
    starts = np.setdiff1d(np.arange(len(case.book)), ends)
    assert np.isnan(found.leg[starts]).all()
    if model.pointing > 0:
        again = np.isfinite(found.visit[:, 0])
        assert found.visit[again, :2] == pytest.approx(value[legs:][again], abs=1e-9)
        assert found.visit_sigma[again, :2] == pytest.approx(sigma[legs:][again], abs=1e-7)
        # a mark that is visited once lies where it was pointed at
        assert value[legs:][~again] == pytest.approx(0.0, abs=1e-9)
    else:
        assert np.isnan(found.visit[:, :2]).all()


@pytest.mark.parametrize("device", DEVICES)
def test_heights_equal_the_dense_solution(device: str) -> None:
    case = survey(DEVICES[device], "two marks with sigma")
    network, model = adjust(case), device_of(case)
    scale = network.frame.combined_factor
    dense = DenseHeights(case, model, network.vertical_variance_factor, scale)
    value, sigma = dense.residuals()
    found = residuals(network)
    ends = [j for _, j in dense.legs]
    legs = len(ends)
    assert found.leg[ends, 2] == pytest.approx(value[:legs], abs=1e-9)
    assert found.leg_sigma[ends, 2] == pytest.approx(sigma[:legs], abs=1e-7)
    if model.pointing_up > 0:
        again = np.isfinite(found.visit[:, 2])
        own = value[legs : legs + len(case.book)][again]
        assert found.visit[again, 2] == pytest.approx(own, abs=1e-9)


def test_a_loop_shares_its_misclosure_by_length() -> None:
    # square of 10 m walked back to its start with 4 cm of misclosure to the north, nothing else
    square = [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0.04)]
    rows = [("R", name, e, n, 0.0) for name, (e, n) in zip("ABCDA", square, strict=True)]
    anchor = {"A": {"easting": 0.0, "northing": 0.0}, "B": {"easting": 10.0, "northing": 0.0}}
    network = adjust(notes(rows, anchor, noise=(0.01, 0.0), limit=None))
    found = residuals(network)
    # compass rule (Bowditch 1808): legs of one length take equal shares
    assert found.leg[1:, 1] == pytest.approx([-0.01] * 4, abs=1e-7)
    # one misclosure of four legs of 1 cm each, and nothing else tells about any of them
    one = -0.04 / (0.01 * 4**0.5 * network.variance_factor**0.5)
    assert found.leg_standardised[1:, 1] == pytest.approx([one] * 4, rel=1e-6)


def test_what_nothing_checks_has_no_standardised_residual() -> None:
    rows = [("R", name, e, 0.0, 0.0) for name, e in (("A", 0), ("B", 10), ("C", 20), ("D", 30))]
    anchor = {"A": {"easting": 0.0, "northing": 0.0}, "B": {"easting": 10.0, "northing": 0.0}}
    found = residuals(adjust(notes(rows, anchor, limit=None)))
    assert np.isnan(found.leg[0]).all()
    assert found.leg[2:] == pytest.approx(0.0, abs=1e-12)
    assert np.isnan(found.leg_standardised[2:]).all()
