"""Where a folder can be written, and what is said where it cannot."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from geosite.base.errors import OutputRefused
from geosite.handover.folder import output_place
from geosite.handover.folder.output_place import cannot_write, reason_of, refuse_place, resolved


def code_of(out: Path) -> str:
    with pytest.raises(OutputRefused) as caught:
        refuse_place(out)
    (problem,) = caught.value.problems
    assert problem.file == str(out)
    return problem.code


def test_a_new_folder_and_one_in_folders_that_are_not_there_yet_can_be_taken(
    tmp_path: Path,
) -> None:
    (tmp_path / "kept").mkdir()
    before = sorted(tmp_path.rglob("*"))
    for name in ("new", "a/b/c", "kept", "kept/new", "./kept/../other"):
        refuse_place(tmp_path / name)
    assert sorted(tmp_path.rglob("*")) == before  # nothing was touched


def test_a_file_is_no_folder_and_holds_none(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    assert code_of(tmp_path / "file") == "output-is-a-file"
    link = tmp_path / "link"
    link.symlink_to(tmp_path / "file")
    assert code_of(link) == "output-is-a-file"
    assert code_of(tmp_path / "file" / "a" / "b") == "output-not-writable"
    assert (tmp_path / "file").read_text() == "mine"


def test_the_folder_one_stands_in_and_those_above_it_are_not_swapped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inside = tmp_path / "one" / "two"
    inside.mkdir(parents=True)
    monkeypatch.chdir(inside)
    for out in (Path("."), inside, Path(".."), tmp_path / "one"):
        assert code_of(out) == "output-is-where-you-stand"
    for out in (Path("three"), Path("../beside"), tmp_path / "on"):
        refuse_place(out)


def test_the_top_of_a_disk_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(output_place.os.path, "ismount", lambda p: Path(p) == tmp_path)
    assert code_of(tmp_path) == "output-is-a-mount"
    refuse_place(tmp_path / "inside")


def test_folders_that_may_not_be_written_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Root may write anything: the folder's own bits count, and what the system says."""
    shut = tmp_path / "shut"
    shut.mkdir()
    shut.chmod(0o555)
    assert code_of(shut) == "output-not-writable"
    shut.chmod(0o755)
    refuse_place(shut)
    usual = os.access
    for lacking in (os.W_OK, os.X_OK):
        monkeypatch.setattr(
            output_place.os,
            "access",
            lambda p, mode, no=lacking: usual(p, mode) and not (Path(p) == shut and mode & no),
        )
        assert code_of(shut / "a" / "b") == "output-not-writable"
        refuse_place(tmp_path / "beside")


def test_a_name_no_folder_can_have_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputRefused):
        resolved(Path("a\0b"))
    assert code_of(tmp_path / ("n" * 300)) == "output-not-writable"
    assert resolved(tmp_path / "a" / ".." / "b") == tmp_path.resolve() / "b"


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (OSError(errno.ENOSPC, "x"), "disk-full", "the disk or the quota is full"),
        (OSError(errno.EDQUOT, "x"), "disk-full", "the disk or the quota is full"),
        (RuntimeError("database or disk is full"), "disk-full", "the disk or the quota is full"),
        (OSError(errno.EFBIG, "x"), "file-too-large", "larger than this process may write"),
        (OSError(errno.EROFS, "x"), "output-not-writable", "(Read-only file system)"),
        (RuntimeError("no such driver"), "output-not-writable", "(no such driver)"),
    ],
)
def test_an_error_in_writing_is_told_by_its_cause(error: Exception, code: str, said: str) -> None:
    problem = cannot_write(Path("out"), error)
    assert (problem.code, problem.file) == (code, "out")
    assert said in problem.what
    assert "nothing was changed" in problem.what


def test_a_file_in_the_way_of_a_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("")
    for deep in ("notes/x", "notes/a/b/x"):
        path = tmp_path / deep
        with pytest.raises(OSError) as caught:
            path.parent.mkdir(parents=True)
        assert reason_of(path, caught.value) == f"{tmp_path / 'notes'} is a file, no folder"
