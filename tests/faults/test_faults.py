"""The machine is not as it should be: full disk, odd surroundings, wrong clock, foreign text."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from cli_runner import Ran, geosite, geosite_copy, geosite_process
from quick_landing import quick_jetty, quick_landing, take_coarse_cells

pytestmark = pytest.mark.slow

COMMAND = Path(sys.executable).with_name("geosite")
FERRY = Path(__file__).resolve().parents[2] / "sample_data" / "ferry_landing"


# names as the user gave them stand in the report, so always the same ones
BUILD = ("build", "site/site.toml", "--out", "map")


def one_line(done: Ran, status: int) -> str:
    assert done.status == status, done.err
    assert done.err.count("\n") == 1, done.err
    assert "; expected " in done.err
    return done.err


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def lean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a site file that is built quickly."""
    return quick_jetty(tmp_path_factory.mktemp("lean") / "site", lean=True)


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Return what a build writes when all is well."""
    folder = tmp_path_factory.mktemp("usual")
    quick_jetty(folder / "site")
    assert build_in(folder).status == 0
    return digests(folder / "map")


def build_in(folder: Path, **more: str) -> Ran:
    return geosite_process(*BUILD, cwd=folder, env={**os.environ, **more})


# ---- disks --------------------------------------------------------------------------------------


@pytest.fixture
def disk(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Path]:
    """Mount a small disk in memory, where that is allowed."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("only the superuser mounts")
    mount = ["mount", "-t", "tmpfs", "-o", request.param, "tmpfs", folder]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


@pytest.mark.parametrize("disk", ["size=64k", "size=600k"], indirect=True)
def test_a_full_disk(disk: Path, lean: Path) -> None:
    (disk / "note.txt").write_text("somebody's own file")
    said = one_line(geosite_copy("build", lean, "--out", disk / "map"), 4)
    assert "the disk or the quota is full, nothing was changed" in said
    assert [path.name for path in disk.iterdir()] == ["note.txt"]


@pytest.mark.parametrize("disk", ["size=3m"], indirect=True)
def test_a_disk_that_fills_up_keeps_the_earlier_map(disk: Path, tmp_path: Path, lean: Path) -> None:
    larger = quick_landing(tmp_path / "landing")
    first = geosite_copy("build", lean, "--out", disk / "map")
    assert first.status == 0, first.err
    before = digests(disk)
    assert "full" in one_line(geosite_copy("build", larger, "--out", disk / "map"), 4)
    assert digests(disk) == before


