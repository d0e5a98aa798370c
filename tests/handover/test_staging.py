"""The output folder: whole or not at all, and other people's files survive."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from geosite.base.errors import OutputRefused
from geosite.handover.folder import staging as folder
from geosite.handover.folder.manifest import write_manifest
from geosite.handover.folder.staging import staged


def write(out: Path, **files: str) -> None:
    with staged(out) as inside:
        for name, text in files.items():
            (inside / f"{name}.txt").write_text(text)


def write_listed(out: Path, **files: str) -> None:
    """Write with a manifest, as a build does."""
    with staged(out) as inside:
        for name, text in files.items():
            (inside / f"{name}.txt").write_text(text)
        write_manifest(inside, {}, [(f"{name}.txt", "test") for name in files])


def content(out: Path) -> dict[str, str]:
    return {
        path.relative_to(out).as_posix(): path.read_text()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name != "MANIFEST.json"
    }


def refusal(out: Path, **files: str) -> str:
    with pytest.raises(OutputRefused) as caught:
        write(out, **files)
    assert caught.value.exit_code == 4
    text = str(caught.value)
    assert "\n" not in text
    assert str(out) in text.replace("\\x00", "\0")
    return text


def interrupted(out: Path) -> None:
    with staged(out) as inside:
        (inside / "a.txt").write_text("new")
        raise ZeroDivisionError


def leftovers(parent: Path) -> list[str]:
    return [name for name in os.listdir(parent) if name.startswith(".geosite-")]


def test_new_empty_and_full_folders_are_written(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, a="1")
    assert content(out) == {"a.txt": "1"}
    empty = tmp_path / "empty"
    empty.mkdir()
    write(empty, a="1")
    assert content(empty) == {"a.txt": "1"}
    write(out, a="2", b="3")
    assert content(out) == {"a.txt": "2", "b.txt": "3"}
    assert leftovers(tmp_path) == []


def test_missing_parents_are_made_and_taken_back_when_it_fails(tmp_path: Path) -> None:
    write(tmp_path / "a" / "b" / "out", x="1")
    assert content(tmp_path / "a") == {"b/out/x.txt": "1"}
    with pytest.raises(ZeroDivisionError), staged(tmp_path / "c" / "d" / "out"):
        raise ZeroDivisionError
    assert not (tmp_path / "c").exists()


def test_a_failed_run_leaves_the_earlier_output_and_no_trace(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, a="old")
    with pytest.raises(ZeroDivisionError):
        interrupted(out)
    assert content(out) == {"a.txt": "old"}
    assert leftovers(tmp_path) == []


def test_files_of_other_people_survive(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_listed(out, a="1", b="1")
    (out / "mine.txt").write_text("mine")
    (out / "photos" / "deep").mkdir(parents=True)
    (out / "photos" / "deep" / "p.txt").write_text("photo")
    (out / "empty").mkdir()
    os.symlink("mine.txt", out / "link")
    os.symlink("nowhere", out / "dangling")
    write_listed(out, a="2")
    assert content(out) == {
        "a.txt": "2",
        "mine.txt": "mine",
        "link": "mine",
        "photos/deep/p.txt": "photo",
    }
    assert (out / "empty").is_dir()
    assert os.readlink(out / "dangling") == "nowhere"


def test_own_files_go_unless_somebody_changed_them(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_listed(out, a="1", gone="1", edited="1")
    (out / "edited.txt").write_text("2")
    write_listed(out, a="2")
    assert content(out) == {"a.txt": "2", "edited.txt": "2"}


def test_a_run_without_a_manifest_adds_to_what_is_there(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_listed(out, a="1", b="1")
    write(out, b="2")
    assert content(out) == {"a.txt": "1", "b.txt": "2"}


def test_an_own_subfolder_goes_with_its_files(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with staged(out) as inside:
        (inside / "styles").mkdir()
        (inside / "styles" / "x.sld").write_text("<x/>")
        write_manifest(inside, {}, [("styles/x.sld", "")])
    write_listed(out, a="1")
    assert content(out) == {"a.txt": "1"}
    assert not (out / "styles").exists()


@pytest.mark.parametrize("ending", ["-wal", "-shm", "-journal", ".aux.xml", ".ovr"])
def test_companions_of_replaced_files_do_not_stay(tmp_path: Path, ending: str) -> None:
    out = tmp_path / "out"
    write_listed(out, site="1")
    (out / f"site.txt{ending}").write_text("of the earlier file")
    (out / f"other{ending}").write_text("of somebody's own file")
    write_listed(out, site="2")
    assert content(out) == {"site.txt": "2", f"other{ending}": "of somebody's own file"}


def test_a_manifest_that_is_not_one_claims_nothing(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "precious.txt").write_text("keep")
    for text in (
        "{",
        "[]",
        "[" * 100_000,
        '{"files": [1]}',
        '{"files": [{"file": "../x"}]}',
        "null",
    ):
        (out / "a.txt").write_text("of somebody's own")
        (out / "MANIFEST.json").write_text(text)
        with pytest.raises(OutputRefused, match=r"a\.txt, which geosite did not write"):
            write_listed(out, a="1")
        assert (out / "a.txt").read_text() == "of somebody's own"
        assert (out / "MANIFEST.json").read_text() == text
        assert (out / "precious.txt").read_text() == "keep"


def test_a_manifest_cannot_reach_outside(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    outside = tmp_path / "outside.txt"
    outside.write_text("1")
    entry = {"file": "../outside.txt", "size": 1, "sha256": folder.file_digest(outside)}
    (out / "MANIFEST.json").write_text(json.dumps({"files": [entry]}))
    write_listed(out, a="1")
    assert outside.read_text() == "1"


def test_hard_links_are_copied_where_the_disk_has_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(os, "link", no_links)
    out = tmp_path / "out"
    write(out, a="1")
    (out / "mine.txt").write_text("mine")
    write(out, a="2")
    assert content(out) == {"a.txt": "2", "mine.txt": "mine"}


def test_a_file_put_in_while_building_survives(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, a="1")
    with staged(out) as inside:
        (inside / "a.txt").write_text("2")
        (out / "late.txt").write_text("late")
    assert content(out) == {"a.txt": "2", "late.txt": "late"}


def test_the_folder_keeps_its_permissions(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir(mode=0o750)
    out.chmod(0o750)
    write(out, a="1")
    assert out.stat().st_mode & 0o777 == 0o750


def test_a_link_to_a_folder_is_followed(tmp_path: Path) -> None:
    real = tmp_path / "disk" / "real"
    write(real, a="1")
    link = tmp_path / "link"
    link.symlink_to(real)
    write(link, a="2")
    assert link.is_symlink()
    assert content(real) == {"a.txt": "2"}


def test_targets_that_are_no_folders_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("precious")
    assert "is a file" in refusal(file, a="1")
    assert file.read_text() == "precious"
    refusal(file / "below", a="1")
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    refusal(loop, a="1")
    refusal(tmp_path / ("n" * 300), a="1")
    refusal(tmp_path / "a\0b", a="1")
    assert leftovers(tmp_path) == []


def test_where_you_stand_and_the_top_of_a_disk_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inner = tmp_path / "out" / "inner"
    inner.mkdir(parents=True)
    monkeypatch.chdir(inner)
    assert "work in" in refusal(Path("."), a="1")
    assert "work in" in refusal(tmp_path / "out", a="1")
    write(tmp_path / "out" / "other", a="1")
    assert "top of a disk" in refusal(Path("/"), a="1")


def test_two_runs_into_one_folder(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with staged(out) as inside:
        (inside / "a.txt").write_text("first")
        assert "another run" in refusal(out, a="second")
        write(tmp_path / "other", a="not in the way")
    assert content(out) == {"a.txt": "first"}
    write(out, a="third")
    assert content(out) == {"a.txt": "third"}


def test_what_a_killed_run_left_is_cleared(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, a="1")
    script = (
        "import os, signal; from pathlib import Path\n"
        "from geosite.handover.folder.staging import staged\n"
        f"with staged(Path({str(out)!r})) as inside:\n"
        "    (inside / 'a.txt').write_text('2')\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    assert subprocess.run([sys.executable, "-c", script]).returncode == -9
    left = leftovers(tmp_path)
    assert len(left) == 2  # the staging folder and the lock file
    assert content(out) == {"a.txt": "1"}
    write(out, a="3")
    assert content(out) == {"a.txt": "3"}
    assert leftovers(tmp_path) == []


def test_without_an_exchange_the_folders_are_renamed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folder, "_exchange", lambda one, other: False)
    out = tmp_path / "out"
    write_listed(out, a="1", b="1")
    (out / "mine.txt").write_text("mine")
    write_listed(out, a="2")
    assert content(out) == {"a.txt": "2", "mine.txt": "mine"}
    assert leftovers(tmp_path) == []


def test_a_kill_between_the_two_renames_is_mended_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write(out, a="old")
    script = (
        "import os, signal\nfrom pathlib import Path\n"
        "from geosite.handover.folder import staging as folder\n"
        "folder._exchange = lambda one, other: False\n"
        "rename, count = os.rename, []\n"
        "def counted(*names):\n"
        "    count.append(names)\n"
        "    if len(count) == 3: os.kill(os.getpid(), signal.SIGKILL)\n"
        "    rename(*names)\n"
        "os.rename = counted\n"
        f"with folder.staged(Path({str(out)!r})) as inside:\n"
        "    (inside / 'a.txt').write_text('new')\n"
    )
    assert subprocess.run([sys.executable, "-c", script]).returncode == -9
    assert not out.exists()
    with pytest.raises(ZeroDivisionError), staged(out):
        raise ZeroDivisionError
    assert content(out) == {"a.txt": "old"}
    assert leftovers(tmp_path) == []


def test_a_limit_on_the_size_of_files_is_one_line_and_changes_nothing(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    out = tmp_path / "out"
    write(out, a="old")
    code = (
        "import resource, sys; from pathlib import Path\n"
        "from geosite.base.errors import OutputRefused\n"
        "from geosite.handover.folder.staging import staged\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try:\n"
        f"    with staged(Path({str(out)!r})) as inside:\n"
        "        (inside / 'a.txt').write_text('n' * 5000)\n"
        "except OutputRefused as refused: sys.exit(str(refused))\n"
    )
    # Python keeps a module that it compiled and could write in part only, for good
    done = subprocess.run([sys.executable, "-B", "-c", code], capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "larger than this process may write, nothing was changed" in done.stderr
    assert content(out) == {"a.txt": "old"}
    assert leftovers(tmp_path) == []
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 1000


def test_errors_of_the_writing_libraries_are_one_line(tmp_path: Path) -> None:
    import sqlite3

    with pytest.raises(OutputRefused, match="locked"), staged(tmp_path / "out"):
        raise sqlite3.OperationalError("database is locked")
    with pytest.raises(OutputRefused, match="quota is full"), staged(tmp_path / "out"):
        raise sqlite3.OperationalError("database or disk is full")
    with pytest.raises(RuntimeError), staged(tmp_path / "out"):
        raise RuntimeError("a bug stays a bug")


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Root may write everywhere: step down for a moment."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_parent_that_cannot_be_written_is_refused() -> None:
    with tempfile.TemporaryDirectory() as name:
        parent = Path(name)
        out = parent / "out"
        write(out, a="old")
        os.chmod(out, 0o777)
        os.chmod(parent, 0o555)
        try:
            with as_nobody():
                assert "Permission denied" in refusal(out, a="new")
                assert "Permission denied" in refusal(parent / "deeper" / "out", a="new")
            assert content(out) == {"a.txt": "old"}
            os.chmod(parent, 0o000)
            with as_nobody():
                assert "Permission denied" in refusal(out, a="new")
        finally:
            os.chmod(parent, 0o755)
        assert leftovers(parent) == []


def test_files_that_cannot_be_read_still_survive() -> None:
    with tempfile.TemporaryDirectory() as name:
        parent = Path(name)
        os.chmod(parent, 0o777)
        with as_nobody():
            out = parent / "out"
            write(out, a="1")
            (out / "secret.txt").write_text("s")
            os.chmod(out / "secret.txt", 0o000)
            write(out, a="2")
            os.chmod(out / "secret.txt", 0o600)
            assert content(out) == {"a.txt": "2", "secret.txt": "s"}
