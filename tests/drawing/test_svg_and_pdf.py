"""One sheet as SVG and as PDF: places, curves, inks and turned words, read back from both."""

from __future__ import annotations

import io
import math
import re
import xml.etree.ElementTree as ET
from typing import Any

import numpy as np
import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf.generic import ContentStream

from geosite.drawing.document import Heading, Paper, Paragraph, lay_out
from geosite.drawing.font import typeface
from geosite.drawing.ink import Stroke
from geosite.drawing.pdf import pdf
from geosite.drawing.sheet import Arc, Group, Outline, Rectangle, Shape, Sheet, Text
from geosite.drawing.svg import svg

WIDTH, HEIGHT = 200.0, 120.0
SVG = "{http://www.w3.org/2000/svg}"


def sheet(*items: Shape | Text) -> Sheet:
    return Sheet(
        width=WIDTH, height=HEIGHT, title="A <sheet>", description="of & for tests",
        groups=(Group("one", "One", items),), window=Rectangle(10, 10, 150, 100),
        scale=200.0, unit="m", unit_m=1.0,
    )  # fmt: skip


def on_page(made: Sheet) -> list[tuple[list[Any], bytes]]:
    """Return the operations of the PDF's page."""
    reader = pypdf.PdfReader(io.BytesIO(pdf(made)))
    return ContentStream(reader.pages[0]["/Contents"], reader).operations


def millimetres(x: float, y: float) -> np.ndarray:
    return np.array([float(x) * 25.4 / 72, HEIGHT - float(y) * 25.4 / 72])


arcs = st.builds(
    Arc,
    st.tuples(st.floats(40, 160), st.floats(40, 80)),
    st.sampled_from([0.5, 1.9, 2.1, 30.0]),
    st.floats(-7, 7),
    st.floats(0.05, 2 * math.pi) | st.floats(-2 * math.pi, -0.05),
)


@settings(max_examples=30)
@given(arcs)
def test_an_arc_is_one_on_both_papers(arc: Arc) -> None:
    made = sheet(Shape((Outline((arc,)),), Stroke("#102030", 0.25)))
    centre, r = np.array(arc.centre), arc.radius
    ends = [
        centre + r * np.array([math.cos(a), math.sin(a)])
        for a in (arc.start, arc.start + arc.sweep)
    ]

    curves: list[np.ndarray] = []
    at = np.zeros(2)
    for operands, operator in on_page(made):
        if operator == b"m":
            at = millimetres(*operands)
            assert at == pytest.approx(ends[0], abs=2e-3)
        elif operator == b"c":
            xy = [at, *(millimetres(*operands[k : k + 2]) for k in (0, 2, 4))]
            t = np.linspace(0, 1, 9)[:, None]
            blend = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3)
            curves.append(sum(b * p for b, p in zip(blend, xy, strict=True)))
            at = xy[-1]
    drawn = np.concatenate(curves)
    assert at == pytest.approx(ends[1], abs=2e-3)
    # nowhere off the circle by more than a pen shows
    assert np.abs(np.hypot(*(drawn - centre).T) - r).max() < 2e-3
    angles = np.unwrap(np.arctan2(*(drawn - centre).T[::-1]))
    assert angles[-1] - angles[0] == pytest.approx(arc.sweep, abs=0.01)

    (path,) = [p.attrib["d"] for p in ET.fromstring(svg(made)).iter(SVG + "path")]
    numbers = [float(n) for n in re.findall(r"-?[\d.]+", path)]
    assert numbers[:2] == pytest.approx(ends[0].tolist(), abs=1e-3)
    assert numbers[-2:] == pytest.approx(ends[1].tolist(), abs=1e-3)
    halves = path.count("A")
    assert halves == (2 if abs(arc.sweep) > math.pi * 0.99 else 1)
    for k, piece in enumerate(re.findall(r"A([^A]*)", path), start=1):
        rx, ry, turn, large, sense, x, y = (float(n) for n in re.findall(r"-?[\d.]+", piece))
        assert (rx, ry, turn, large, sense) == (r, r, 0, 0, arc.sweep > 0)
        a = arc.start + arc.sweep * k / halves
        assert (x, y) == pytest.approx(
            (centre[0] + r * math.cos(a), centre[1] + r * math.sin(a)), abs=1e-3
        )


def test_lines_inks_dashes_and_tints_are_those_of_the_shape() -> None:
    ring = np.array([(20.0, 30.0), (60.0, 30.0), (60.0, 50.0)])
    shape = Shape(
        (Outline((ring,), closed=True),), Stroke("#ff8000", 0.5, (3.0, 1.0)), "#0000ff", 0.25
    )
    made = sheet(shape, Shape((Outline((ring[:2],)),), Stroke("#000000", 0.1)))
    first, second = ET.fromstring(svg(made)).iter(SVG + "path")
    assert first.attrib["d"] == "M20 30L60 30L60 50Z"
    look = {k: first.attrib[k] for k in first.attrib if k != "d"}
    assert look == {
        "fill": "#0000ff", "fill-opacity": "0.25", "stroke": "#ff8000", "stroke-width": "0.5",
        "stroke-dasharray": "3 1",
    }  # fmt: skip
    assert second.attrib["d"] == "M20 30L60 30"
    assert "fill-opacity" not in second.attrib
    told = on_page(made)
    inks = [
        ([round(float(v), 3) for v in operands], op)
        for operands, op in told
        if op in (b"rg", b"RG")
    ]
    assert inks[-3:] == [([0, 0, 1], b"rg"), ([1, 0.502, 0], b"RG"), ([0, 0, 0], b"RG")]
    per_mm = 72 / 25.4
    widths = [float(operands[0]) for operands, op in told if op == b"w"]
    assert widths == pytest.approx([0.5 * per_mm, 0.1 * per_mm], abs=1e-3)
    dashes = [[float(v) for v in operands[0]] for operands, op in told if op == b"d"]
    assert dashes[0] == pytest.approx([3 * per_mm, per_mm], abs=1e-3)
    assert dashes[1] == []
    places = [millimetres(*operands) for operands, op in told if op in (b"m", b"l")]
    assert np.array(places) == pytest.approx(np.vstack([ring, ring[:2]]), abs=2e-3)
    ends = [op for _, op in told if op in (b"B*", b"f*", b"S", b"n")]
    assert ends[-2:] == [b"B*", b"S"]


