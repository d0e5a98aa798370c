"""Lines under designs: lengths by hand, intervals against lines and outlines moved by noise."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
import shapely

from geosite.analysis.takeoff.designed import DesignPart
from geosite.analysis.takeoff.prices import valuation
from geosite.analysis.takeoff.quantities import Quantity, TakeOff, take_off
from geosite.analysis.takeoff.replaced import without_replaced
from geosite.analysis.wording import replaced_findings
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code, Price, Prices
from geosite.linework.draw import draw
from geosite.linework.model import Drawing, Feature
from geosite.network.independent_marks import independent_marks
from geosite.network.model import Network

CODES = {
    "kerb": Code(geometry="line", waste_percent=10.0),
    "fence": Code(geometry="line", existing=True),
}
SIGMA = 0.02
Place = tuple[float, float]


def part(name: str, shape: Any, ring: Sequence[int] = ()) -> DesignPart:
    quantity = Quantity(name, "pad", "area", 1)
    return DesignPart("new", name, "pad", quantity, shape, np.array(ring, np.int64))


def survey(
    *lines: Sequence[Place], code: str = "kerb", segment: str = "line", more: Sequence[Place] = ()
) -> tuple[TakeOff, Network, Drawing]:
    rows = [
        f"R1,{'KLMN'[k]}{i},{x},{y},0,kerb{k},{code},{segment if i else ''}"
        for k, line in enumerate(lines)
        for i, (x, y) in enumerate(line)
    ]
    rows += [f"R1,P{i},{x},{y},0,,," for i, (x, y) in enumerate(more)]
    book = book_from_text("\n".join(["run,point,x,y,z,feature,code,segment", *rows]))
    notes, network = Notes.of(book, codes=CODES), independent_marks(book.local, sigma_m=SIGMA)
    drawing = draw(notes, network)
    return take_off(notes, network, drawing), network, drawing


def left(*parts: DesignPart, lines: Sequence[Sequence[Place]], **given: Any) -> TakeOff:
    taken, network, drawing = survey(*lines, **given)
    return without_replaced(taken, drawing, network, parts, CODES)


STRAIGHT = ((0.0, 0.0), (10.0, 0.0), (20.0, 0.0))


def test_what_of_a_kerb_lies_under_a_pad_is_not_ordered() -> None:
    """By hand: 20 m, 5 of them under a pad that numbers give, 10 % waste; 2 cm at each mark."""
    (kerb,) = left(part("pad", shapely.box(6, -1, 11, 1)), lines=[STRAIGHT]).codes
    assert kerb.length is not None
    assert kerb.length.value == pytest.approx(20.0)
    assert kerb.replaced_length is not None
    assert kerb.replaced_length.value == pytest.approx(5.0)
    # both ends lie on the pad's outline, which no mark moves along the kerb
    assert kerb.replaced_length.sigma == pytest.approx(0.0, abs=1e-9)
    assert kerb.left_length is not None
    assert kerb.left_length.value == pytest.approx(15.0)
    assert kerb.left_length.sigma == pytest.approx(kerb.length.sigma)
    assert kerb.order_length is not None
    assert kerb.order_length.value == pytest.approx(16.5)
    assert kerb.replaced is None


def test_an_end_under_the_pad_is_known_as_well_as_its_mark() -> None:
    (kerb,) = left(part("pad", shapely.box(16, -1, 30, 1)), lines=[STRAIGHT]).codes
    assert kerb.replaced_length is not None
    assert kerb.replaced_length.value == pytest.approx(4.0)
    assert kerb.replaced_length.sigma == pytest.approx(SIGMA)


def test_a_kerb_that_a_pad_covers_whole_is_not_ordered_for_certain() -> None:
    (kerb,) = left(part("pad", shapely.box(-1, -1, 30, 1)), lines=[STRAIGHT]).codes
    assert kerb.order_length is not None
    assert (kerb.order_length.value, kerb.order_length.sigma) == (0.0, 0.0)


def test_a_kerb_along_the_edge_of_a_pad_stays() -> None:
    for low in (0.0, -0.03):
        (kerb,) = left(part("pad", shapely.box(2, low, 11, 4)), lines=[STRAIGHT]).codes
        assert kerb.replaced_length is None
    corner = ((0.0, 0.0), (10.0, 0.0), (10.0, 8.0))  # along one edge, then up the other
    (kerb,) = left(part("pad", shapely.box(0, 0, 10, 4)), lines=[corner]).codes
    assert kerb.replaced_length is None
    # along the edge and then into the pad: only what lies in it
    inward = ((0.0, 0.0), (8.0, 0.0), (8.0, 3.0))
    (kerb,) = left(part("pad", shapely.box(0, 0, 10, 4)), lines=[inward]).codes
    assert kerb.replaced_length is not None
    assert kerb.replaced_length.value == pytest.approx(3.0)


def test_two_pads_on_the_same_kerb_count_once_and_are_both_named() -> None:
    pads = part("a", shapely.box(2, -1, 8, 1)), part("b", shapely.box(5, -1, 12, 1))
    found = left(*pads, lines=[STRAIGHT])
    assert found.codes[0].replaced_length is not None
    assert found.codes[0].replaced_length.value == pytest.approx(10.0)
    (said,) = replaced_findings(found)
    assert said.text == (
        "kerb0: 10.00 m of it are replaced by a of design new, b of design new, "
        "and are not ordered."
    )


def test_of_two_kerbs_of_a_code_that_beside_the_pad_is_left_whole() -> None:
    aside = ((0.0, 50.0), (7.0, 50.0))
    (total,) = left(part("pad", shapely.box(6, -1, 11, 1)), lines=[STRAIGHT, aside]).codes
    assert total.left_length is not None
    assert total.left_length.value == pytest.approx(15 + 7)
    assert total.order_length is not None
    assert total.order_length.value == pytest.approx(22 * 1.1)


def test_what_is_not_ordered_is_said_to_be_replaced_and_no_more() -> None:
    found = left(part("pad", shapely.box(6, -1, 11, 1)), lines=[STRAIGHT], code="fence")
    assert found.codes[0].order_length is None
    assert found.codes[0].left_length is None
    (said,) = replaced_findings(found)
    assert said.text.endswith("pad of design new.")


def test_a_price_is_for_what_is_left() -> None:
    taken, network, drawing = survey(STRAIGHT)
    pad = part("pad", shapely.box(6, -1, 11, 1))
    found = without_replaced(taken, drawing, network, [pad], CODES)
    prices = Prices(currency="EUR", codes={"kerb": Price(rate=10.0, per="m")})
    paid = valuation(found.codes, prices, CODES, network, "site.toml")
    assert paid.total.value == pytest.approx(15 * 1.1 * 10)


def spread(lines: Any, cover: Any) -> tuple[float, float]:
    lengths = shapely.length(shapely.intersection(lines, cover))
    return float(lengths.mean()), float(lengths.std())


@pytest.mark.parametrize("on_marks", [False, True])
def test_the_interval_is_that_of_line_and_outline_moved_by_their_marks(on_marks: bool) -> None:
    """4,000 kerbs and pads with the marks' noise, overlaid by the geometry library: its spread.

    The kerb enters the pad at a slant, bends in it and leaves it through another side.
    """
    kerb = ((0.0, 1.0), (6.0, 3.0), (14.0, 2.0))
    pad = ((4.0, 0.0), (9.0, -1.0), (11.0, 6.0), (3.0, 5.0))
    rows = tuple(range(3, 7))
    taken, network, drawing = survey(kerb, more=pad)
    laid = part("pad", shapely.Polygon(pad), rows if on_marks else ())
    (found,) = without_replaced(taken, drawing, network, [laid], CODES).features
    draws = np.random.default_rng(8).normal(0.0, SIGMA, (4000, 7, 2)) + np.array([*kerb, *pad])
    if not on_marks:
        draws[:, 3:] = pad
    lines = shapely.linestrings(draws[:, :3])
    mean, sigma = spread(lines, shapely.polygons(draws[:, 3:]))
    assert found.replaced_length is not None
    assert found.replaced_length.value == pytest.approx(mean, abs=0.005)
    # the spread of 4,000 is known to 2.2 % at 95 %
    assert found.replaced_length.sigma == pytest.approx(sigma, rel=0.04)
    rest = shapely.length(lines) - shapely.length(
        shapely.intersection(lines, shapely.polygons(draws[:, 3:]))
    )
    assert found.left_length is not None
    assert found.left_length.sigma == pytest.approx(float(rest.std()), rel=0.04)


def test_of_an_arc_the_part_under_the_pad_is_measured_along_it() -> None:
    """A quarter of a circle of 10 m round the origin, under a pad from x = 5 on: 30 of 90 degrees.

    Its interval against 1,500 arcs through moved marks.
    """
    at = np.radians([0.0, 45.0, 90.0])
    arc = tuple((10 * float(np.cos(a)), 10 * float(np.sin(a))) for a in at)
    cover = shapely.box(-1, -1, 5, 20)
    (found,) = left(part("pad", cover), lines=[arc], segment="arc").features
    assert found.replaced_length is not None
    assert found.replaced_length.value == pytest.approx(10 * np.pi / 6, abs=0.01)
    draws = np.random.default_rng(3).normal(0.0, SIGMA, (1500, 3, 2)) + np.array(arc)
    mean, sigma = spread(_arcs(draws), cover)
    assert mean == pytest.approx(found.replaced_length.value, abs=0.01)
    assert found.replaced_length.sigma == pytest.approx(sigma, rel=0.15)


def _arcs(marks: Any) -> Any:
    """Return circular arcs through three marks each."""
    a, b, c = (marks[:, k, 0] + 1j * marks[:, k, 1] for k in range(3))
    w = (c - a) / (b - a)
    centre = (b - a) * (w - np.abs(w) ** 2) / (2j * w.imag) + a
    first, last = np.angle(a - centre), np.angle(c - centre)
    turn = np.linspace(0.0, 1.0, 400)
    angles = first[:, None] + (last - first)[:, None] * turn
    radius = np.abs(a - centre)
    places = centre[:, None] + radius[:, None] * np.exp(1j * angles)
    return shapely.linestrings(np.stack([places.real, places.imag], axis=-1))


def test_a_line_without_a_length_is_left_alone() -> None:
    taken, network, drawing = survey(STRAIGHT)
    (kerb,) = drawing.features
    assert isinstance(kerb, Feature)
    pad = part("pad", shapely.box(100, 100, 101, 101))
    assert without_replaced(taken, drawing, network, [pad], CODES) is taken
