"""Surveys with known truth for the accuracy claims: the ferry landing walked again and again."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from ferry_landing import make_site
from walk_simulator import COLUMNS, Noise, Stop, Walk, field_book_rows, write_csv

from geosite.fieldbook.model import Notes
from geosite.fieldbook.read import read_survey

_HEAD = """
[survey]
file = "field_book.csv"
closure_limit = 50
[survey.leg_noise]
constant = {a}
per_sqrt_metre = {b}
[baseline]
from = "B1"
to = "B2"
[anchor]
crs = "EPSG:25832"
vertical_crs = "EPSG:7837"
[anchor.marks.B1]
easting = {e1}
northing = {n1}
elevation = {h1}
sigma = {s}
[anchor.marks.B2]
easting = {e2}
northing = {n2}
sigma = {s}
"""
CODES = """
[codes.asphalt]
[codes.concrete]
[codes.setts]
[codes.building]
[codes.kerb_bottom]
geometry = "line"
[codes.kerb_top]
geometry = "line"
[codes.walk]
geometry = "line"
[codes.fence]
geometry = "line"
[codes.inlet]
geometry = "point"
"""


@dataclass(frozen=True)
class Survey:
    """Notes of one simulated survey, the true map positions of its rows, its true measures."""

    notes: Notes
    easting_northing: np.ndarray
    elevation: np.ndarray
    measures: dict[tuple[str, str], float]


FACTOR = make_site.combined_factor()
WALKS: tuple[Walk, ...] = (make_site.run_one(), make_site.run_two(), make_site.run_three())
MEASURES = {(m["feature"], m["measure"]): float(m["value"]) for m in make_site.true_measures()}


def anchored(one: Stop, two: Stop, noise: Noise, rng: np.random.Generator, sigma: float) -> str:
    """Return the head of a site file whose anchor marks are off by their sigma."""
    places = [make_site.to_map(m.east, m.north, FACTOR) for m in (one, two)]
    (e1, n1), (e2, n2) = places + sigma * rng.standard_normal((2, 2))
    h1 = one.up + sigma * rng.standard_normal()
    a, b = noise.constant, noise.per_sqrt_metre
    return _HEAD.format(a=a, b=b, e1=e1, n1=n1, e2=e2, n2=n2, h1=h1, s=sigma)


def ferry_landing(
    seed: int,
    folder: Path,
    *,
    noise: Noise = make_site.NOISE,
    anchor_sigma: float = 0.015,
    walks: tuple[Walk, ...] = WALKS,
) -> Survey:
    """Walk the landing with one seed; the anchor marks are off by their sigma as well."""
    rng = np.random.default_rng(seed)
    rows = field_book_rows(walks, noise, rng, decimals=5)
    write_csv(folder / "field_book.csv", COLUMNS, rows)
    head = anchored(make_site.B1, make_site.B2, noise, rng, anchor_sigma)
    (folder / "site.toml").write_text(head + CODES, encoding="utf-8")
    stops = [s for w in walks for s in w.stops]
    return Survey(
        read_survey(folder / "site.toml"),
        np.array([make_site.to_map(s.east, s.north, FACTOR) for s in stops]),
        np.array([s.up for s in stops]),
        MEASURES,
    )