@pytest.mark.parametrize("angle", [0.0, 90.0, -30.0])
@pytest.mark.parametrize(("anchor", "share"), [("start", 0.0), ("middle", 0.5), ("end", 1.0)])
def test_words_are_turned_about_their_place_counter_clockwise(
    angle: float, anchor: Any, share: float
) -> None:
    text = Text(80.0, 60.0, "Apron 12", 3.0, "bold", "#336699", anchor, angle, halo=True)
    (item,) = ET.fromstring(svg(sheet(text))).iter(SVG + "text")
    look = item.attrib
    assert (look["x"], look["y"], look["font-size"], look["font-weight"]) == (
        "80",
        "60",
        "3",
        "bold",
    )
    assert look.get("text-anchor", "start") == anchor
    assert look.get("transform") == (f"rotate({-angle:g} 80 60)" if angle else None)
    assert float(look["stroke-width"]) == pytest.approx(0.66)
    width = typeface("bold").width("Apron 12") * 3.0
    assert float(look["textLength"]) == pytest.approx(width, abs=1e-3)
    assert item.text == "Apron 12"
    matrix = next(operands for operands, op in on_page(sheet(text)) if op == b"Tm")
    a, b, c, d, x, y = (float(v) for v in matrix)
    turn = math.radians(angle)
    assert (a, b, c, d) == pytest.approx(
        (math.cos(turn), math.sin(turn), -math.sin(turn), math.cos(turn)), abs=1e-5
    )
    # the words begin a share of their width before the place, along the way they run
    begin = np.array([80.0, 60.0]) - share * width * np.array([math.cos(turn), -math.sin(turn)])
    assert millimetres(x, y) == pytest.approx(begin, abs=2e-3)


def test_what_belongs_to_the_map_is_cut_at_its_window_and_titles_are_words() -> None:
    line = Shape((Outline((np.array([(0.0, 0.0), (200.0, 120.0)]),)),), Stroke("#000000", 0.2))
    made = sheet(line)
    group = Group("two", "In & out", (line,), in_map=True)
    both = Sheet(
        width=WIDTH, height=HEIGHT, title=made.title, description=made.description,
        groups=(*made.groups, group), window=made.window, scale=200.0, unit="m", unit_m=1.0,
    )  # fmt: skip
    root = ET.fromstring(svg(both))
    assert root.attrib["viewBox"] == "0 0 200 120"
    assert (root.findtext(SVG + "title"), root.findtext(SVG + "desc")) == (
        "A <sheet>",
        "of & for tests",
    )
    groups = {g.attrib["id"]: g.get("clip-path") for g in root.iter(SVG + "g")}
    assert groups == {"one": None, "two": "url(#map-window)"}
    (clip,) = root.iter(SVG + "clipPath")
    (box,) = clip
    assert [box.attrib[k] for k in ("x", "y", "width", "height")] == ["10", "10", "150", "100"]


@pytest.mark.parametrize("fields", [(), (("Client", "Lakeside Trust"), ("Sheet", "Y-1"))])
def test_nothing_at_the_foot_of_a_page_stands_on_anything_else(
    fields: tuple[tuple[str, str], ...],
) -> None:
    paper = Paper(210, 297, "Report", "Yard (invented)", "No boundary survey.", fields=fields)
    words = [Heading("One"), *[Paragraph("word " * 900)] * 3]
    for page in lay_out(words, paper):
        body, frame = page.groups
        lowest = max(item.y for item in body.items if isinstance(item, Text))
        rules = []
        for item in frame.items:
            if isinstance(item, Shape):
                corners = np.concatenate(
                    [p for o in item.outlines for p in o.pieces if isinstance(p, np.ndarray)]
                )
                rules.append((float(corners[:, 1].min()), float(corners[:, 1].max())))
        assert all(low > 0 and high < 297 for low, high in rules)
        told = {item.text: item for item in frame.items if isinstance(item, Text)}
        foot = told["No boundary survey."]
        rule = max(low for low, high in rules if high < 290)
        # text of the page, fields, a rule, the foot
        assert lowest < rule
        assert foot.y - foot.size > rule
        assert foot.y < 297 - 5
        if fields:
            strip = [told[name].y for pair in fields for name in pair]
            assert lowest < min(strip) - 1.9
            assert max(strip) < rule
        assert told["Report"].y < min(item.y for item in body.items if isinstance(item, Text))
