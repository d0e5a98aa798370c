"""Whatever is walked: a network with finite numbers, or one line per problem. Never a crash."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from network_cases import Row, notes

from geosite.base.errors import GeositeError, Problem
from geosite.handover.report_model.serialise import plain
from geosite.network.accuracy.ellipses import error_ellipses
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical

small = st.floats(-50, 50)
# the field book lets nothing pass beyond 1e7 m
odd = st.sampled_from([0.0, 1e-9, 1e-3, 1.0, 1e6, -1e6, 9e6])
coordinate = st.one_of(small, small, small, odd)
stop = st.tuples(st.sampled_from(["", "", "A", "B", "C", "D"]), coordinate, coordinate, small)


@st.composite
def books(draw: st.DrawFn, runs: int = 3, stops_of_run: int = 8) -> list[Row]:
    rows: list[Row] = []
    for run in range(draw(st.integers(1, runs))):
        stops = draw(st.lists(stop, max_size=stops_of_run))
        # every run visits both, anywhere in its walk: that the field book checks before
        for name in "AB":
            there = (name, *draw(st.tuples(coordinate, coordinate, small)))
            stops.insert(draw(st.integers(0, len(stops))), there)
        rows += [(f"R{run}", *s) for s in stops]
    return rows


@st.composite
def anchors(draw: st.DrawFn) -> tuple[dict, dict]:
    sigma = draw(st.sampled_from([None, 0.0, 1e-6, 0.02, 1.0, 100.0]))
    known = {"A": {"easting": 0.0, "northing": 0.0, "sigma": sigma}}
    if draw(st.booleans()):
        known["A"]["elevation"] = draw(st.sampled_from([0.0, 5.0, 3000.0]))
    more: dict = {}
    if draw(st.booleans()):
        known["B"] = {"easting": draw(small), "northing": draw(small), "sigma": sigma}
        if draw(st.booleans()):
            known["B"]["elevation"] = draw(small)
    else:
        more["azimuth"] = {
            "value": draw(st.floats(-360, 360)),
            "sigma": draw(st.sampled_from([None, 0.5])),
        }
    return known, more


FIRST_TWICE = [
    ("R0", "", 0.0, 0.0, 0.0),
    ("R0", "C", 0.0, 0.0, 0.0),
    ("R0", "C", 0.0, 0.0, 1.0),
    ("R0", "B", 0.0, 1.0, 0.0),
    ("R0", "A", 0.0, 0.0, 0.0),
]
"""The visit that is wrong stands before every other mark of its run."""
FROM_A = ({"A": {"easting": 0.0, "northing": 0.0, "sigma": None}}, {"azimuth": {"value": 0.0}})


NOISE = st.sampled_from([(0.0, 0.0), (0.005, 0.004), (0.0, 0.01), (1.0, 0.0)])
LIMIT = st.sampled_from([1e-9, 300.0])


@pytest.mark.slow
@settings(max_examples=12, deadline=None)
@example(FIRST_TWICE, FROM_A, (0.0, 0.0), 1e-9)
@example([*FIRST_TWICE, *(("R1", *row[1:]) for row in FIRST_TWICE)], FROM_A, (0.0, 0.0), 1e-9)
@given(books(2, 4), anchors(), NOISE, LIMIT)
def test_anything_walked(
    rows: list[Row], anchor: tuple[dict, dict], noise: tuple[float, float], limit: float
) -> None:
    tied_or_refused(rows, anchor, noise, limit)


@pytest.mark.long
@settings(max_examples=60, deadline=None)
@given(books(), anchors(), NOISE, LIMIT)
def test_anything_walked_in_three_runs(
    rows: list[Row], anchor: tuple[dict, dict], noise: tuple[float, float], limit: float
) -> None:
    tied_or_refused(rows, anchor, noise, limit)


def tied_or_refused(
    rows: list[Row], anchor: tuple[dict, dict], noise: tuple[float, float], limit: float
) -> None:
    known, more = anchor
    refused: tuple[Problem, ...] | None = None
    try:
        network = adjust(notes(rows, known, noise=noise, limit=limit, **more))
    except GeositeError as error:
        refused = error.problems
    if refused is not None:
        assert refused
        assert all("\n" not in str(problem) for problem in refused)
        return
    for values in (network.en, network.elevation, network.raw_en, network.raw_elevation):
        assert np.isfinite(values).all()
    for values in (sigma_horizontal(network), sigma_vertical(network), *error_ellipses(network)):
        assert np.isfinite(values).all()
    json.dumps(plain(network.report), allow_nan=False)
    assert math.isfinite(network.frame.combined_factor)
