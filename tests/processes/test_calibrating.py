"""What is refused before a device is fitted, with every survey's problem."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from geosite.base.errors import Finding, InputError, OutputRefused, SurveyRefused
from geosite.network.calibration import wording
from geosite.processes import calibrating
from geosite.processes.calibrate_device import PROCESS
from geosite.processes.calibrating import Calibrated, as_facts, calibrate_into, said
from geosite.processes.model import Context

QUAY = Path(__file__).parents[1] / "approved/sites/quay"


@pytest.fixture
def quay(tmp_path: Path) -> Path:
    """Return the site file of a survey, in a folder that is written in."""
    folder = tmp_path / "quay"
    folder.mkdir()
    for name in ("site.toml", "field_book.csv"):
        shutil.copy(QUAY / "later" / name, folder)
    return folder / "site.toml"


def unchecked_walk(folder: Path) -> Path:
    """A walk that comes back to no mark, from one mark of the map in a known direction."""
    folder.mkdir()
    (folder / "walk.csv").write_text("run,point,x,y,z\nR1,A,0,0,0\nR1,C,5,1,0\nR1,B,10,0,0\n")
    site = folder / "site.toml"
    site.write_text(
        '[survey]\nfile = "walk.csv"\n[baseline]\nfrom = "A"\nto = "B"\n'
        '[anchor]\ncrs = "EPSG:25832"\n[anchor.azimuth]\nvalue = 90\nreference = "grid"\n'
        "[anchor.marks.A]\neasting = 500000\nnorthing = 5300000\nelevation = 10\n"
    )
    return site


def test_every_survey_that_cannot_be_read_is_told(quay: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[survey\n")
    with pytest.raises(InputError) as refused:
        calibrate_into([wrong, quay, tmp_path / "none.toml"], tmp_path / "device.toml")
    told = [str(problem) for problem in refused.value.problems]
    assert len(told) == 2
    assert told[0].startswith(f"{wrong}:1: not valid TOML")
    assert "none.toml" in told[1]
    assert "does not exist" in told[1]


def test_a_survey_counts_once(quay: Path, tmp_path: Path) -> None:
    again = tmp_path / "again"
    shutil.copytree(quay.parent, again)
    with pytest.raises(InputError) as refused:
        calibrate_into([quay, again / "site.toml", quay], tmp_path / "device.toml")
    assert [(p.code, p.file) for p in refused.value.problems] == [
        ("survey-twice", str(again / "site.toml")),
        ("survey-twice", str(quay)),
    ]
    assert f"the same numbers as that of {quay}" in str(refused.value.problems[0])


@pytest.mark.parametrize("name", ["site.toml", "field_book.csv"])
def test_what_is_read_is_not_written_over(name: str, quay: Path) -> None:
    before = (quay.parent / name).read_bytes()
    out = quay.parent / "." / name
    with pytest.raises(InputError, match="--out names a file that is read"):
        calibrate_into([quay], out)
    assert (quay.parent / name).read_bytes() == before


@pytest.mark.parametrize(
    "text",
    ["anything", "[device]\n[survey]\n", "device = 3\n", "[survey]\n", "\0"],
)
def test_another_file_than_a_device_is_not_written_over(
    text: str, quay: Path, tmp_path: Path
) -> None:
    out = tmp_path / "device.toml"
    out.write_text(text)
    with pytest.raises(OutputRefused, match="is there already and is no device"):
        calibrate_into([quay], out)
    assert out.read_text() == text


def test_a_folder_and_a_link_to_nothing_are_no_device(quay: Path, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "none")
    for name in ("folder", "link"):
        with pytest.raises(OutputRefused, match="is no device"):
            calibrate_into([quay], tmp_path / name)


def test_a_walk_that_nothing_checks_tells_nothing(tmp_path: Path) -> None:
    out_only = unchecked_walk(tmp_path / "out_only")
    with pytest.raises(SurveyRefused) as refused:
        calibrate_into([out_only], tmp_path / "device.toml")
    assert [(p.code, p.file) for p in refused.value.problems] == [
        ("calibration-unchecked", str(out_only))
    ]


@pytest.mark.parametrize(("off_m", "plausible"), [(0.5, True), (30.0, False)])
def test_a_walk_that_no_plausible_device_would_make_is_refused(
    off_m: float, plausible: bool, quay: Path, tmp_path: Path, fitted: list[list[str]]
) -> None:
    # the last visit to a mark of the baseline is off
    book = quay.with_name("field_book.csv")
    rows = book.read_text("utf-8").splitlines()
    last = max(n for n, row in enumerate(rows) if row.split(",")[1] == "B1")
    cells = rows[last].split(",")
    cells[2] = f"{float(cells[2]) + off_m:.3f}"
    rows[last] = ",".join(cells)
    book.write_text("\n".join(rows) + "\n", "utf-8")
    if plausible:
        calibrate_into([quay], tmp_path / "device.toml")
        assert fitted == [[str(quay)]]
        return
    with pytest.raises(SurveyRefused) as refused:
        calibrate_into([quay], tmp_path / "device.toml")
    assert refused.value.problems[0].file == str(book)
    assert not fitted


@pytest.fixture
def fitted(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Surveys that each fit takes; it finds nothing that costs time."""
    from geosite.network.calibration import fit

    took: list[list[str]] = []

    def fit_none(notes: list[Any], progress: object) -> SimpleNamespace:
        took.append([one.site_file for one in notes])
        return SimpleNamespace()

    monkeypatch.setattr(fit, "calibrate", fit_none)
    monkeypatch.setattr(wording, "device_toml", lambda found, name: "[device]\npointing = 0.01\n")
    monkeypatch.setattr(wording, "calibration_facts", lambda found: {"surveys": 1})
    monkeypatch.setattr(wording, "calibration_told", lambda found: iter([("title", "Device")]))
    return took


