"""Do intervals hold on ground that nobody here made? A laser scan and an elevation model from one.

The table over many more walks is printed by tests/benchmark/ground_coverage.py.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from real_ground import PARCEL, moraine, moraine_yard, parcels, scan, scanned_yard
from rough_sites import RoughSite, walk_site
from rough_truth import compared, together

pytestmark = [pytest.mark.slow, pytest.mark.long]

DRAWS = "[drainage]\nconfidence_runs = 60\n"

Outcome = tuple[dict[str, float], np.ndarray]


def _walked(site: Callable[[int], RoughSite], walks: int, folder: Path) -> Outcome:
    found = (
        compared(walk_site(site(seed), seed, folder, more=DRAWS), seed) for seed in range(walks)
    )
    return together(found, least=10)


@pytest.fixture(scope="module", params=["built", "moraine"])
def outcome(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    folder: Path = tmp_path_factory.mktemp("walks")
    if request.param == "built":
        if scan() is None:
            pytest.skip("the laser scan cannot be fetched")
        return _walked(scanned_yard, 7, folder)
    if moraine() is None:
        pytest.skip("the elevation model cannot be fetched")
    return _walked(partial(moraine_yard, bends=False), 5, folder)


def test_real_ground_between_marks_lies_within_its_interval(outcome: Outcome) -> None:
    shares, _ = outcome
    # 1000 places, whose common errors make the share swing by 2 %
    assert shares["elevation at a place"] >= 0.91
    assert shares["elevation_sigma.tif"] >= 0.91
    assert shares["rise between near places"] >= 0.87


def test_ponds_and_catchments_on_real_ground_lie_within_their_intervals(outcome: Outcome) -> None:
    shares, _ = outcome
    for name in ("pond: depth", "pond: area", "pond: volume", "catchment (edge)"):
        assert shares.get(name, 1.0) >= 0.85, name


def test_directions_on_real_ground_are_so_as_often_as_said(outcome: Outcome) -> None:
    _, bins = outcome
    cells, said, so = bins.T
    middle = slice(1, 8)
    assert so[middle].sum() == pytest.approx(said[middle].sum(), abs=0.15 * cells[middle].sum())


def test_real_ground_has_fewer_closed_hollows_than_tops() -> None:
    """A surface of no purpose has as many of both: so its draws hold too much water."""
    if scan() is None:
        pytest.skip("the laser scan cannot be fetched")
    at = np.arange(0.25, PARCEL, 0.5)
    east, north = np.meshgrid(at, at)
    hollows = tops = 0.0
    for number in range(parcels()):
        z = scanned_yard(number).plain(east, north)
        z = np.where(np.isnan(z), np.nanmean(z), z)
        hollows += _held_water(z)
        tops += _held_water(-z)
    assert tops > 4 * hollows > 0


def _held_water(z: np.ndarray) -> float:
    """Return the depths of all closed hollows together, by a general-purpose library."""
    from pyflwdir.dem import fill_depressions

    filled, _ = fill_depressions(z, nodata=-9999.0, outlets="edge")
    return float((filled - z).sum())
