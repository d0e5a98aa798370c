"""geosite describe: the reference as a user reads it, and as a program does."""

import json
import re
import tomllib
from pathlib import Path

import pytest
from cli_runner import geosite
from quick_landing import draw_few

from geosite.analysis.limits import LimitSet
from geosite.fieldbook.book import COLUMNS
from geosite.fieldbook.book_columns import BOOK_COLUMNS, SEGMENTS
from geosite.fieldbook.model import PIECE_KINDS
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.reference import tables
from geosite.fieldbook.starter import starter_files


def said(*arguments: str) -> str:
    ran = geosite("describe", *arguments)
    assert (ran.status, ran.err) == (0, "")
    return ran.out


def test_every_key_of_the_site_file_is_printed_with_an_example() -> None:
    text = said("site-file")
    for table in tables():
        if table.keys:
            assert table.heading in text
        for key in table.keys:
            assert f"  {key.name} = {key.example}\n" in text


@pytest.mark.parametrize("part", ["codes", "codes.asphalt", "[codes.NAME]", "anchor.marks.B1"])
def test_a_table_is_found_by_any_of_its_names(part: str) -> None:
    text = said("site-file", part)
    assert ("depth" in text) == part.strip("[").startswith("codes")


def test_anchor_brings_its_tables() -> None:
    text = said("site-file", "anchor")
    assert "[anchor.marks.NAME]" in text
    assert "[anchor.azimuth]" in text


def test_field_book_names_every_column_and_segment() -> None:
    assert {c.name for c in BOOK_COLUMNS} >= set(COLUMNS)
    assert [s.word for s in SEGMENTS] == list(PIECE_KINDS)
    text = said("field-book")
    for column in BOOK_COLUMNS:
        assert f"\n{column.name} (" in text
    for segment in SEGMENTS:
        assert "\n".join(f"        {row}" for row in segment.drawing) in text


@pytest.mark.parametrize("segment", SEGMENTS, ids=lambda s: s.word)
def test_the_rows_of_every_drawing_can_be_drawn(tmp_path: Path, segment: object) -> None:
    from geosite.build import check

    places = {"1": (5, 5), "2": (15, 5), "3": (16, 9), "4": (15, 14), "5": (5, 14)}
    if segment.word == "circle":
        places = {"1": (10, 5), "2": (14, 9), "3": (6, 9)}
    rows, last = [], (5, 5)
    for k, (point, word) in enumerate(segment.rows):
        east, north = places[point] if point else (last[0] + 2, last[1] + 0.3 * (k % 2))
        last = east, north
        rows.append(f"first,{'P' + point if point else ''},{east},{north},0,shape,thing,{word},")
    files = starter_files()
    site = files["site.toml"].decode().split("[sections")[0]
    kind = "line" if segment.word == "gap" else "area"
    (tmp_path / "site.toml").write_text(site + f'[codes.thing]\ngeometry = "{kind}"\n')
    head = "run,point,x,y,z,feature,code,segment,note\n"
    ends = "first,B1,0,0,0,,,,\nfirst,B2,14.2,0.6,0,,,,\n"
    (tmp_path / "field_book.csv").write_text(head + ends + "\n".join(rows) + "\n")
    report = check(read_survey(tmp_path / "site.toml"))
    assert "shape" in (report.areas if kind == "area" else report.lines)


def test_limits_print_their_sections() -> None:
    assert "section 405.2" in said("limits", "ramp")
    assert json.loads(said("limits", "--json"))["limits"]["ramp"]["running"]["ratio"] == "1:12"


def test_what_a_limit_set_of_ones_own_must_and_may_say_is_described() -> None:
    told = said("limits")
    assert 'such as [my_walk] with title = "Walk of the yard"' in " ".join(told.split())
    for key in LimitSet.__struct_fields__:
        assert re.search(rf"\b{key}\b", told), key
    assert "  landing_length: metres 1.524" in told  # as a file has to spell it


def test_outputs_are_described_for_any_site_and_not_for_the_one_that_was_built() -> None:
    files = {f["name"]: f for f in json.loads(said("outputs", "--json"))["files"]}
    rasters = [f["purpose"] for name, f in files.items() if name.endswith(".tif")]
    assert not [text for text in rasters if re.search(r"\d possible|0\.\d|gully|horn|tin;", text)]
    assert files["elevation.tif"]["purpose"].endswith("Unit: that of the elevations.")
    (points,) = (t for t in files["site.gpkg"]["tables"] if t["name"] == "points")
    units = {field["name"]: field["unit"] for field in points["fields"]}
    assert units["local_x"] == "unit of the field book"
    assert units["easting"] == "unit of the map CRS"
    assert units["elevation"] == "unit of the elevations"
    assert units["sigma_h_m"] == "m"


@pytest.mark.slow
def test_outputs_are_those_of_a_build(tmp_path: Path) -> None:
    site = tmp_path / "yard/site.toml"
    assert geosite("new", tmp_path / "yard").status == 0
    draw_few(site)
    assert geosite("build", site, "--out", tmp_path / "map").status == 0
    written = {p.name for p in (tmp_path / "map").iterdir() if p.is_file()}
    described = {f["name"] for f in json.loads(said("outputs", "--json"))["files"]}
    assert written <= described
    assert "area_m2 (real, m2)" in said("outputs", "areas")
    assert "Unit:" in said("outputs", "slope.tif")


