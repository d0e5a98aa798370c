"""How far two walks along one edge lie apart, and how well that is known."""

import numpy as np
import pytest
from linework_cases import knot_of, moved, rows, survey

from geosite.analysis.takeoff.quantities import take_off
from geosite.analysis.wording import take_off_findings
from geosite.fieldbook.sitefile import Code, Quantities
from geosite.linework.draw import draw

CODES = {"apron": Code()}


def neighbours(gap):
    """Two areas side by side along 8 m, their edges `gap` apart, five marks on each."""
    at = np.linspace(0.0, 8.0, 5).tolist()
    left = [("", -6.0, 0.0), *(("", 0.0, n) for n in at), ("", -6.0, 8.0)]
    right = [("", 6.0, 8.0), *(("", gap, n) for n in reversed(at)), ("", 6.0, 0.0)]
    return rows("left", "apron", left) + rows("right", "apron", right)


def edge_of(network, notes):
    (edge,) = take_off(notes, network, draw(notes, network)).edges
    return edge


def test_without_noise_the_numbers_are_plain():
    notes, network = survey(neighbours(0.03), CODES)
    edge = edge_of(network, notes)
    assert (edge.width.value, edge.width.low, edge.width.high) == pytest.approx(
        (0.03,) * 3, rel=0.05
    )
    assert edge.overlap.value == 0.0


def test_sigma_of_the_width_is_what_walks_scatter_by():
    sigma = 0.004
    notes, network = survey(neighbours(0.03), CODES, sigma=sigma)
    told = edge_of(network, notes).width
    assert told.sigma == pytest.approx(sigma * np.sqrt(2 / 5), rel=1e-3)
    rng = np.random.default_rng(6)
    found = []
    for _ in range(120):
        shift = np.zeros((int(knot_of(network).max()) + 1, 3))
        shift[:, :2] = rng.normal(0, sigma, (len(shift), 2))
        found.append(edge_of(moved(network, shift), notes).width.value)
    held = np.mean([told.low <= value <= told.high for value in found])
    assert held >= 0.88
    # the ends of an edge count for half a leg each, so it scatters a little more
    assert np.std(found) == pytest.approx(told.sigma, rel=0.25)


def test_walks_that_differ_by_their_noise_alone_are_no_finding_to_look_at():
    for gap, sigma, level in ((0.03, 0.004, "look"), (0.03, 0.05, "note")):
        notes, network = survey(
            neighbours(gap), CODES, sigma=sigma, quantities=Quantities(shared_edge_tolerance=0.0)
        )
        taken = take_off(notes, network, draw(notes, network))
        (finding,) = take_off_findings(taken)
        assert (finding.code, finding.level) == ("edges-walked-twice", level)
        width = taken.edges[0].width
        assert width.low == (0.0 if level == "note" else pytest.approx(0.025, abs=0.002))