def test_only_what_is_checked_takes_part_and_a_device_is_written_anew(
    quay: Path, tmp_path: Path, fitted: list[list[str]]
) -> None:
    out_only = unchecked_walk(tmp_path / "out_only")
    out = tmp_path / "device.toml"
    out.write_text("[device]\npointing = 0.5\n")
    made = calibrate_into([quay, out_only], out)
    assert fitted == [[str(quay)]]
    assert made.unchecked == (str(out_only),)
    assert out.read_text() == "[device]\npointing = 0.01\n"
    gone = out / "device.toml"
    with pytest.raises(OutputRefused, match="cannot be written") as refused:
        calibrate_into([quay], gone)
    assert refused.value.problems[0].file == str(gone)


def test_mistakes_and_what_took_no_part_are_told(
    quay: Path, tmp_path: Path, fitted: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    mistakes = (
        Finding("look", "leg-off", "Leg 3 is off.", "walk.csv", 7),
        Finding("look", "visit-off", "B1 is off.", None, None),
    )
    made = Calibrated(SimpleNamespace(), ("open/site.toml",), mistakes)  # type: ignore[arg-type]
    beyond = " A mistake would be taken for the device's error."
    assert list(said(made, tmp_path / "my.toml"))[1:] == [
        ("look", "open/site.toml: nothing checks this survey, so it took no part"),
        ("look", f"walk.csv:7: Leg 3 is off.{beyond}"),
        ("look", f"B1 is off.{beyond}"),
        ("good", f"{tmp_path / 'my.toml'} is written"),
        ("plain", "next: lay it beside a site file and write there [survey.device] and "
                  'file = "my.toml"'),
    ]  # fmt: skip
    facts = as_facts(made, tmp_path / "my.toml")
    assert facts == {
        "surveys": 1,
        "unchecked": ["open/site.toml"],
        "mistakes": [
            {"code": "leg-off", "text": "Leg 3 is off.", "file": "walk.csv", "line": 7},
            {"code": "visit-off", "text": "B1 is off.", "file": None, "line": None},
        ],
        "file": str(tmp_path / "my.toml"),
    }
    # the process tells the same, its file being an output
    monkeypatch.setattr(calibrating, "calibrate_into", lambda *given: made)
    shares: list[float] = []
    context = Context(tmp_path, lambda share, words: shares.append(share))
    summary = PROCESS.run({"sites": [str(quay)]}, context)
    assert {k: v for k, v in summary.items() if k != "findings"} == {
        k: v for k, v in facts.items() if k != "file"
    }
    assert [(f["level"], f["text"]) for f in summary["findings"]] == [
        ("look", "open/site.toml: nothing checks this survey, so it took no part"),
        ("look", "Leg 3 is off."),
        ("look", "B1 is off."),
    ]
    assert shares[-1] == 1.0
