"""Which marks of the survey tell where a point is, between them, on them and beyond them."""

from __future__ import annotations

from collections.abc import Sequence

import network_cases
import numpy as np
import pytest

from geosite.analysis.setting_out import compute
from geosite.analysis.setting_out.joint_network import Joint, Place
from geosite.analysis.setting_out.model import SettingOut
from geosite.analysis.setting_out.spread import PlaceErrors, place_errors
from geosite.analysis.setting_out.targets import Target
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.terrain.surface.roughness import EVEN
from geosite.terrain.surface.tin import triangulate
from geosite.terrain.uncertainty.ground import Ground

WALKED = {"A": (0.0, 0.0, 1.0), "B": (9.0, 0.0, 1.3), "C": (0.0, 12.0, 1.6)}
"""A right-angled triangle whose long side is 15 m."""


def asked(
    monkeypatch: pytest.MonkeyPatch, *at: tuple[float, float], ground: bool = True
) -> tuple[list[Place], SettingOut]:
    """Set out points 5 m up; return the places that their errors are reckoned from as well."""
    rows = network_cases.run_rows("R1", "ABCAB", WALKED, 25, (1, 2, 3))
    marks = {
        "A": {"easting": 0.0, "northing": 0.0, "elevation": 1.0, "sigma": 0.01},
        "B": {"easting": 9.0, "northing": 0.0, "sigma": 0.01},
    }
    # the middle of the map: a metre on it is one on the ground
    notes = network_cases.notes(rows, marks, limit=20)
    network = adjust(notes)
    first = np.array([int(np.flatnonzero(notes.book.mark == k)[0]) for k in range(3)])
    corners = np.column_stack([network.en, network.elevation])[first]
    between = Ground(network, triangulate(corners), first, EVEN, np.ones(3))
    met: list[Place] = []

    def seen(joint: Joint, places: Sequence[Place], survey: Network, planned: bool) -> PlaceErrors:
        met.extend(places)
        return place_errors(joint, places, survey, planned)

    monkeypatch.setattr(compute, "place_errors", seen)
    targets = [Target(f"P{k}", "", "point", np.array([*en, 5.0])) for k, en in enumerate(at)]
    return met, compute.set_out(notes, network, between if ground else None, targets)


def shares(place: Place) -> dict[int, float]:
    return dict(zip(place.rows.tolist(), place.shares.tolist(), strict=True))


def expected(*shares: float) -> object:
    return pytest.approx(dict(enumerate(shares)), abs=1e-4)


def test_a_point_hangs_on_the_corners_round_it_or_round_the_nearest_place_they_reach(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # beside the long side, two fifths of the way along it
    foot = np.array([9.0, 0.0]) + 0.4 * np.array([-9.0, 12.0])
    beside = foot + np.array([12.0, 9.0])
    places, _ = asked(monkeypatch, (3.0, 3.0), (-4.0, 5.0), (beside[0], beside[1]), (-30.0, -40.0))
    within, west, long, corner = (shares(place) for place in places)
    assert within == expected(5 / 12, 1 / 3, 1 / 4)
    assert west == expected(7 / 12, 0.0, 5 / 12)
    assert long == expected(0.0, 0.6, 0.4)
    assert corner == expected(1.0, 0.0, 0.0)
    assert places[0].up == 5.0


def test_on_a_mark_and_without_ground_a_point_hangs_on_the_nearest_mark_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    on, beside = asked(monkeypatch, (9.006, -0.006), (8.8, 0.1))[0]
    assert shares(on) == {1: 1.0}
    assert len(beside.rows) == 3
    near_a, near_c = asked(monkeypatch, (3.0, 3.0), (1.0, 8.0), ground=False)[0]
    assert (shares(near_a), shares(near_c)) == ({0: 1.0}, {2: 1.0})


def test_cut_is_ground_above_design_where_it_was_walked_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _, made = asked(monkeypatch, (3.0, 3.0), (-4.0, 5.0))
    within, beyond = made.points
    assert (beyond.ground, beyond.cut) == (None, None)
    ground, cut = within.ground, within.cut
    assert ground is not None
    assert cut is not None
    assert ground.value == pytest.approx(5 / 12 * 1.0 + 1.3 / 3 + 1.6 / 4, abs=1e-4)
    assert (cut.value, cut.low, cut.high) == pytest.approx(
        (ground.value - 5, ground.low - 5, ground.high - 5)
    )
    assert cut.sigma == ground.sigma
    _, alone = asked(monkeypatch, (3.0, 3.0), ground=False)
    assert (alone.points[0].ground, alone.points[0].cut) == (None, None)
