"""Names that are paths, code, markup or formulas go through every file as plain text."""

from __future__ import annotations

import csv
import html.parser
import io
import json
import re
import sqlite3
import subprocess
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import ezdxf
import pypdf
import pytest
import rasterio

pytestmark = pytest.mark.slow

COMMAND = Path(sys.executable).with_name("geosite")

NAMES = (
    "../../../etc/passwd",
    "..\\..\\x",
    "/etc/passwd",
    "o'neil\"s; DROP TABLE points;--",
    "x'); DROP TABLE areas; --",
    '<a>&amp;]]></a>&#0;<!ENTITY x SYSTEM "file:///etc/passwd">',
    "</script><script>alert(1)</script><img src=x onerror=alert(1)>",
    "=cmd|'/c calc'!A1",
    "+1+1",
    "-2+3",
    "@SUM(1)",
    "%s %n {0} ${x} `id` $(id)",
    "%%u\\P;{\\H3x;}|*?",
    "CON",
    "..",
    "L" * 198,
    "名前 نقطة",
    "'><set attributeName=x>",
    "1e5",
    "NaN",
    "\uff1d1+1",
)


def quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def survey(folder: Path) -> Path:
    """Write a survey in which every name, title and text is hostile."""
    first, second, run = NAMES[3], NAMES[6], NAMES[4]
    rows = [[run, first, 0, 0, 0], [run, second, 100, 0, 1]]
    for i, name in enumerate(NAMES):
        east, north = i % 6 * 16, 10 + i // 6 * 16
        for j, (dx, dy) in enumerate(((0, 0), (10, 0), (10, 10), (0, 10))):
            up = round(0.01 * (east + dx) + 0.02 * dy + 0.001 * i * j, 3)
            note = NAMES[(i + 5) % len(NAMES)]
            mark = f"{name}m" if j == 0 else ""
            rows.append([run, mark, east + dx, north + dy, up, name, name, "", note])
    rows.append([run, first, 0.01, 0.01, 0])
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(["run", "point", "x", "y", "z", "feature", "code", "segment", "note"])
    table.writerows([*row, "", "", "", ""][:9] for row in rows)
    (folder / "book.csv").write_text(text.getvalue(), encoding="utf-8")
    a, b = quoted(first), quoted(second)
    lines = [
        f"[site]\ntitle = {b}\ndate = 2026-04-12\ndescription = {quoted(NAMES[5])}",
        f"surveyor = {b}\nclient = {quoted(NAMES[7])}\nlicence = {quoted(NAMES[5])}",
        f'[survey]\nfile = "book.csv"\n[baseline]\nfrom = {a}\nto = {b}',
        '[anchor]\ncrs = "EPSG:25832"',
        f"[anchor.marks.{a}]\neasting = 512310\nnorthing = 5276100\nsigma = 0.01",
        f"[anchor.marks.{b}]\neasting = 512410\nnorthing = 5276100\nsigma = 0.01",
        "[surface]\ncell_size = 2\n[handover]\ncurves = true\narchive = true",
        f"[distances]\npairs = [[{a}, {b}]]",
    ]
    for name in map(quoted, NAMES):
        lines.append(f"[codes.{name}]\ntitle = {name}\ngeometry = 'area'\ndepth = 0.1")
        lines.append(f"coverage = 2\ncoverage_unit = {name}")
    for name in map(quoted, NAMES[5:8]):
        lines.append(f"[sections.{name}]\nmarks = [{a}, {b}]\ninterval = 10")
        lines.append(f"[grades.lines.{name}]\nmarks = [{a}, {b}]")
        lines.append(f"[earthworks.{name}]\nfeature = {name}\ndesign_elevation = 0.5\ninterval = 5")
    (folder / "site.toml").write_text("\n".join(lines), encoding="utf-8")
    return folder / "site.toml"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "in").mkdir()
    words = [COMMAND, "build", survey(folder / "in"), "--out", folder / "out"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    # nothing was written anywhere else
    assert sorted(path.name for path in folder.iterdir()) == ["in", "out"]
    assert sorted(path.name for path in (folder / "in").iterdir()) == ["book.csv", "site.toml"]
    return folder / "out"


def test_file_names_are_those_of_every_site(made: Path) -> None:
    names = [str(path.relative_to(made)) for path in made.rglob("*") if path.is_file()]
    assert all(
        re.fullmatch(r"((styles|styles/map_server|geojson)/)?[A-Za-z_]+(_\d+)?\.[a-z]+", name)
        for name in names
    )
    with zipfile.ZipFile(made / "handover.zip") as archive:
        assert set(archive.namelist()) == set(names) - {"handover.zip"}
    done = subprocess.run([COMMAND, "verify", made], capture_output=True, check=False)
    assert done.returncode == 0


def test_database_is_whole_and_keeps_the_names(made: Path) -> None:
    database = sqlite3.connect(made / "site.gpkg")
    assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    areas = {name for (name,) in database.execute("SELECT feature FROM areas")}
    points = {name for (name,) in database.execute("SELECT point FROM points")}
    database.close()
    assert areas == set(NAMES)
    assert {f"{name}m" for name in NAMES} <= points


def test_no_cell_of_a_table_is_a_formula(made: Path) -> None:
    tables = sorted(made.glob("*.csv"))
    assert len(tables) >= 5
    number = re.compile(r"-?\d+(\.\d+)?(e[+-]?\d+)?")
    for path in tables:
        with path.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream, strict=True))
        assert len({len(row) for row in rows}) == 1
        for cell in (cell for row in rows for cell in row):
            assert not cell.startswith(("=", "+", "@", "\t", "\uff1d")), (path.name, cell)
            assert not cell.startswith("-") or number.fullmatch(cell), (path.name, cell)


