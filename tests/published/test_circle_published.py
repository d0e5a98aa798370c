"""Circles and arcs against printed figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from linework_cases import rows, survey

from geosite.fieldbook.sitefile import Code
from geosite.linework.arcs import fit_arc
from geosite.linework.circles import fit_circle
from geosite.linework.draw import draw

LINE = {"kerb": Code(geometry="line"), "pad": Code(geometry="area")}


def test_circle_through_three_points() -> None:
    # math.stackexchange.com question 213658: centre (3, 2), r = sqrt 5
    circle = fit_circle(np.array([[1.0, 1.0], [2.0, 4.0], [5.0, 3.0]]))
    assert circle is not None
    assert circle.centre == pytest.approx((3.0, 2.0), abs=1e-12)
    assert circle.radius == pytest.approx(math.sqrt(5.0), abs=1e-12)


def test_circle_through_three_points_rosetta() -> None:
    # rosettacode.org, "Centre and radius of a circle passing through 3 points in a plane":
    # centre printed as (18.98, 16.27); more digits recomputed
    circle = fit_circle(np.array([[22.83, 2.07], [14.39, 30.24], [33.65, 17.31]]))
    assert circle is not None
    assert circle.centre == pytest.approx((18.98, 16.27), abs=0.006)
    assert circle.centre == pytest.approx((18.978515661, 16.265410798), abs=1e-8)
    assert circle.radius == pytest.approx(14.708624, abs=1e-6)


def test_circular_section() -> None:
    # MatheAss help, "Circular Sections": arc 1, central angle 45 degrees
    radius, chord, sagitta, segment = 1.2732395, 0.97449536, 0.096919589, 0.063460604
    angles = np.radians([10.0, 30.0, 55.0])
    arc = fit_arc(radius * np.column_stack([np.cos(angles), np.sin(angles)]))
    assert arc is not None
    assert arc.length == pytest.approx(1.0, abs=5e-6)
    assert arc.radius == pytest.approx(radius, abs=5e-6)
    assert arc.chord == pytest.approx(chord, abs=5e-6)
    assert arc.sagitta == pytest.approx(sagitta, abs=5e-6)
    assert arc.segment == pytest.approx(segment, abs=5e-6)
    assert arc.radius * arc.length / 2.0 == pytest.approx(0.63661977, abs=5e-6)  # sector
    assert arc.radius - arc.sagitta == pytest.approx(1.17632, abs=5e-6)  # centre to chord


def test_arc_of_thirty_degrees() -> None:
    # Griffiths, The Artillerist's Manual (1859), mensuration: 30 degrees at r 9 ft gives
    # 4.7115 ft with the rounded factor .01745; exactly 4.712389
    marks = [
        (word, 9.0 * math.cos(a), 9.0 * math.sin(a))
        for word, a in (("line", 0.0), ("arc", 0.2), ("arc", math.radians(30.0)))
    ]
    length = draw(*survey(rows("k", "kerb", marks), LINE)).features[0].length
    assert length is not None
    assert length.value == pytest.approx(4.712389, abs=5e-7)
    assert length.value == pytest.approx(4.7115, abs=0.001)


def test_sector_from_arc() -> None:
    # the same source: r 30 in and arc 36.6 in enclose a sector of 549 square inches
    sweep = 36.6 / 30.0
    marks = [("line", 0.0, 0.0), ("line", 30.0, 0.0)] + [
        ("arc", 30.0 * math.cos(a), 30.0 * math.sin(a)) for a in (sweep / 3.0, sweep)
    ]
    feature = draw(*survey(rows("p", "pad", marks), LINE)).features[0]
    assert feature.area is not None
    assert feature.perimeter is not None
    assert feature.area.value == pytest.approx(549.0, abs=1e-9)
    assert feature.perimeter.value == pytest.approx(96.6, abs=1e-9)
