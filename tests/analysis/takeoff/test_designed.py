"""How much the parts of a design take: closed forms, what lies on marks, what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from fieldbook_cases import BOOK, SITE, write

from geosite.analysis.design_ground.requested import edges_of, requested_zones
from geosite.analysis.takeoff.designed import DesignPart, design_parts, slope_factor
from geosite.base.arrays import Floats
from geosite.base.errors import InputError
from geosite.fieldbook.model import Notes
from geosite.fieldbook.read import read_survey
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.network.covariance import sigmas
from geosite.network.model import LinearForm, Network

LINES = BOOK.replace("arc2", "line").replace("arc", "line")
CODES = """
[codes.pad]
depth = 0.2
waste_percent = 10
[codes.kerb]
geometry = "line"
[codes.post]
geometry = "point"
[designs.d]
"""


def parts(folder: Path, table: str) -> tuple[dict[str, DesignPart], float]:
    found, _, network = measured(folder, table)
    return found, network.frame.combined_factor


def measured(folder: Path, table: str) -> tuple[dict[str, DesignPart], Notes, Network]:
    notes = read_survey(write(folder, LINES, SITE + CODES + table))
    network, design = adjust(notes), notes.site.designs["d"]
    drawing = draw(notes, network)
    zones = requested_zones("d", design, notes, network, drawing)
    edges = edges_of("d", design, notes, network)
    found = design_parts("d", design, zones, edges, notes, network, drawing)
    return {part.part: part for part in found}, notes, network


def square(name: str, west: float, size: float, code: str, more: str = "") -> str:
    east, south = 512300.0 + west, 5276100.0
    corners = [(0, 0), (size, 0), (size, size), (0, size)]
    places = ", ".join(f"[{east + x}, {south + y}]" for x, y in corners)
    return (
        f"[designs.d.pads.{name}]\npoints = [{places}]\nelevation = 3.0\n"
        f'code = "{code}"\nfall_percent = 75.0\n{more}'
    )


def test_a_pad_of_stated_corners_is_exact(tmp_path: Path) -> None:
    found, factor = parts(tmp_path, square("a", 0, 10, "pad"))
    taken = found["a"].quantity
    assert taken.net_area is not None
    assert taken.net_area.value == pytest.approx(100 / factor**2)
    assert (taken.net_area.sigma, taken.net_area.half_width) == (0.0, 0.0)
    # it falls 3 in 4: the slope is 5 to 4; ten per cent waste on 0.2 m of depth
    assert taken.surface_area is not None
    assert taken.surface_area.value == pytest.approx(125 / factor**2, rel=1e-6)
    assert taken.edging is not None
    assert taken.edging.value == pytest.approx(40 / factor)
    assert taken.order_volume is not None
    assert taken.order_volume.value == pytest.approx(22 / factor**2)
    assert taken.order_by == "volume"


def test_where_one_part_lies_on_another_no_square_metre_counts_twice(tmp_path: Path) -> None:
    table = square("a", 0, 10, "pad") + square("b", 5, 10, "pad")
    found, factor = parts(tmp_path, table)
    below, above = found["a"].quantity.net_area, found["b"].quantity.net_area
    assert below is not None
    assert above is not None
    assert below.value == pytest.approx(50 / factor**2)
    assert above.value == pytest.approx(100 / factor**2)


def sigma_of(network: Network, rows: list[int], number: Callable[[Floats], float]) -> float:
    """Return the sigma of a number that marks decide, its derivative by moving each of them."""
    places = network.en[rows]
    change = np.zeros(places.shape)
    for at in np.ndindex(*places.shape):
        step = np.zeros(places.shape)
        step[at] = 1e-4
        change[at] = (number(places + step) - number(places - step)) / 2e-4
    form = LinearForm(np.array(rows), change[:, 0], change[:, 1], np.zeros(len(rows)))
    return float(sigmas(network, [form])[0])


@pytest.mark.parametrize("closed", [False, True])
def test_lengths_and_areas_on_marks_are_known_as_their_marks_are(
    closed: bool, tmp_path: Path
) -> None:
    marks = ["A1", "A2", "A3"]
    edge = f"""
