"""What was read is never written over, and no interval makes a build hang."""

import shutil
from pathlib import Path

import pytest
from cli_runner import geosite
from quick_landing import quick_jetty

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def jetty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a site that is built quickly."""
    return quick_jetty(tmp_path_factory.mktemp("jetty") / "site", lean=True).parent


def test_a_field_book_named_like_an_output_is_kept(tmp_path, jetty):
    site = (jetty / "site.toml").read_text(encoding="utf-8")
    (tmp_path / "site.toml").write_text(site.replace("field_book.csv", "points.csv"))
    shutil.copy(jetty / "field_book.csv", tmp_path / "points.csv")
    (tmp_path / "MANIFEST.json").write_text('{"files": []}')  # as if built into before
    before = (tmp_path / "points.csv").read_bytes()
    done = geosite("build", tmp_path / "site.toml", "--out", tmp_path)
    assert done.status == 4
    assert "points.csv" in done.err
    assert (tmp_path / "points.csv").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        *("MANIFEST.json", "points.csv", "site.toml")
    ]


def test_a_build_does_not_write_among_its_sources(tmp_path, jetty):
    for name in ("site.toml", "field_book.csv"):
        shutil.copy(jetty / name, tmp_path / name)
    (tmp_path / "sub").mkdir()
    for out in (tmp_path, tmp_path / "sub" / ".."):
        for call in (("build",), ("execute", "build-site", "--site")):
            done = geosite(*call, tmp_path / "site.toml", "--out", out)
            assert done.status == 4
            assert done.err == (
                f"{out}: the files would lie among the sources, beside site.toml; expected a folder"
                f" of its own for the results; write for example --out {out / 'map'}\n"
            )
            assert len(list(tmp_path.iterdir())) == 3
    assert geosite("build", tmp_path / "site.toml", "--out", tmp_path / "map").status == 0
    # where geosite has built before it builds again
    for name in ("site.toml", "field_book.csv"):
        shutil.copy(jetty / name, tmp_path / "map" / name)
    assert geosite("build", tmp_path / "map" / "site.toml", "--out", tmp_path / "map").status == 0
    assert (tmp_path / "map" / "site.toml").is_file()


def test_an_output_does_not_replace_its_input(tmp_path, jetty):
    assert geosite("build", jetty / "site.toml", "--out", tmp_path / "map").status == 0
    (tmp_path / "x").mkdir()
    shutil.copy(tmp_path / "map" / "elevation.tif", tmp_path / "x" / "slope.tif")
    before = (tmp_path / "x" / "slope.tif").read_bytes()
    wanted = ("--elevation", tmp_path / "x" / "slope.tif", "--out", tmp_path / "x")
    done = geosite("execute", "derive-slope", *wanted)
    assert done.status == 4
    assert (tmp_path / "x" / "slope.tif").read_bytes() == before


def test_a_second_build_replaces_the_first(tmp_path, jetty):
    for _ in range(2):
        assert geosite("build", jetty / "site.toml", "--out", tmp_path / "map").status == 0


@pytest.mark.parametrize(
    "table",
    [
        '[sections.x]\nmarks = ["D1", "D3"]\ninterval = 1e-6\n',
        '[grades.lines.x]\nmarks = ["D1", "D3"]\nstation = 1e-7\n',
        '[earthworks.x]\nfeature = "deck"\ndesign_elevation = 30.0\ninterval = 1e-7\n',
    ],
)
def test_an_interval_that_would_never_end_is_refused(table, tmp_path, jetty):
    shutil.copytree(jetty, tmp_path / "site")
    with (tmp_path / "site" / "site.toml").open("a") as stream:
        stream.write("\n" + table)
    done = geosite("build", tmp_path / "site" / "site.toml", "--out", tmp_path / "map")
    assert done.status == 2
    assert "stations" in done.err
