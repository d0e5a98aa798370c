"""Adjusted coordinates and residuals as the survey report shows them."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from network_cases import notes
from package_cases import ferry_landing

from geosite.drawing.document import Figure, Paragraph, Table
from geosite.drawing.sheet import Arc, Rectangle, Shape
from geosite.handover.documents.adjusted import adjusted_blocks, ellipse
from geosite.handover.documents.residuals import LISTED, residual_blocks
from geosite.handover.layers import marks as marks_layer
from geosite.handover.layers import residuals as layer_of_residuals
from geosite.handover.model import Layer, Package
from geosite.handover.wording.measures import Measures
from geosite.network.accuracy.ellipses import error_ellipses
from geosite.network.adjust import adjust

METRES, FEET = Measures("m"), Measures("ft")


def survey(wrong: float = 0.0) -> Package:
    """A walk of two loops; the third leg is noted wrong by so much, metres."""
    places = {"A": (0, 0), "B": (10, 0), "C": (10, 9), "D": (2, 8), "E": (5, 3)}
    rng = np.random.default_rng(1)
    rows, local = [], np.zeros(2)
    before = np.array(places["A"])
    for number, name in enumerate("ABCDAEBAB"):
        local = local + np.array(places[name]) - before + rng.normal(0, 0.005, 2)
        local = local + np.array([wrong * (number == 3), 0.0])
        before = np.array(places[name])
        rows.append(("R", name, *local, 0.0))
    anchor = {"A": {"easting": 0.0, "northing": 0.0}, "B": {"easting": 10.0, "northing": 0.0}}
    case = notes(rows, anchor, noise=(0.005, 0.0), limit=None)
    table = layer_of_residuals.table(case.book, adjust(case))
    return replace(ferry_landing(), tables=(table,))


def tables(blocks: list[object]) -> list[Table]:
    return [block for block in blocks if isinstance(block, Table)]


#: Legs from one repeated mark to the next, which share one misclosure.
CHAINS = ((0, 1), (1, 4), (4, 6), (6, 7), (7, 8))


def test_every_leg_stands_in_the_table_those_that_share_a_misclosure_in_one_row() -> None:
    made = survey()
    (legs,) = tables(list(residual_blocks(made, METRES)))
    records = made.tables[0].records
    assert len(records) == 8
    assert len(legs.rows) == len(CHAINS)
    for row, (first, end) in zip(legs.rows, CHAINS, strict=True):
        mine = records[first:end]
        assert row[:3] == ("R", mine[0]["from_point"], mine[-1]["to_point"])
        assert int(row[3]) == len(mine)
        assert float(row[5]) == pytest.approx(sum(r["east_m"] for r in mine) * 1000, abs=0.051)
        for record in mine:
            assert float(row[8]) == pytest.approx(record["east_standardised"], abs=0.0051)
    assert not legs.strong


def test_residuals_of_a_site_in_feet_are_in_feet() -> None:
    made = survey()
    (legs,) = tables(list(residual_blocks(made, FEET)))
    assert [c.title for c in legs.columns][4:6] == ["length\nft", "east\nft"]
    for row, (first, end) in zip(legs.rows, CHAINS, strict=True):
        mine = made.tables[0].records[first:end]
        walked = sum(r["length_m"] for r in mine) / 0.3048
        assert float(row[4]) == pytest.approx(walked, abs=0.0051)
        assert float(row[5]) == pytest.approx(sum(r["east_m"] for r in mine) / 0.3048, abs=0.00051)


def test_legs_beyond_the_limit_are_set_in_bold() -> None:
    made = survey(wrong=0.08)
    (legs,) = tables(list(residual_blocks(made, METRES)))
    records = made.tables[0].records
    beyond = {
        i for i, (a, _) in enumerate(CHAINS) if abs(records[a]["east_standardised"] or 0) > 3.29
    }
    assert beyond
    assert legs.strong == beyond


def test_the_plot_draws_each_leg_at_its_level_and_both_limits() -> None:
    made = survey()
    figure = next(b for b in residual_blocks(made, METRES) if isinstance(b, Figure))
    items = [i for i in figure.draw(Rectangle(20, 30, 170, 62)) if isinstance(i, Shape)]
    middle, tall = 30 + 8 + (62 - 15) / 2, (62 - 15) / 2 / 5.4
    levels = {
        round((middle - piece[0, 1]) / tall, 2)
        for shape in items
        for outline in shape.outlines
        for piece in outline.pieces
        if not isinstance(piece, Arc) and len(piece) == 2 and piece[0, 1] == piece[1, 1]
    }
    assert {1.96, -1.96, 3.29, -3.29, 0.0} <= levels
    east = [r["east_standardised"] for r in made.tables[0].records]
    drawn = next(s for s in items if len(s.outlines[0].pieces[0]) == 16)
    ((line,),) = ([o.pieces[0] for o in drawn.outlines],)
    assert (middle - line[::2, 1]) / tall == pytest.approx(east, abs=1e-9)  # type: ignore[index]


def test_of_very_many_legs_the_largest_are_listed_and_that_is_said() -> None:
    made = survey()
    table = made.tables[0]
    many = [dict(r, row=i) for i, r in enumerate([*table.records] * 200)]
    blocks = residual_blocks(replace(made, tables=(replace(table, records=many),)), METRES)
    (legs,) = tables(list(blocks))
    assert len(legs.rows) == LISTED < len(many)
    assert any("residuals.csv" in getattr(block, "text", "") for block in blocks)
    # and that the plot draws no step that the pen does not show
    figure = next(b for b in blocks if isinstance(b, Figure))
    assert "less than the pen is wide" in figure.caption
    few = next(b for b in residual_blocks(made, METRES) if isinstance(b, Figure))
    assert "pen" not in few.caption


def test_a_package_without_residuals_says_nothing() -> None:
    assert residual_blocks(replace(ferry_landing(), tables=()), METRES) == []


def test_an_ellipse_of_a_swinging_ray_lies_across_it() -> None:
    # A known exactly, the direction to B to 0.1 degrees, legs without error: D at 5 east 12 north
    # of A can only swing about A, by 13 m times the angle, square to the ray of azimuth atan(5/12)
    rows = [("R", n, *xyz) for n, xyz in (("A", (0, 0, 0)), ("B", (9, 0, 0)), ("D", (5, 12, 0)))]
    anchor = {"A": {"easting": 0.0, "northing": 0.0, "elevation": 0.0}}
    turn = {"value": 90.0, "sigma": 0.1}
    network = adjust(notes(rows, anchor, noise=(0.0, 0.0), limit=None, azimuth=turn))
    major, minor, azimuth = (v[0] for v in error_ellipses(network, np.array([2])))
    assert major == pytest.approx(13 * math.radians(0.1), rel=1e-3)
    assert minor < 1e-3
    assert math.degrees(azimuth) == pytest.approx(90 + math.degrees(math.atan2(5, 12)), abs=0.1)


def test_an_ellipse_is_drawn_with_its_axes_and_azimuth() -> None:
    (ring,) = ellipse(50.0, 60.0, 4.0, 1.0, 30.0).pieces
    assert not isinstance(ring, Arc)
    away = (ring - [50.0, 60.0]) * [1, -1]
    # Ghilani & Wolf, Adjustment Computations, 19.3: t = atan2(2 q_en, q_nn - q_ee) / 2
    q = away.T @ away / len(away)
    t = math.atan2(2 * q[0, 1], q[1, 1] - q[0, 0]) / 2
    assert math.degrees(t) == pytest.approx(30.0, abs=1e-6)
    reach = np.hypot(*away.T)
    assert (reach.max(), reach.min()) == pytest.approx((4.0, 1.0), rel=1e-6)


def test_marks_are_listed_with_their_ellipses() -> None:
    place = {"easting": 500.0, "northing": 700.0, "elevation": 1.0, "sigma_h_m": 0.01}
    up = {"sigma_v_m": 0.01, "v_95_m": 0.02}
    shape = {"ellipse_major_m": 0.03, "ellipse_minor_m": 0.02, "ellipse_azimuth_deg": 45.0}
    one = {"point": "A", **place, **up, **shape}
    form = marks_layer.MARKS
    layer = Layer(form.name, form.title, "", "PointZ", (), [one], [None])
    blocks = list(adjusted_blocks(replace(ferry_landing(), layers=(layer,)), METRES))
    (table,) = tables(blocks)
    assert table.rows[0][5:7] == ("0.030, 0.020", "45")
    (words,) = [block.text for block in blocks if isinstance(block, Paragraph)]
    assert "The ellipse holds the mark in 95 of 100 cases" in words
    bare = Layer(
        form.name,
        form.title,
        "",
        "PointZ",
        (),
        [{"point": "A", **place, "sigma_h_m": None}],
        [None],
    )
    blocks = list(adjusted_blocks(replace(ferry_landing(), layers=(bare,)), METRES))
    (words,) = [block.text for block in blocks if isinstance(block, Paragraph)]
    assert words.endswith("Their accuracy is not known.")


def test_ellipses_are_drawn_as_many_times_enlarged_as_is_said() -> None:
    up = {"elevation": 1.0, "sigma": 0.01, "sigma_h_m": 0.01, "sigma_v_m": 0.01, "v_95_m": 0.02}
    shape = {"ellipse_major_m": 0.03, "ellipse_minor_m": 0.02, "ellipse_azimuth_deg": 90.0}
    places = (("A", 500.0, 700.0), ("B", 580.0, 760.0))
    marks = [{"point": n, "easting": e, "northing": h} | up | shape for n, e, h in places]
    form = marks_layer.MARKS
    layer = Layer(form.name, form.title, "", "PointZ", (), marks, [None, None])
    blocks = adjusted_blocks(replace(ferry_landing(), layers=(layer,)), METRES)
    (figure,) = [block for block in blocks if isinstance(block, Figure)]
    rings, dots, *_ = figure.draw(Rectangle(20.0, 30.0, 170.0, 90.0))
    assert isinstance(rings, Shape)
    assert isinstance(dots, Shape)
    (first, second) = [np.asarray(ring.pieces[0]) for ring in rings.outlines]
    # marks 100 m apart give the scale of the sheet, and the caption the times
    metre = math.dist(first.mean(axis=0), second.mean(axis=0)) / 100
    told = re.search(r"(\d+) times enlarged", figure.caption)
    assert told is not None
    wide, tall = np.ptp(first, axis=0)
    assert wide == pytest.approx(2 * 0.03 * metre * int(told[1]), rel=1e-3)
    assert tall == pytest.approx(2 * 0.02 * metre * int(told[1]), rel=1e-2)
    # east is to the right, north is up
    assert (second.mean(axis=0) - first.mean(axis=0) > 0).tolist() == [True, False]
    # seen, and not over each other
    assert 1.0 < wide < 10.0
