"""Names and places on paper: words instead of keys, the title block on every sheet."""

from __future__ import annotations

import dataclasses
import io
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import package_cases
import pypdf
import pytest

from geosite.base.errors import Finding
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.drawing.sheet import Rectangle, Text
from geosite.drawing.strip import field_strip
from geosite.fieldbook.sitefile import Code, Handover, Revision, Sheet
from geosite.handover.documents.priced import price_blocks
from geosite.handover.documents.takeoff import takeoff_pdf
from geosite.handover.layers.designs import rasters
from geosite.handover.model import Package, Table
from geosite.handover.names import design_called, design_name, named_on_paper
from geosite.handover.plan.sheet import write_plan

SHEET = Sheet(
    project="New apron",
    number="FL-07",
    client="Lakeside Trust",
    surveyor="J. Specimen",
    revisions=(Revision(number="B", date="2026-04-20", text="Pad added", by="JS"),),
)


def words(text: str) -> str:
    return " ".join(text.replace("\u202f", " ").replace("\xa0", " ").split())


def sheets(package: Package, folder: Path) -> list[str]:
    write_plan(folder, package, Handover())
    reader = pypdf.PdfReader(io.BytesIO((folder / "plan.pdf").read_bytes()))
    return [words(page.extract_text()) for page in reader.pages]


def with_keys(**changes: Any) -> Package:
    usual = package_cases.ferry_landing()
    layers = [
        dataclasses.replace(
            layer,
            records=[
                {**r, "feature": "north_edge"} if r.get("feature") == "fence" else r
                for r in layer.records
            ],
        )
        if layer.name == "lines"
        else layer
        for layer in usual.layers
    ]
    return dataclasses.replace(usual, layers=tuple(layers), **changes)


def test_keys_are_words_on_every_sheet_and_marks_keep_their_names(tmp_path: Path) -> None:
    findings = (Finding("look", "odd", "north_edge is off at mark M_1; see counted_in."),)
    text = " ".join(sheets(with_keys(findings=findings), tmp_path))
    assert "north edge" in text
    assert "north_edge" not in text
    assert "mark M_1; see counted_in." in text


def test_the_take_off_has_no_keys_either() -> None:
    line = {"feature": "kerb_top", "code": "kerb_top", "kind": "line", "length_m": 41.98}
    package = dataclasses.replace(
        package_cases.ferry_landing(),
        codes={"kerb_top": Code(geometry="line")},
        tables=(Table("quantities", "", (), [line, {**line, "feature": ""}]),),
    )
    document = takeoff_pdf(package, Handover())
    assert document is not None
    pages = pypdf.PdfReader(io.BytesIO(document)).pages
    text = words(" ".join(page.extract_text() for page in pages))
    assert "kerb top kerb top" in text
    assert "kerb_top" not in text


def test_a_design_is_called_by_its_title_alone() -> None:
    named = {"pad": "Boarding pad", "pad-2": "Other pad", "long_pier": "", "step": "Step"}
    told = Table("designs", "", (), [{"design": k, "title": t} for k, t in named.items()])
    package = dataclasses.replace(package_cases.ferry_landing(), tables=(told,))
    for text, said in (
        ("Design pad with its banks", "Design Boarding pad with its banks"),
        (
            "12 m2 lie under pad of design pad-2, here",
            "12 m2 lie under pad of design Other pad, here",
        ),
        ("Designs pad and step lie on", "Designs Boarding pad and Step lie on"),
        (
            "for it: only one of pad, step is built",
            "for it: only one of Boarding pad, Step is built",
        ),
        ("Design pads: the pad is level", "Design pads: the pad is level"),
    ):
        assert named_on_paper(package, [text]) == [said]
    assert [design_name(package, key) for key in named][1:3] == ["Other pad", "long pier"]


def test_every_sheet_bears_the_title_block(tmp_path: Path) -> None:
    findings = (Finding("look", "odd", "Look at it."),)
    for text in sheets(with_keys(sheet=SHEET, findings=findings), tmp_path):
        for told in ("Lakeside Trust", "New apron", "J. Specimen", "Revision B", "Pad added, JS"):
            assert told in text, text[:80]


def test_fields_of_a_strip_never_run_into_each_other() -> None:
    from geosite.drawing.font import typeface

    fields = [("Client", "A trust of very many words " * 6), ("Project", "Apron"), ("Sheet", "Y-1")]
    items = field_strip(fields, Rectangle(20, 5, 100, 8))
    texts = sorted((i for i in items if isinstance(i, Text) and i.y > 10), key=lambda i: i.x)
    ends = [t.x + typeface("regular").width(t.text) * t.size for t in texts]
    assert all(end < nxt.x for end, nxt in zip(ends[:-1], texts[1:], strict=True))
    assert ends[-1] <= 120
    assert [t.text for t in texts[1:]] == ["Apron", "Y-1"]  # the long one gives way
    assert field_strip([], Rectangle(20, 5, 100, 8)) == []


def test_printed_amounts_add_up_to_the_printed_total() -> None:
    """Three decimals where the currency has them: two would print 0.13 + 0.13 = 0.25."""
    lines = [{"title": name, "amount": 0.125} for name in ("a", "b")]
    *_, table = price_blocks([*lines, {"title": "Total", "amount": 0.25}])
    assert [row[4] for row in table.rows] == ["0.125", "0.125", "0.250"]  # type: ignore[union-attr]


def test_pieces_are_counted() -> None:
    charged = ((0.0, "0 pieces"), (1.0, "1 piece"), (1200.0, "1\u202f200 pieces"))
    lines = [{"title": "Bollard", "per": "piece", "measured": n, "amount": n} for n, _ in charged]
    *_, table = price_blocks([*lines, {"title": "Total", "amount": 5.1}])
    assert [row[1] for row in table.rows][:3] == [said for _, said in charged]  # type: ignore[union-attr]


@pytest.mark.slow
def test_places_in_findings_say_which_is_which(built_landing: Path) -> None:
    import json

    report = json.loads((built_landing / "report.json").read_text("utf-8"))
    bare = re.compile(r"(?<![\d.])51\d{4}\.\d+, 52\d{5}")
    texts = [finding["text"] for finding in report["findings"]]
    assert not [text for text in texts if bare.search(text)]
    assert sum("E 5123" in text and "N 52761" in text for text in texts) >= 4


def test_a_raster_is_titled_with_the_name_that_is_told_of_its_design() -> None:
    """Not by a rule of its own: an underscore at the end left a blank in the title."""
    for title, told in (("Boarding pad", "Boarding pad"), ("pad_1_", "pad 1")):
        design: Any = SimpleNamespace(
            name="pad_1_", title=title, z=np.zeros((1, 1)), grid=Grid(0.0, 1.0, 1.0, 1, 1)
        )
        (raster,) = rasters([design], Frame())
        assert raster.title == f"Design {told}"
        assert design_called({"design": design.name, "title": title}) == told