@pytest.fixture(scope="module")
def elevations(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the elevations of a rough hillside, 300 x 300 cells."""
    import numpy as np
    import rasterio

    path = tmp_path_factory.mktemp("elevations") / "elevation.tif"
    steps = np.random.default_rng(1).normal(size=(300, 300)) * 0.01
    with rasterio.open(
        path, "w", driver="GTiff", width=300, height=300, count=1, dtype="float32",
        crs="EPSG:25832", transform=rasterio.Affine(1, 0, 5e5, 0, -1, 53e5),
    ) as file:  # fmt: skip
        file.write(steps.cumsum(axis=0).cumsum(axis=1).astype(np.float32), 1)
    return path


def whole_or_refused(done: Ran, out: Path, words: str) -> bool:
    """Report whether every raster reads back, after a refusal that nothing is there."""
    import rasterio

    if done.status == 0:
        assert done.err == ""
        for path in out.glob("*.tif"):
            with rasterio.open(path) as file:
                file.read()
        return True
    assert words in one_line(done, 4)
    assert not out.parent.exists() or list(out.parent.iterdir()) == []
    return False


@pytest.mark.parametrize(
    ("process", "disk"),
    [
        *(("derive-slope", f"size={size}k") for size in (200, 660, 740, 820)),
        *(("derive-drainage", f"size={size}k") for size in (100, 260, 340, 900)),
    ],
    indirect=["disk"],
)
def test_processes_on_a_small_disk(process: str, disk: Path, elevations: Path) -> None:
    done = geosite_copy(
        "execute", process, "--json", "--elevation", elevations, "--out", disk / "map"
    )
    assert whole_or_refused(done, disk / "map", "quota is full") == (disk / "map").is_dir()


@pytest.mark.skipif(sys.platform == "win32", reason="has no such limit")
@pytest.mark.parametrize("process", ["derive-slope", "derive-drainage", "build"])
def test_a_limit_on_the_size_of_files(
    process: str,
    tmp_path: Path,
    elevations: Path,
    lean: Path,
    have_processors: Callable[[int], None],
) -> None:
    have_processors(2)  # which file is too large first depends on it, and the words with that
    words = (
        ["build", str(lean)]
        if process == "build"
        else ["execute", process, "--json", "--elevation", str(elevations)]
    )
    outcomes = set()
    for kilobytes in (4, 200, 2000) if process == "build" else (32, 2000):
        done = geosite_copy(*words, "--out", "o/map", cwd=tmp_path, largest=1024 * kilobytes)
        outcomes.add(whole_or_refused(done, tmp_path / "o" / "map", "larger than this process"))
        shutil.rmtree(tmp_path / "o", ignore_errors=True)
    assert outcomes == {True, False}


@pytest.mark.parametrize("disk", ["ro"], indirect=True)
def test_a_disk_that_cannot_be_written(disk: Path, lean: Path) -> None:
    for words in (("build", lean, "--out", disk / "map"), ("new", disk / "yard")):
        assert "Read-only file system" in one_line(geosite_copy(*words), 4)
    assert list(disk.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="needs a plain user")
def test_a_folder_that_cannot_be_written(tmp_path: Path, lean: Path) -> None:
    (tmp_path / "closed").mkdir(mode=0o555)
    words = ("build", lean, "--out", tmp_path / "closed" / "map")
    assert "Permission denied" in one_line(geosite_copy(*words), 4)


def test_a_folder_that_somebody_made_read_only(tmp_path: Path, lean: Path) -> None:
    words = ("build", lean, "--out", tmp_path / "map")
    assert geosite_copy(*words).status == 0
    before = digests(tmp_path)
    (tmp_path / "map").chmod(0o555)
    for _ in range(2):
        assert "Permission denied" in one_line(geosite_copy(*words), 4)
    assert digests(tmp_path) == before
    assert [path.name for path in tmp_path.iterdir()] == ["map"]
    (tmp_path / "map").chmod(0o755)
    assert geosite_copy(*words).status == 0


# ---- others at work -----------------------------------------------------------------------------


def test_two_builds_into_one_folder(tmp_path: Path, lean: Path) -> None:
    words = [COMMAND, "build", lean, "--out", tmp_path / "map"]
    both = [subprocess.Popen(words, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [process.communicate(timeout=120)[1] for process in both]
    states = sorted(process.returncode for process in both)
    assert states in ([0, 4], [0, 0])  # the second is refused, or came after the first
    assert all("another run is writing" in text for text in said if text)
    assert geosite_copy("verify", tmp_path / "map").status == 0
    assert [path.name for path in tmp_path.iterdir()] == ["map"]


def test_a_parcel_map_that_another_program_has_open(tmp_path: Path) -> None:
    shutil.copytree(FERRY, tmp_path / "site")
    words = ("check", tmp_path / "site" / "site.toml")
    parcels = sqlite3.connect(tmp_path / "site" / "parcels.gpkg", isolation_level=None)
    parcels.execute("BEGIN EXCLUSIVE")
    said = one_line(geosite_copy(*words), 2)
    assert "parcels.gpkg cannot be read (another program is writing to it" in said
    parcels.execute("ROLLBACK")
    parcels.execute("BEGIN")
    parcels.execute("SELECT * FROM sqlite_master").fetchone()  # looked at in a GIS
    assert geosite_copy(*words).status == 0
    parcels.close()


def test_an_earlier_map_that_another_program_has_open(tmp_path: Path, lean: Path) -> None:
    words = ("build", lean, "--out", tmp_path / "map")
    assert geosite_copy(*words).status == 0
    earlier = sqlite3.connect(tmp_path / "map" / "site.gpkg", isolation_level=None)
    earlier.execute("BEGIN EXCLUSIVE")
    assert geosite_copy(*words).status == 0  # who has it open keeps the old one
    assert geosite_copy("verify", tmp_path / "map").status == 0
    earlier.close()


# ---- surroundings -------------------------------------------------------------------------------


def test_foreign_data_folders_change_nothing(tmp_path: Path, usual: dict[str, str]) -> None:
    quick_jetty(tmp_path / "site")
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "proj.db").write_text("no database")
    (foreign / "gdalvrt.xsd").write_text("no schema")
    folders = dict.fromkeys(("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"), str(foreign))
    done = build_in(tmp_path, PROJ_NETWORK="ON", **folders)
    assert (done.status, done.err) == (0, "")
    assert digests(tmp_path / "map") == usual


@pytest.mark.skipif(sys.platform == "win32", reason="needs its surroundings")
def test_no_home_and_a_c_locale_change_nothing(
    tmp_path: Path, usual: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    quick_jetty(tmp_path / "site")
    for name in set(os.environ) - {"PATH"}:
        # which kernels the linear algebra takes belongs to the machine: others round otherwise
        if not name.startswith("OPENBLAS_"):
            monkeypatch.delenv(name)
    done = build_in(tmp_path, LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0")
    assert (done.status, done.err) == (0, "")
    assert digests(tmp_path / "map") == usual


def test_dates_of_files_in_the_far_past_and_future(tmp_path: Path, usual: dict[str, str]) -> None:
    quick_jetty(tmp_path / "site")
    past, future = (time.mktime((year, 1, 1, 0, 0, 0, 0, 0, 0)) for year in (1960, 2150))
    for path in (tmp_path / "site").iterdir():
        os.utime(path, (future, future))
    assert geosite_copy(*BUILD, cwd=tmp_path, SOURCE_DATE_EPOCH="99999999999").status == 0
    assert digests(tmp_path / "map") == usual
    # the clock was set back since: the map is newer than now, and than the changed site file
    for path in (tmp_path / "map").iterdir():
        os.utime(path, (future, future))
    site = tmp_path / "site" / "site.toml"
    text = site.read_text(encoding="utf-8")
    changed = text.replace("cell_size = 1.0", "cell_size = 2.0")
    assert changed != text
    site.write_text(changed, encoding="utf-8")
    os.utime(site, (past, past))
    assert geosite_copy(*BUILD, cwd=tmp_path).status == 0
    assert digests(tmp_path / "map") != usual


def test_no_file_of_the_users_is_a_log(tmp_path: Path) -> None:
    """Whatever CPL_LOG holds is the name of a file to the libraries: "OFF" was one."""
    code = (
        "import ctypes, glob, os, sys\n"
        "from pathlib import Path\n"
        "from geosite_cli.main import main\n"
        "try: main(['--version'])\n"
        "except SystemExit: pass\n"
        "import fiona\n"
        "own = Path(fiona.__file__).parent\n"
        "places = own, own.with_name('fiona.libs')\n"
        "found = [str(p) for place in places for p in place.rglob('libgdal*')]\n"
        "if not found: sys.exit('no library')\n"
        "ctypes.CDLL(found[0]).CPLError(3, 1, b'a complaint outside of all that listens')\n"
    )
    (tmp_path / "OFF").write_text("somebody's own file")
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={name: value for name, value in os.environ.items() if name != "CPL_LOG"},
    )
    if "no library" in done.stderr:
        pytest.skip("the library is not beside its wrapper")
    assert done.returncode == 0, done.stderr
    assert "complaint" not in done.stderr
    assert (tmp_path / "OFF").read_text() == "somebody's own file"


@pytest.mark.skipif(sys.platform == "win32", reason="has no pipes among its files")
def test_a_pipe_is_no_hand_over(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "map")
    assert "neither a folder nor a plain file" in one_line(
        geosite_copy("verify", tmp_path / "map"), 2
    )


def test_names_in_files_do_not_command_the_terminal(tmp_path: Path) -> None:
    import fiona
    import pyproj

    take_coarse_cells(quick_landing(tmp_path / "site"))
    path = tmp_path / "site" / "parcels.gpkg"
    with fiona.open(path) as file:
        schema, crs, layer = file.schema, file.crs_wkt, file.name
        records = [{"geometry": r.geometry, "properties": dict(r.properties)} for r in file]
    path.unlink()
    field = next(name for name, value in records[0]["properties"].items() if value == "101/1")
    for record in records:
        record["properties"][field] += "\x1b]0;title\x07\x1b[2J"
    with fiona.open(path, "w", driver="GPKG", layer=layer, schema=schema, crs_wkt=crs) as file:
        file.writerecords(records)
    assert pyproj.CRS.from_wkt(crs).to_epsg() == 25832
    done = geosite_copy("check", tmp_path / "site" / "site.toml")
    assert done.status == 0, done.err
    built = geosite_copy("build", tmp_path / "site" / "site.toml", "--out", tmp_path / "map")
    assert "\\x1b]0;title\\x07" in built.out
    for said in (done.out, done.err, built.out, built.err):
        assert "\x1b" not in said
        assert "\x07" not in said


# ---- text of other machines ---------------------------------------------------------------------


def rewritten(folder: Path, change: object) -> Ran:
    quick_jetty(folder / "site")
    for name in ("site.toml", "field_book.csv"):
        path = folder / "site" / name
        path.write_bytes(change(path.read_bytes(), name))  # type: ignore[operator]
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        return geosite("build", "site/site.toml", "--out", "map")


def of_the_book(change: Callable[[bytes], bytes]) -> Callable[[bytes, str], bytes]:
    """Change the field book alone: the site file is TOML, which is UTF-8 with points."""
    return lambda raw, name: change(raw) if name.endswith(".csv") else raw


@pytest.mark.parametrize(
    "change",
    [
        lambda raw, _: raw.replace(b"\n", b"\r\n"),
        lambda raw, _: b"\xef\xbb\xbf" + raw,
        lambda raw, _: b"\xef\xbb\xbf" + raw.replace(b"\n", b"\r\n"),
        of_the_book(lambda raw: raw.replace(b",", b";").replace(b".", b",")),
        of_the_book(lambda raw: raw.decode().replace(",", "\t").encode("utf-16")),
    ],
    ids=["Windows line ends", "byte order mark", "both", "decimal commas", "UTF-16, tabs"],
)
def test_text_of_other_systems_is_the_same_text(
    change: object, tmp_path: Path, usual: dict[str, str]
) -> None:
    done = rewritten(tmp_path, change)
    assert done.status == 0, done.err
    assert digests(tmp_path / "map") == usual


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda raw: raw + "R1,Böschung,0,0,0,,,,\n".encode("latin-1"), "looks like Latin-1"),
    ],
    ids=["Latin-1"],
)
def test_a_field_book_of_a_regional_spreadsheet_is_recognised(
    change: object, words: str, tmp_path: Path
) -> None:
    quick_jetty(tmp_path / "site")
    book = tmp_path / "site" / "field_book.csv"
    book.write_bytes(change(book.read_bytes()))  # type: ignore[operator]
    assert words in one_line(geosite_copy(*BUILD, cwd=tmp_path), 2)
    assert not (tmp_path / "map").exists()


# ---- too much -----------------------------------------------------------------------------------


def test_a_raster_of_a_trillion_cells_is_refused_with_its_size(tmp_path: Path) -> None:
    table = tmp_path / "points.csv"
    table.write_text("easting,northing,elevation\n0,0,1\n1000000,0,2\n0,1000000,3\n")
    wanted = ("--points", table, "--crs", "EPSG:25832", "--cell-size", 1, "--out", tmp_path / "x")
    said = one_line(geosite_copy("execute", "interpolate-elevation", *wanted), 2)
    assert "1000000 rows of 1000000 cells, 8000.0 GB" in said
    quick_jetty(tmp_path / "site")
    site = tmp_path / "site" / "site.toml"
    text = re.sub(r"(?m)^cell_size = .*", "cell_size = 1e-5", site.read_text(encoding="utf-8"))
    assert "cell_size = 1e-5" in text
    site.write_text(text, encoding="utf-8")
    assert "GB" in one_line(geosite_copy(*BUILD, cwd=tmp_path), 2)


def test_coordinates_of_a_trillion(tmp_path: Path) -> None:
    quick_jetty(tmp_path / "site")
    book = tmp_path / "site" / "field_book.csv"
    lines = book.read_text(encoding="utf-8").splitlines()
    cells = lines[3].split(",")
    cells[2] = "1e12"
    lines[3] = ",".join(cells)
    book.write_text("\n".join(lines), encoding="utf-8")
    assert 'field_book.csv:4: x is "1e12"' in one_line(geosite_copy(*BUILD, cwd=tmp_path), 2)


LEGS = 1_000_000


def test_a_field_book_of_a_million_rows(tmp_path: Path) -> None:
    site = (
        '[survey]\nfile = "book.csv"\n[baseline]\nfrom = "B1"\nto = "B2"\n[anchor]\n'
        'crs = "EPSG:25832"\n[anchor.marks.B1]\neasting = 512310\nnorthing = 5276100\n'
        "[anchor.marks.B2]\neasting = 512344\nnorthing = 5276100\n"
    )
    (tmp_path / "site.toml").write_text(site)
    rows = (
        f"R1,,{i % 1000 / 10},{i // 1000 / 10},{i % 7 / 100},path,,stream,\n" for i in range(LEGS)
    )
    with (tmp_path / "book.csv").open("w") as stream:
        stream.write(
            "run,point,x,y,z,feature,code,segment,note\nR1,B1,0,0,0,,,,\nR1,B2,34,0,0,,,,\n"
        )
        stream.writelines(rows)
    script = (
        "import resource, sys, time; from pathlib import Path;"
        "from geosite.fieldbook.read import read_survey;"
        f"notes = read_survey(Path({str(tmp_path / 'site.toml')!r})); print(len(notes.book),"
        " time.process_time(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=120, check=True
    )
    rows_read, seconds, megabytes = map(float, done.stdout.split())
    assert rows_read == LEGS + 2
    assert seconds < 20
    assert megabytes < 1000
