"""Two surveys of the yard whose answers are known: the second one is the first with one change."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from geosite.analysis.change import compare as comparing
from geosite.analysis.change import ground as of_ground
from geosite.analysis.change.compare import compare
from geosite.analysis.change.model import Epoch
from geosite.base.errors import InputError
from geosite.fieldbook.read import read_survey
from geosite.network.adjust import adjust
from geosite.network.control.model import CommonShift
from geosite.processes.epochs import read_epoch

YARD = Path(__file__).parents[2] / "approved/sites/yard"
MARKS = ["A", "B", "S1", "S2", "S3", "S4", "G1", "G2", "G3", "W1", "W2", "W3"]


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Epoch:
    """The yard in cells of a metre."""
    folder = tmp_path_factory.mktemp("yard")
    book, site = ((YARD / name).read_text("utf-8") for name in ("field_book.csv", "site.toml"))
    (folder / "field_book.csv").write_text(book, "utf-8")
    (folder / "site.toml").write_text(
        site.partition("[prices]")[0].replace("cell_size = 0.5", "cell_size = 1.0"), "utf-8"
    )
    return read_epoch(str(folder / "site.toml"))


def moved(epoch: Epoch, steps: Mapping[str, tuple[float, float, float]]) -> Epoch:
    """The yard with marks moved by ground metres, without its ground."""
    book, factor = epoch.notes.book, epoch.network.frame.combined_factor
    en, elevation = epoch.network.en.copy(), epoch.network.elevation.copy()
    for name, (east, north, up) in steps.items():
        rows = book.mark == book.marks.index(name)
        en[rows] += np.array([east, north]) * factor
        elevation[rows] += up
    return replace(epoch, site=None, network=replace(epoch.network, en=en, elevation=elevation))


def test_a_survey_held_against_itself_changed_nothing(yard: Epoch) -> None:
    found = compare(yard, yard)
    assert [one.name for one in found.marks] == MARKS
    assert {(one.plan, one.level) for one in found.marks} == {("stable", "stable")}
    ground = found.ground
    assert ground is not None
    assert (ground.raised.value, ground.lowered.value) == (0.0, 0.0)
    told = next(f.text for f in found.findings if f.code == "ground-change")
    assert "the ground rose nowhere and fell nowhere where it is more than noise" in told
    assert ground.net.value == pytest.approx(0.0, abs=1e-9)
    known = np.isfinite(ground.rise)
    assert ground.compared_m2 == pytest.approx(known.sum() * ground.cell_m2)
    assert 200.0 < ground.compared_m2 < 240.0  # the marks lie round 20 by 12 m
    assert np.abs(ground.rise[known]).max() < 1e-9
    assert ground.cell_m2 == pytest.approx((1 / yard.network.frame.combined_factor) ** 2)
    assert {one.added.value for one in found.progress} == {0.0}


def test_one_mark_that_moved_is_measured_in_ground_metres(yard: Epoch) -> None:
    found = compare(yard, moved(yard, {"G2": (0.3, -0.4, 0.12)}))
    told = {one.name: one for one in found.marks}
    assert (told["G2"].plan, told["G2"].level) == ("moved", "moved")
    assert {(o.plan, o.level) for n, o in told.items() if n != "G2"} == {("stable", "stable")}
    assert (told["G2"].east.value, told["G2"].north.value) == pytest.approx((0.3, -0.4))
    assert told["G2"].horizontal.value == pytest.approx(0.5)
    assert told["G2"].up.value == pytest.approx(0.12)
    assert told["G2"].probability_h < 1e-6 < 0.9 < told["S1"].probability_h


def test_a_frame_that_is_shifted_turned_and_lifted_moves_no_mark(yard: Epoch) -> None:
    book, turn = yard.notes.book, 0.002
    at = {name: yard.network.en[book.mark == book.marks.index(name)][0] for name in MARKS}
    steps = {n: (0.5 - turn * y, -0.2 + turn * x, 0.1) for n, (x, y) in at.items()}
    found = compare(yard, moved(yard, steps))
    assert {(one.plan, one.level) for one in found.marks} == {("stable", "stable")}
    assert max(one.horizontal.value for one in found.marks) < 1e-3
    assert found.level is not None
    assert found.level.frame == pytest.approx([0.1])


@pytest.mark.parametrize(
    ("step", "told"),
    [
        ((0.0, 0.0, 47.29), "All stable marks lie 47.29 m higher in the second survey"),
        ((0.0, 0.0, -0.31), "All stable marks lie 0.31 m lower in the second survey"),
        ((1.2, -0.5, 0.0), "All stable marks lie 1.30 m off in plan in the second survey"),
        ((0.0, 0.0, 0.001), None),
    ],
)
@pytest.mark.parametrize("known", [True, False])
def test_surveys_in_other_systems_are_not_compared_silently(
    yard: Epoch, step: tuple[float, float, float], told: str | None, known: bool
) -> None:
    first = replace(yard, site=None, network=replace(yard.network, accuracy_known=known))
    found = compare(first, moved(first, dict.fromkeys(MARKS, step)))
    texts = [f.text for f in found.findings if f.code.startswith("surveys-apart")]
    assert [text[: len(told or "")] for text in texts] == ([told] if told else [])


@pytest.mark.parametrize(("off_m", "is_same"), [(2.9, True), (3.1, False)])
def test_farther_than_three_metres_off_it_is_another_mark(
    yard: Epoch, off_m: float, is_same: bool
) -> None:
    found = compare(yard, moved(yard, {"G2": (0.0, off_m, 0.0)}))
    assert ("G2" in {one.name for one in found.marks}) is is_same
    assert ("marks-alike" in {f.code for f in found.findings}) is not is_same


def test_where_no_accuracy_is_known_no_mark_is_called_stable(yard: Epoch) -> None:
    unknown = replace(yard, site=None, network=replace(yard.network, accuracy_known=False))
    for before, after in ((yard, unknown), (unknown, yard)):
        found = compare(before, after)
        assert {(one.plan, one.level) for one in found.marks} == {("undecided", "undecided")}
        assert {one.up.half_width for one in found.marks} == {math.inf}


def test_of_many_marks_the_baseline_and_some_of_all_the_walk_are_held(
    yard: Epoch, monkeypatch: pytest.MonkeyPatch
) -> None:
    marks = replace(yard, site=None)
    monkeypatch.setattr(comparing, "COMMON", 5)
    assert [one.name for one in compare(marks, marks).marks] == ["A", "B", "S1", "G1", "W3"]
    monkeypatch.setattr(comparing, "COMMON", 12)
    assert [one.name for one in compare(marks, marks).marks] == MARKS


def test_a_large_ground_is_compared_in_larger_cells(
    yard: Epoch, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert yard.site is not None
    rows, cols = yard.site.grid.shape
    monkeypatch.setattr(of_ground, "CELLS", rows * cols)
    whole = compare(yard, yard).ground
    monkeypatch.setattr(of_ground, "CELLS", rows * cols - 1)
    halved = compare(yard, yard).ground
    assert whole is not None
    assert halved is not None
    assert (whole.grid.cell_size, halved.grid.cell_size) == (1.0, 2.0)
    assert halved.cell_m2 == pytest.approx(4 * whole.cell_m2)
    assert halved.compared_m2 == pytest.approx(whole.compared_m2, rel=0.2)


def test_exact_control_that_is_not_the_same_in_both_surveys_is_refused(
    yard: Epoch, tmp_path: Path
) -> None:
    book, frame = yard.notes.book, yard.network.frame
    east, north = frame.to_map(yard.network.en[book.mark == book.marks.index("B")])[0]
    text = (YARD / "site.toml").read_text("utf-8").partition("[prices]")[0]
    both = f"[anchor.marks.B]\neasting = {east:.4f}\nnorthing = {north:.4f}\nelevation = 400.0\n"
    head, _, rest = text.partition("[anchor.azimuth]")
    rest = "[codes" + rest.partition("[codes")[2]
    (tmp_path / "site.toml").write_text(head + both + rest, "utf-8")
    (tmp_path / "field_book.csv").write_bytes((YARD / "field_book.csv").read_bytes())
    notes = read_survey(tmp_path / "site.toml")
    exact = replace(yard, notes=notes, network=adjust(notes), site=None)
    for step, words in (
        ((0.2, 0.0, 0.0), "B lies 0.200 m farther from A than in the survey before"),
        ((-0.0011, 0.0, 0.0), "B lies 0.001 m nearer to A"),
        ((0.0, 0.0, 0.05), "B lies 0.050 m higher against A"),
        ((0.0009, 0.0, -0.0009), None),
    ):
        pushed = moved(exact, {"B": step})
        if words is None:
            assert all(one.plan == "stable" for one in compare(exact, pushed).marks)
            continue
        with pytest.raises(InputError, match=words):
            compare(exact, pushed)
    # what moves all of the control alike is the frame
    alike = dict.fromkeys(MARKS, (0.3, 0.1, 0.2))
    assert compare(exact, moved(exact, alike)).plan.first.passed


def test_two_marks_do_not_tell_whether_one_went_sideways(
    yard: Epoch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(comparing, "_common", lambda *_: (["A", "B"], []))
    book = yard.notes.book
    a, b = (yard.network.en[book.mark == book.marks.index(name)][0] for name in "AB")
    east, north = 0.5 * (b - a) / math.dist(a, b)
    sideways = compare(yard, moved(yard, {"B": (-north, east, 0.0)}))
    assert {one.plan for one in sideways.marks} == {"undecided"}
    assert {one.level for one in sideways.marks} == {"stable"}
    codes = [f.code for f in sideways.findings]
    assert "marks-unchecked-plan" in codes
    assert "marks-stable-plan" not in codes
    farther = compare(yard, moved(yard, {"B": (east, north, 0.0)}))
    assert [one.horizontal.value for one in farther.marks] == pytest.approx([0.5, 0.5], abs=1e-3)


def test_marks_that_both_surveys_take_as_exact_are_not_called_stable(yard: Epoch) -> None:
    exact = replace(yard, site=None)
    none = np.zeros((2 * len(MARKS), 2 * len(MARKS)))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(
            comparing,
            "_covariances",
            lambda *a: (none, none) if a[-1] == "plan" else (none[::2, ::2], none[::2, ::2]),
        )
        found = compare(exact, exact)
    assert {(one.plan, one.level) for one in found.marks} == {("undecided", "undecided")}
    texts = [f.text for f in found.findings if f.code.startswith("marks-")]
    assert len(texts) == 2
    assert all("as exact" in text for text in texts)


def test_marks_known_to_metres_explain_metres(yard: Epoch) -> None:
    shift = CommonShift(3.0, 3.0, "by hand-held receiver")
    loose = replace(yard.network, shift=shift)
    first = replace(yard, site=None, network=loose)
    found = compare(first, moved(first, dict.fromkeys(MARKS, (2.0, 0.0, 3.0))))
    told = [f for f in found.findings if f.code.startswith("surveys-apart")]
    assert [f.level for f in told] == ["note", "note"]
    assert all("which the stated accuracy of the known marks explains" in f.text for f in told)


def test_a_mark_that_stands_out_by_itself_is_named(yard: Epoch) -> None:
    first = replace(yard, site=None)
    step = compare(first, first).marks[MARKS.index("G2")].up.half_width * 1.1
    found = compare(first, moved(first, {"G2": (0.0, 0.0, step)}))
    assert {one.name for one in found.marks if one.level == "undecided"} == {"G2"}
    assert [f.text[:14] for f in found.findings if f.code == "marks-by-themselves-level"] == [
        "G2: off in hei"
    ]