def test_xml_is_well_formed_and_has_nothing_that_acts(made: Path) -> None:
    files = [*made.glob("*.svg"), *made.glob("styles/*.sld"), made / "metadata.xml"]
    assert len(files) >= 6
    for path in files:
        raw = path.read_bytes()
        assert b"<!ENTITY" not in raw
        assert b"<!DOCTYPE" not in raw
        for element in ElementTree.fromstring(raw).iter():
            kind = str(element.tag).rpartition("}")[2].lower()
            assert kind not in ("script", "set", "animate", "foreignobject", "image", "a")
            assert not any(key.lower().startswith("on") for key in element.attrib), path.name
    shown = "".join(ElementTree.fromstring((made / "plan.svg").read_bytes()).itertext())
    assert NAMES[6] in shown


class Page(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.acting: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.acting += [key for key, _ in attrs if key.startswith("on")]


def test_the_viewer_has_its_own_script_only(made: Path) -> None:
    page = Page()
    page.feed((made / "viewer.html").read_text(encoding="utf-8"))
    assert "img" not in page.tags
    assert "a" not in page.tags
    assert page.acting == []
    text = (made / "viewer.html").read_text(encoding="utf-8")
    assert text.count("<script") == page.tags.count("script") == 2  # the data and the program
    assert "alert(1)</script>" not in text


def test_pdf_has_no_action(made: Path) -> None:
    for path in made.glob("*.pdf"):
        raw = path.read_bytes()
        for word in (b"/JavaScript", b"/JS", b"/OpenAction", b"/Launch", b"/URI", b"/EmbeddedFile"):
            assert word not in raw
        assert NAMES[6][:20] in " ".join(p.extract_text() for p in pypdf.PdfReader(path).pages)


def test_drawing_has_no_errors(made: Path) -> None:
    drawing = ezdxf.readfile(made / "site.dxf")
    assert not drawing.audit().errors
    outlines = drawing.modelspace().query("LWPOLYLINE")
    assert len(outlines) >= len(NAMES)


def test_json_and_rasters(made: Path) -> None:
    for name in ("site.geojson", "report.json", "MANIFEST.json"):
        json.loads((made / name).read_text(encoding="utf-8"))
    features = json.loads((made / "site.geojson").read_text(encoding="utf-8"))["features"]
    assert set(NAMES) <= {one["properties"].get("feature") for one in features}
    for path in made.glob("*.tif"):
        with rasterio.open(path) as raster:
            raster.read(1)


@pytest.mark.parametrize(
    "name",
    ["a\u202eb", "a\u200bb", "a\x07b", "a\x1b[31mb", "a\u2066b", "L" * 10_000],
    ids=["override", "zero width", "bell", "escape", "isolate", "10,000 characters"],
)
@pytest.mark.parametrize("where", ["mark", "feature", "code", "title", "section"])
def test_names_that_nobody_can_read_are_refused_on_one_line(
    name: str, where: str, tmp_path: Path
) -> None:
    from geosite.base.errors import InputError
    from geosite.fieldbook.read import read_survey

    site = survey(tmp_path)
    book = tmp_path / "book.csv"
    text, rows = site.read_text(encoding="utf-8"), book.read_text(encoding="utf-8")
    escaped = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in name)
    if where in ("title", "section"):
        old = f"title = {quoted(NAMES[6])}" if where == "title" else f"[sections.{quoted(NAMES[7])}"
        new = 'title = "' if where == "title" else '[sections."'
        text = text.replace(old, f'{new}{escaped}"', 1)
        site.write_text(text, encoding="utf-8")
    else:
        mark, code = f"{NAMES[13]}m,", f",{NAMES[13]},{NAMES[13]},"
        changed = {
            "mark": (mark, f"{name},"),
            "feature": (code, f",{name},{NAMES[13]},"),
            "code": (code, f",{NAMES[13]},{name},"),
        }
        assert changed[where][0] in rows
        book.write_text(rows.replace(*changed[where]), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_survey(site)
    said = str(caught.value).splitlines()
    assert all(line.isprintable() and len(line) <= 1000 for line in said)
    assert any("invisible" in x or "control" in x or "characters" in x for x in said)