@pytest.mark.slow
def test_every_file_that_the_samples_write_is_described_once(
    built_landing: Path, built_jetty: Path
) -> None:
    """Names of designs stand as NAME, numbers of inlets and sections as 1."""
    import fiona

    files = json.loads(said("outputs", "--json"))["files"]
    described = [file["name"] for file in files]
    assert len(described) == len(set(described))
    layers = [t["name"] for file in files if file["name"] == "site.gpkg" for t in file["tables"]]
    assert len(layers) == len(set(layers))
    purposes = {file["name"]: file["purpose"] for file in files}
    for folder in (built_landing, built_jetty):
        header = (folder / "points.csv").read_text("utf-8").splitlines()[0]
        assert purposes["points.csv"] == f"Marks as {', '.join(header.split(','))}"
        listed = json.loads((folder / "MANIFEST.json").read_bytes())["files"]
        for name in (one["file"] for one in listed):
            general = re.sub(r"_\d+(?=\.)", "_1", name.replace("design_boarding", "design_NAME"))
            assert general in described, name
        tables = {file["name"] for file in files}
        for layer in fiona.listlayers(folder / "site.gpkg"):
            assert layer in layers or f"{layer}.csv" in tables or layer == "layer_styles", layer
    assert {"ponding", "design_edges", "curve_areas", "areas_snapped"} <= set(layers)


@pytest.mark.slow
def test_a_kerb_with_a_gap_is_of_a_type_that_is_described(tmp_path: Path) -> None:
    import fiona

    assert geosite("new", tmp_path / "yard").status == 0
    draw_few(tmp_path / "yard/site.toml")
    book = tmp_path / "yard/field_book.csv"
    whole = book.read_text("utf-8")
    broken = whole.replace(
        "-0.059,kerb,kerb,,", "-0.059,kerb,kerb,,\nafternoon,K9,7,4,0,kerb,kerb,,"
    )
    broken = broken.replace("-0.027,kerb,kerb,,", "-0.027,kerb,kerb,gap,")
    broken = broken.replace(
        "-0.012,kerb,kerb,,", "-0.012,kerb,kerb,,\nafternoon,K8,-3,-3,0,kerb,kerb,,"
    )
    (described,) = [
        table["geometry"]
        for file in json.loads(said("outputs", "--json"))["files"]
        for table in file["tables"]
        if table["name"] == "lines"
    ]
    kinds = []
    for number, text in enumerate((whole, broken)):
        book.write_text(text, "utf-8")
        out = tmp_path / f"map{number}"
        assert geosite("build", tmp_path / "yard/site.toml", "--out", out).status == 0
        with fiona.open(out / "site.gpkg", layer="lines") as source:
            kinds.append(source.schema["geometry"].replace("3D ", "") + "Z")
    assert kinds == ["LineStringZ", "MultiLineStringZ"]
    assert described.split("; ") == ["LineStringZ", "MultiLineStringZ where one has a gap"]
    assert described in said("outputs", "lines")


def test_json_schema_is_one_and_takes_the_starter() -> None:
    from jsonschema import Draft202012Validator

    schema = json.loads(said("site-file", "--json-schema"))
    Draft202012Validator.check_schema(schema)
    tree = tomllib.loads(starter_files("paved-yard-us")["site.toml"].decode())
    tree["site"]["date"] = tree["site"]["date"].isoformat()
    Draft202012Validator(schema).validate(tree)


@pytest.mark.parametrize(
    ("call", "hint"),
    [
        (("site-file", "cods"), "codes.NAME"),
        (("field-book", "segmnt"), "segment"),
        (("limits", "rammp"), "ramp"),
        (("derive-slop",), "derive-slope"),
    ],
)
def test_what_is_not_there_is_refused_with_the_likely_name(
    call: tuple[str, ...], hint: str
) -> None:
    ran = geosite("describe", *call)
    assert ran.status == 2
    assert f'did you mean "{hint}"?' in ran.err


def test_new_lists_its_starters_and_writes_one(tmp_path: Path) -> None:
    ran = geosite("new", "--list")
    assert (ran.status, ran.err) == (0, "")
    assert "stockpile-us" in ran.out
    assert geosite("new", tmp_path / "heap", "--starter", "stockpile-us").status == 0
    assert geosite("check", tmp_path / "heap/site.toml").status == 0
    assert geosite("new").status == 2


def test_a_topic_that_is_nearly_one_is_suggested() -> None:
    told = geosite("describe", "outpts")
    assert (told.status, told.err.count("\n")) == (2, 1)
    assert 'there is no topic or process "outpts"; did you mean "outputs"?' in told.err


def test_columns_of_tables_are_described_with_the_process_that_writes_them() -> None:
    assert "      cut_m (real, m): Ground above the design" in said("set-out")
    told = json.loads(said("set-out", "--json"))["outputs"]["setting_out"]["description"]
    assert "\ncut_m (real, m): Ground above the design" in told
    for process, names in (
        ("set-out", ("setting_out",)),
        ("compare-surveys", ("displacements", "progress", "progress_valuation")),
        ("compare-design", ("deviations", "surfaces", "final_measurement")),
    ):
        outputs = json.loads(said(process, "--json"))["outputs"]
        assert all("\n" in outputs[name]["description"] for name in names)
