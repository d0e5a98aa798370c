"""A field book at a glance: walks laid on the baseline, to a round scale, on paper or as text."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geosite.drawing.sheet import Arc, Group, Shape, Sheet, Text
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.rough_layout import lay_out
from geosite.fieldbook.sketch import sketch_sheet, sketch_text

YARD = {"B1": (0, 0), "B2": (40, 0), "A1": (40, 20), "A2": (0, 20), "C1": (10, -6)}


def book(
    *walks: tuple[str, float, float, str], head: str = "run,point,x,y,z,feature,code"
) -> FieldBook:
    """Return walks over marks of the yard: their names, turned by degrees, moved, and a feature."""
    rows = [head]
    for number, (names, degrees, shift, feature) in enumerate(walks, start=1):
        a = math.radians(degrees)
        for name in names.split():
            x, y = YARD[name]
            u = x * math.cos(a) - y * math.sin(a) + shift
            v = x * math.sin(a) + y * math.cos(a) - 2 * shift
            rows.append(
                f"R{number},{name},{u!r},{v!r},0,{feature},kerb"
                if feature
                else f"R{number},{name},{u!r},{v!r},0,,"
            )
    return book_from_text("\n".join(rows))


@given(st.floats(-180, 180), st.floats(-50, 50))
def test_every_walk_lies_on_the_first_by_its_baseline(degrees: float, shift: float) -> None:
    found = book(("B1 B2 A1", 0, 0, ""), ("A2 B2 C1 B1", degrees, shift, ""))
    laid = lay_out(found, ("B1", "B2"))
    names = ["B1", "B2", "A1", "A2", "B2", "C1", "B1"]
    assert laid.plan == pytest.approx(np.array([YARD[n] for n in names], float), abs=1e-6)
    assert laid.placed.tolist() == [1] * 7


def test_a_walk_without_a_whole_baseline_lies_where_it_began() -> None:
    found = book(("A1 A2", 30, 5, ""), ("B1 B2 A1", 90, 3, ""), ("B1 A2", 10, 2, ""))
    laid = lay_out(found, ("B1", "B2"))
    assert laid.placed.tolist() == [0, 0, 1, 1, 1, 0, 0]
    # nothing moves but what is laid on the first walk that has both marks: that one is itself
    assert laid.plan == pytest.approx(found.local[:, :2])
    assert lay_out(found, ("X", "Y")).placed.tolist() == [0] * 7


def test_of_a_baseline_visited_twice_the_first_visits_count() -> None:
    rows = "R1,B1,0,0,0\nR1,B2,40,0,0\nR1,B1,0.5,0.5,0\nR1,B2,41,1,0\nR2,B1,0,0,0\nR2,B2,0,40,0"
    laid = lay_out(book_from_text("run,point,x,y,z\n" + rows), ("B1", "B2"))
    assert laid.plan[-1] == pytest.approx([40, 0], abs=1e-9)
    still = "R1,B1,0,0,0\nR1,B2,40,0,0\nR2,B1,3,3,0\nR2,B2,3,3,0\nR2,A1,5,3,0"
    none = lay_out(book_from_text("run,point,x,y,z\n" + still), ("B1", "B2"))
    assert none.plan[2:].tolist() == [[3, 3], [3, 3], [5, 3]]


def test_misclosures_are_those_of_one_walk_worst_first() -> None:
    rows = [
        *("R1,A,0,0,0,", "R1,B,3,4,0,yard", "R1,B,3,4,0,kerb"),
        *("R1,A,0.3,0.4,1.2,", "R1,B,3,4,0.1,", "R2,A,9,9,9,", "R2,B,9,10,9,"),
    ]
    book_of = book_from_text("\n".join(["run,point,x,y,z,feature", *rows]))
    found = lay_out(book_of, ("A", "B")).misclosures
    there, back = 5.0, math.dist((3, 4, 0), (0.3, 0.4, 1.2))
    again = math.dist((0.3, 0.4, 1.2), (3, 4, 0.1))
    told = [(m.mark, m.before, m.after, m.length_m, m.way_m) for m in found]
    # a mark written twice in neighbouring rows is no loop
    assert [one[:3] for one in told] == [("A", 0, 3), ("B", 1, 4)]
    assert [one[3] for one in told] == pytest.approx([1.3, 0.1])
    assert [one[4] for one in told] == pytest.approx([there + back, back + again])


def drawn(found: FieldBook, **how: object) -> Sheet:
    return sketch_sheet(found, lay_out(found, ("B1", "B2")), "Yard", **how)  # type: ignore[arg-type]


def group(sheet: Sheet, name: str) -> Group:
    return next(one for one in sheet.groups if one.name == name)


def lines(one: Group) -> list[np.ndarray]:
    return [
        p
        for s in one.items
        if isinstance(s, Shape)
        for o in s.outlines
        for p in o.pieces
        if isinstance(p, np.ndarray)
    ]


@given(st.floats(0.2, 20_000), st.floats(0.05, 20))
def test_the_scale_is_round_and_the_largest_at_which_all_is_on_the_paper(
    wide: float, ratio: float
) -> None:
    high = wide * ratio
    text = f"run,point,x,y,z\nR1,B1,0,0,0\nR1,B2,{wide!r},0,0\nR1,A1,{wide!r},{high!r},0"
    found = book_from_text(text)
    sheet = drawn(found)
    (walk,) = lines(group(sheet, "walks"))
    window = sheet.window
    assert walk[:, 0].min() >= window.x + 6 - 1e-6
    assert walk[:, 0].max() <= window.right - 6 + 1e-6
    assert walk[:, 1].min() >= window.y + 6 - 1e-6
    assert walk[:, 1].max() <= window.bottom - 6 + 1e-6
    # true to scale, north up
    assert walk[1] - walk[0] == pytest.approx([wide * 1000 / sheet.scale, 0], abs=1e-6)
    assert walk[2] - walk[1] == pytest.approx([0, -high * 1000 / sheet.scale], abs=1e-6)
    least = 1000 * max(max(wide, 0.5) / (window.width - 12), max(high, 0.5) / (window.height - 12))
    # usual scales are at most half as large again
    assert least <= sheet.scale * (1 + 1e-9) < least * 1.5001
    digits = sheet.scale / 10 ** math.floor(math.log10(sheet.scale))
    assert round(digits, 6) in (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5)


def test_outlines_close_unless_their_code_is_of_lines() -> None:
    found = book(("B1 B2 A1 A2", 0, 0, "yard"))
    for codes, closed in (((), True), (("kerb",), False), (("fence",), True)):
        outlines = group(drawn(found, lines=codes), "outlines")
        (shape, name) = outlines.items
        assert isinstance(shape, Shape)
        assert isinstance(name, Text)
        assert [o.closed for o in shape.outlines] == [closed]
        assert (name.text, name.anchor) == ("yard", "middle")
        middle = lines(outlines)[0].mean(axis=0)
        assert (name.x, name.y) == pytest.approx(tuple(middle))
    two = book(("B1 B2", 0, 0, "yard"))
    (shape, _) = group(drawn(two), "outlines").items
    assert isinstance(shape, Shape)
    assert not shape.outlines[0].closed


@pytest.mark.parametrize(
    ("unit", "length", "way"), [("m", "0.500 m", "100 m"), ("ft", "1.640 ft", "329 ft")]
)
def test_misclosures_are_drawn_longer_and_told(unit: str, length: str, way: str) -> None:
    rows = "R1,B1,0,0,0\nR1,B2,40,0,0\nR1,A1,40,10,0\nR1,B1,0.3,0.4,0"
    found = book_from_text("run,point,x,y,z\n" + rows)
    sheet = drawn(found, unit=unit)
    (red,) = lines(group(sheet, "misclosures"))
    # 30 cm by 40 cm, twenty times as long
    assert red[1] - red[0] == pytest.approx(np.array([6.0, -8.0]) * 1000 / sheet.scale)
    words = " ".join(t.text for t in group(sheet, "words").items if isinstance(t, Text))
    far = 40 + 10 + math.dist((40, 10), (0.3, 0.4))
    assert f"B1, {length} after {far / (1 if unit == 'm' else 0.3048):.0f} {unit}" in words
    assert "4 observations, 1 walk, " in words
    quiet = " ".join(
        t.text
        for t in group(drawn(book(("B1 B2", 0, 0, ""))), "words").items
        if isinstance(t, Text)
    )
    assert "misclosure" not in quiet


def test_each_mark_is_one_dot_with_its_name_and_suspects_are_ringed() -> None:
    found = book(("B1 B2 A1 B1", 0, 0, ""), ("B1 B2 A2", 45, 3, ""))
    marks = group(drawn(found, suspects=[2]), "marks")
    dots = [
        p
        for s in marks.items
        if isinstance(s, Shape)
        for o in s.outlines
        for p in o.pieces
        if isinstance(p, Arc)
    ]
    assert sorted(arc.radius for arc in dots) == [0.5] * 4 + [2.6]
    words = [t.text for t in marks.items if isinstance(t, Text)]
    assert sorted(words) == ["A1", "A2", "B1", "B2", "look: line 4"]
    ring = next(arc for arc in dots if arc.radius == 2.6)
    named = next(t for t in marks.items if isinstance(t, Text) and t.text == "A1")
    assert (named.x, named.y) == pytest.approx((ring.centre[0] + 0.9, ring.centre[1] - 0.7))


def test_names_that_would_stand_on_each_other_are_left_out() -> None:
    rows = [f"R1,M{n:02},{0.01 * n},0,0" for n in range(30)]
    found = book_from_text("\n".join(["run,point,x,y,z", "R1,B1,0,0,0", "R1,B2,40,0,0", *rows]))
    words = [t.text for t in group(drawn(found), "marks").items if isinstance(t, Text)]
    assert words == ["B1", "B2"]


@pytest.mark.parametrize("width", [40, 72])
def test_the_sketch_as_text_is_as_wide_as_said_and_true_in_shape(width: int) -> None:
    found = book(("B1 B2 A1 A2", 0, 0, "yard"))
    told = sketch_text(found, lay_out(found, ("B1", "B2")), width=width)
    assert max(map(len, told)) <= width
    columns = [line.index("+A1") for line in told if "+A1" in line]
    (right,) = columns
    # 40 m over the width, half as high, and a line is as high as two characters are wide
    assert right == width - 8
    assert len(told) - 1 == pytest.approx((width - 8) * 20 / 40 / 2, abs=1)
    assert told[0].startswith("+A2")
    assert told[-1].startswith("+B1")
    assert all(line.startswith((".", "+")) for line in told)
    open_side = sketch_text(found, lay_out(found, ("B1", "B2")), width=width, lines=("kerb",))
    assert not any(line.startswith(".") for line in open_side)
    marked = sketch_text(found, lay_out(found, ("B1", "B2")), width=width, suspects=[2])
    assert "!" in marked[0]
    assert sum(line.count("!") for line in marked) == 1


def test_a_long_yard_is_no_longer_than_a_terminal() -> None:
    rows = "R1,B1,0,0,0\nR1,B2,4,0,0\nR1,A1,4,900,0"
    found = book_from_text("run,point,x,y,z\n" + rows)
    told = sketch_text(found, lay_out(found, ("B1", "B2")))
    # 46 characters wide as high: a line is two of them
    assert len(told) == 24
