"""Many sigmas at once against the full covariance."""

from __future__ import annotations

import math

import network_cases
import numpy as np
import pytest

from geosite.analysis.distances import Angle
from geosite.linework.measures import open_measure, sum_of_forms, with_sigmas
from geosite.network.adjust import adjust
from geosite.network.covariance import covariance, sigma, sigmas
from geosite.network.model import LinearForm, Network


def walked() -> Network:
    """Two runs that share the baseline, with a loop, tied marks and open ends."""
    rng = np.random.default_rng(4)
    turn = np.array([[0.6, 0.8], [-0.8, 0.6]])
    truth = {name: rng.uniform(0.0, 60.0, 3) * [1, 1, 0.1] for name in "ABCDEFGHIJ"}
    truth["A"], truth["B"] = np.zeros(3), np.array([0.0, 8.0, 0.0])
    rows: list[network_cases.Row] = []
    for run, walk in (("R1", "ABC.D..ECF.A"), ("R2", "BA.G.DH..IJ.")):
        at = np.zeros(3)
        for name in walk:
            at = truth[name] if name != "." else at + rng.normal(0.0, 3.0, 3)
            seen = at + rng.normal(0.0, 0.005, 3)
            if run == "R2":
                seen = np.append(turn @ seen[:2] + [100.0, 7.0], seen[2])
            rows.append((run, "" if name == "." else name, *(float(v) for v in seen)))
    marks = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0, "sigma": 0.01},
        "B": {"easting": 0.0, "northing": 8.0, "elevation": 0.0, "sigma": 0.01},
    }
    return adjust(network_cases.notes(rows, marks))


def random_forms(network: Network, count: int) -> list[LinearForm]:
    rng = np.random.default_rng(9)
    forms = []
    for _ in range(count):
        size = int(rng.integers(1, 9))
        rows = rng.integers(0, len(network.en), size)  # some twice
        forms.append(LinearForm(rows, *rng.normal(0.0, 1.0, (3, size))))
    return forms


def test_many_sigmas_are_the_diagonal_of_the_covariance() -> None:
    network = walked()
    forms = random_forms(network, 60)
    expected = np.sqrt(np.diag(covariance(network, forms)))
    assert sigmas(network, forms) == pytest.approx(expected, rel=1e-9)
    assert expected.min() > 0.0
    assert sigma(network, forms[0]) == pytest.approx(expected[0], rel=1e-9)
    assert len(sigmas(network, [])) == 0


def test_sum_of_forms_is_the_form_of_the_sum() -> None:
    network = walked()
    forms = random_forms(network, 7)
    total = covariance(network, forms).sum()
    assert sigma(network, sum_of_forms(forms)) == pytest.approx(math.sqrt(total), rel=1e-9)


def test_open_sigmas_are_closed_and_stay_shared() -> None:
    network = walked()
    one, other = (open_measure(1.0, 1.0, form) for form in random_forms(network, 2))
    items = with_sigmas(network, [Angle("A", "B", "C", one), Angle("A", "B", "D", other)] * 2)
    assert items[0].value is items[2].value
    assert items[1].value.sigma == pytest.approx(sigma(network, other.form), rel=1e-9)
    assert [i.end for i in items] == ["C", "D", "C", "D"]
    assert with_sigmas(network, items)[0].value is items[0].value