[designs.d.edges.e]
marks = {marks}
elevations = [3.0, 4.0, 3.0]
closed = {str(closed).lower()}
code = "kerb"
"""
    edge += square("beside", 50, 4, "pad")
    found, notes, network = measured(tmp_path, edge)
    taken, factor = found["e"].quantity, network.frame.combined_factor
    book = notes.book
    rows = [int(np.flatnonzero(book.mark == book.marks.index(m))[0]) for m in marks]

    def length(places: Floats) -> float:
        ring = np.vstack([places, places[:1]]) if closed else places
        return float(np.hypot(*np.diff(ring, axis=0).T).sum()) / factor

    assert taken.length is not None
    assert taken.length_3d is not None
    assert taken.length.value == pytest.approx(length(network.en[rows]))
    assert taken.length.sigma == pytest.approx(sigma_of(network, rows, length), rel=1e-6)
    assert taken.length.grid == pytest.approx(taken.length.value * factor, rel=1e-12)
    assert taken.length_3d.value > taken.length.value
    if not closed:
        return
    pad, _, _ = measured(tmp_path, edge.replace('"kerb"', '"pad"'))

    def area(places: Floats) -> float:
        return float(shapely.Polygon(places).area) / factor**2

    gross, edging = pad["e"].quantity.gross_area, pad["e"].quantity.edging
    assert gross is not None
    assert edging is not None
    assert gross.value == pytest.approx(area(network.en[rows]))
    assert gross.sigma == pytest.approx(sigma_of(network, rows, area), rel=1e-6)
    assert edging.sigma == pytest.approx(taken.length.sigma)


def test_what_lies_on_marks_has_their_errors(tmp_path: Path) -> None:
    table = """
[designs.d.pads.own]
feature = "landing"
elevation = 3.0
code = "pad"
[designs.d.edges.side]
marks = ["A1", "A2"]
elevations = [3.0, 6.0]
code = "kerb"
[designs.d.edges.ring]
marks = ["A1", "A2", "A3"]
elevations = [3.0, 3.0, 3.0]
closed = true
code = "pad"
"""
    found, factor = parts(tmp_path, table)
    own, side, ring = (found[name].quantity for name in ("own", "side", "ring"))
    assert own.net_area is not None
    assert own.net_area.sigma > 0
    assert own.net_area.value == pytest.approx(16.0, rel=0.01)  # four metres by four, as walked
    assert side.length is not None
    assert side.length_3d is not None
    assert side.length.sigma > 0
    assert side.length_3d.value == pytest.approx(np.hypot(side.length.value, 3.0))
    # the half of the square that the pad leaves uncovered is none: the pad lies on all of it
    assert ring.gross_area is not None
    assert ring.net_area is not None
    assert ring.gross_area.value == pytest.approx(8.0, rel=0.01)
    assert ring.net_area.value == pytest.approx(0.0, abs=1e-6)
    # half a square of side a: the area's derivative along one side is half its length
    assert ring.gross_area.sigma < own.net_area.sigma
    assert factor != 1.0


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (square("a", 0, 4, "gravel"), r"the code gravel, which \[codes\] does not explain"),
        (square("a", 0, 4, "kerb"), "the code kerb, which is of lines; expected a code of an area"),
        (square("a", 0, 4, "post"), "the code post, which is of points"),
        (
            '[designs.d.edges.e]\nmarks = ["A1", "A2"]\nelevations = [1, 1]\ncode = "pad"\n'
            + square("a", 0, 4, "pad"),
            "the code pad, which is of areas; expected a code of a line",
        ),
    ],
)
def test_a_code_that_does_not_fit_is_refused(tmp_path: Path, table: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        parts(tmp_path, table)


def test_the_slope_of_a_roof_of_two_sides() -> None:
    # half falls 3 in 4, half is level: 9 square metres for 8
    shape = shapely.box(0, 0, 4, 2)
    factor = slope_factor(shape, lambda p: 0.75 * np.maximum(p[:, 0] - 2.0, 0.0), 1.0)
    assert factor == pytest.approx(9 / 8, rel=0.01)
