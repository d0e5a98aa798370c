"""Suspect legs and visits on six marks in three walks: which one, of what kind, by how much.

The walks are exact but for the mistake that is put in, so the answer is known by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from network_cases import Row, notes, turned

from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.network.report_trust import MistakeReport

PLACE = {
    "A": (0.0, 0.0, 0.0),
    "B": (30.0, 0.0, 0.5),
    "C": (30.0, 40.0, 1.0),
    "D": (0.0, 40.0, 0.2),
    "E": (-30.0, 20.0, 0.7),
    "F": (15.0, 70.0, 1.2),
}
KNOWN = {
    "A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0},
    "B": {"easting": 30.0, "northing": 0.0},
}
WALKS = {"R1": "ABCDEABFCDA", "R2": "ABFDECABDFA", "R3": "ABECFDAB"}
"""Lines 2 to 12, 13 to 23 and 24 to 31 of the field book."""
JUMP = (0.5, -0.3, 0.2)


def walked(
    jumps: dict[tuple[str, int], tuple[float, float, float]] | None = None,
    seed: int | None = None,
) -> list[Row]:
    """Walk; a jump before the n-th stop of a run moves all that follows, noise every leg."""
    rows: list[Row] = []
    rng = np.random.default_rng(seed)
    for turn, (run, stops) in enumerate(WALKS.items()):
        off, places = np.zeros(3), []
        for n, stop in enumerate(stops):
            off = off + (jumps or {}).get((run, n), (0.0, 0.0, 0.0))
            if seed is not None and n:
                step = np.subtract(PLACE[stop], PLACE[stops[n - 1]])[:2]
                off = off + rng.normal(0.0, np.sqrt(0.005**2 + 0.004**2 * np.hypot(*step)), 3)
            places.append(np.array(PLACE[stop]) + off)
        # every run has axes of its own
        local = turned(np.array(places), 50.0 * turn, (3.0, -7.0, 2.0))
        rows += [(run, stop, *xyz) for stop, xyz in zip(stops, local.tolist(), strict=True)]
    return rows


def found(rows: list[Row]) -> tuple[Network, tuple[MistakeReport, ...]]:
    # a limit that refuses nothing of this size
    network = adjust(notes(rows, KNOWN, limit=10.0))
    return network, network.report.mistakes


@pytest.mark.parametrize(
    ("stop", "jump", "axis"),
    [
        # the leg to D from C falls by 0.8; that to E goes 30 west and 20 south
        *((3, (0.0, 0.0, 1.6), "z"), (3, (0.0, 0.0, 1.5), "")),
        *((4, (60.0, 0.0, 0.0), "x"), (4, (0.0, 40.0, 0.0), "y"), (4, (0.0, 39.0, 0.0), "")),
    ],
)
def test_an_error_of_twice_one_axis_of_a_leg_is_told_as_a_sign(
    stop: int, jump: tuple[float, float, float], axis: str
) -> None:
    # a limit that refuses nothing of this size
    network = adjust(notes(walked({("R1", stop): jump}), KNOWN, limit=2.0))
    told = " ".join(finding.text for finding in network.findings)
    hint = f"as if {axis} of the leg from line {stop + 1} to {stop + 2} had the wrong sign"
    assert (hint in told) == bool(axis)
    assert ("had the wrong sign" in told) == bool(axis)


def test_an_exact_walk_has_no_mistake() -> None:
    network, mistakes = found(walked())
    assert mistakes == ()
    assert not {f.code for f in network.findings} & {"leg-off", "visit-off"}


@pytest.mark.parametrize(
    ("run", "stop", "lines", "marks"),
    [
        ("R1", 4, (5, 6), ("D", "E")),
        ("R2", 6, (18, 19), ("C", "A")),
        ("R3", 3, (26, 27), ("E", "C")),
    ],
)
def test_a_jump_is_a_leg_with_its_ends_and_its_size_on_the_map(
    run: str, stop: int, lines: tuple[int, int], marks: tuple[str, str]
) -> None:
    network, (mistake,) = found(walked({(run, stop): JUMP}))
    assert (mistake.kind, mistake.run, mistake.lines, mistake.marks) == ("leg", run, lines, marks)
    # east and north of the map, whatever way the run's own axes lie
    assert mistake.error_m == pytest.approx(JUMP, abs=2e-3)
    assert mistake.chance < 1e-6
    (said,) = [f for f in network.findings if f.code == "leg-off"]
    assert said.line == lines[1]
    assert f"between marks {marks[0]} and {marks[1]}, lines {lines[0]} to {lines[1]}" in said.text


def test_a_jump_in_height_alone_is_level_in_plan() -> None:
    _, (mistake,) = found(walked({("R1", 4): (0.0, 0.0, 0.4)}))
    assert (mistake.kind, mistake.lines) == ("leg", (5, 6))
    assert mistake.error_m == pytest.approx((0.0, 0.0, 0.4), abs=2e-3)


def test_one_wrong_place_between_two_good_legs_is_a_visit_and_listed_once() -> None:
    # there and back: what follows lies right again
    there = {("R2", 4): (0.4, 0.3, 0.0), ("R2", 5): (-0.4, -0.3, 0.0)}
    network, (mistake,) = found(walked(there))
    assert (mistake.kind, mistake.run, mistake.lines) == ("visit", "R2", (17,))
    assert mistake.marks == ("E",)
    assert mistake.error_m == pytest.approx((0.4, 0.3, 0.0), abs=2e-3)
    (said,) = [f for f in network.findings if f.code == "visit-off"]
    assert "on its visit to mark E" in said.text


@pytest.mark.slow
def test_of_two_mistakes_neither_masks_the_other() -> None:
    _, mistakes = found(walked({("R1", 4): JUMP, ("R2", 6): (-0.4, 0.4, 0.0)}))
    assert [(m.kind, m.run, m.lines) for m in mistakes] == [
        ("leg", "R1", (5, 6)),
        ("leg", "R2", (18, 19)),
    ]
    assert mistakes[0].error_m == pytest.approx(JUMP, abs=0.03)
    assert mistakes[1].error_m == pytest.approx((-0.4, 0.4, 0.0), abs=0.03)


def test_noise_is_judged_without_the_mistake() -> None:
    _, nothing = found(walked(seed=4))
    assert nothing == ()
    wrong, (mistake,) = found(walked({("R1", 4): JUMP}, seed=4))
    assert mistake.lines == (5, 6)
    assert wrong.report.noise is not None
    assert wrong.report.noise.horizontal.verdict != "worse than assumed"


def test_clean_walks_raise_no_alarm() -> None:
    assert [found(walked(seed=seed))[1] for seed in range(12)] == [()] * 12
