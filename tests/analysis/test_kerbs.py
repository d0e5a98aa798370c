"""Upstand of kerbs: heights by hand, spread against marks moved by their noise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from geosite.analysis.kerbs import KerbUpstand, kerb_upstands
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.model import Notes
from geosite.fieldbook.sitefile import Code
from geosite.linework.draw import draw
from geosite.network.independent_marks import independent_marks

CODES = {
    "foot": Code(geometry="line", breakline=True),
    "top": Code(geometry="line", barrier=True),
    "stated": Code(geometry="line", barrier=True, height_m=0.12),
    "fence": Code(geometry="line"),
}
FOOT = [(0.0, 0.0, 10.0), (10.0, 0.0, 10.2)]
TOP = [(1.0, 0.2, 10.14), (5.0, 0.2, 10.20), (9.0, 0.2, 10.30)]
SIGMA = 0.01


def found(*lines: tuple[str, list[tuple[float, float, float]]]) -> tuple[KerbUpstand, ...]:
    rows = [
        f"R1,{code[0]}{i}{k},{x},{y},{z},{code}{i},{code}"
        for i, (code, places) in enumerate(lines)
        for k, (x, y, z) in enumerate(places)
    ]
    book = book_from_text("\n".join(["run,point,x,y,z,feature,code", *rows]))
    notes = Notes.of(book, codes=CODES)
    network: Any = independent_marks(book.local, sigma_up_m=SIGMA)
    return kerb_upstands(draw(notes, network), network, book, CODES)


def test_each_mark_is_held_against_the_foot_beside_it() -> None:
    """By hand: foot at 10.02, 10.10, 10.18 beside the marks; 12, 10 and 12 cm."""
    (kerb,) = found(("foot", FOOT), ("top", TOP))
    assert (kerb.line, kerb.foot, kerb.places) == ("top1", "foot0", 3)
    assert kerb.upstand.value == pytest.approx((0.12 + 0.10 + 0.12) / 3)
    assert kerb.least is not None
    assert (kerb.least.value, kerb.least_at) == (pytest.approx(0.10), "t11")
    assert kerb.most is not None
    assert kerb.most.value == pytest.approx(0.12)


def test_the_interval_is_that_of_marks_moved_in_height() -> None:
    (kerb,) = found(("foot", FOOT), ("top", TOP))
    draws = np.random.default_rng(7).normal(0.0, SIGMA, (50_000, 5))
    foot = np.stack([draws[:, 0] * (1 - x / 10) + draws[:, 1] * x / 10 for x in (1, 5, 9)])
    means = (draws[:, 2:].T - foot).mean(axis=0)
    assert kerb.upstand.sigma == pytest.approx(float(means.std()), rel=0.02)


def test_a_kerb_drawn_along_its_foot_stands_as_high() -> None:
    """The barrier's code may be that of the lower edge."""
    lower = [(x, y, z - 0.5) for x, y, z in FOOT]
    upper = [(x, 0.2, z) for x, _, z in FOOT]
    (kerb,) = found(("fence", upper), ("top", lower))
    assert (kerb.line, kerb.foot) == ("fence0", "top1")
    assert kerb.upstand.value == pytest.approx(0.5)


def test_a_stated_height_is_told_as_it_is_and_a_kerb_alone_has_none() -> None:
    (kerb,) = found(("stated", TOP), ("foot", FOOT))
    assert (kerb.upstand.value, kerb.upstand.sigma, kerb.places) == (0.12, 0.0, 0)
    assert found(("top", TOP)) == ()
    far = [(x, y + 3.0, z) for x, y, z in TOP]
    assert found(("foot", FOOT), ("top", far)) == ()
    assert found(("foot", FOOT), ("fence", TOP)) == ()  # no barrier


def test_an_edge_that_runs_beside_half_the_kerb_is_not_its_foot() -> None:
    short = [(0.0, 0.0, 10.0), (4.0, 0.0, 10.0)]
    assert found(("foot", short), ("top", [(x, 0.2, 10.1) for x in (0.0, 4.0, 8.0, 12.0)])) == ()


@pytest.mark.parametrize(("apart", "is_foot"), [(0.59, True), (0.61, False)])
def test_edges_farther_apart_than_a_kerb_is_wide_are_two_kerbs(apart: float, is_foot: bool) -> None:
    top = [(x, apart, 10.12) for x in (1.0, 5.0, 9.0)]
    assert len(found(("foot", [(0.0, 0.0, 10.0), (10.0, 0.0, 10.0)]), ("top", top))) == is_foot


@pytest.mark.parametrize(("beside", "is_foot"), [(4, True), (3, False)])
def test_four_of_five_marks_have_the_foot_beside_them(beside: int, is_foot: bool) -> None:
    top = [(float(2 * k), 0.2, 10.1) for k in range(5)]
    foot = [(0.0, 0.0, 10.0), (2.0 * (beside - 1), 0.0, 10.0)]
    kerbs = found(("foot", foot), ("top", top))
    assert [(k.places, round(k.upstand.value, 9)) for k in kerbs] == [(4, 0.1)] * is_foot


def test_of_two_edges_beside_a_kerb_the_one_along_more_of_it_is_its_foot() -> None:
    low = [(0.0, 0.0, 10.0), (8.0, 0.0, 10.0)]
    short = [(0.0, 0.1, 10.05), (6.0, 0.1, 10.05)]
    top = [(float(2 * k), 0.2, 10.1) for k in range(5)]
    (kerb,) = found(("foot", short), ("foot", low), ("top", top))
    assert (kerb.foot, kerb.places) == ("foot1", 5)
    assert kerb.upstand.value == pytest.approx(0.1)
