"""Does the survey come out as well as it says? 200 simulated walks of the landing, truth known."""

import numpy as np
import pytest
from simulated import MEASURES, ferry_landing

from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.covariance import sigma_horizontal, sigma_vertical

pytestmark = pytest.mark.slow

SEEDS = range(200)


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("walks")
    found = []
    for seed in SEEDS:
        survey = ferry_landing(seed, folder)
        network = adjust(survey.notes)
        truth = network.frame.to_local(survey.easting_northing)
        drawing = draw(survey.notes, network)
        found.append((survey, network, truth, drawing))
    return found


def test_adjusted_marks_are_nearer_the_truth_than_raw_ones(outcomes):
    better = 0
    for _, network, truth, _ in outcomes:
        adjusted = np.sqrt(((network.en - truth) ** 2).sum(axis=1).mean())
        raw = np.sqrt(((network.raw_en - truth) ** 2).sum(axis=1).mean())
        better += adjusted <= raw
    assert better >= 0.95 * len(outcomes)


def test_marks_lie_within_their_sigma_as_often_as_they_should(outcomes):
    east, up = [], []
    for survey, network, truth, _ in outcomes:
        east.append(np.abs(network.en[:, 0] - truth[:, 0]) < 1.96 * sigma_horizontal(network))
        up.append(np.abs(network.elevation - survey.elevation) < 1.96 * sigma_vertical(network))
    # rows of one survey err together, so the share swings more than 1/sqrt(n) suggests
    assert 0.92 <= np.mean(east) <= 0.98
    assert 0.92 <= np.mean(up) <= 0.98


@pytest.mark.parametrize("feature", ["apron", "ticket_house", "island", "slipway"])
def test_areas_lie_within_their_sigma_as_often_as_they_should(outcomes, feature):
    held = []
    for _, _, _, drawing in outcomes:
        area = next(f for f in drawing.features if f.name == feature).area
        held.append(abs(area.value - MEASURES[feature, "area_m2"]) < 1.96 * area.sigma)
    # 95 % expected; 200 draws scatter by 1.5 %: three of those either way
    assert 0.905 <= np.mean(held) <= 0.995
