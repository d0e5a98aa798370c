"""Notes built by hand for the network's tests, without files."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from geosite.fieldbook.model import FieldBook, Notes
from geosite.fieldbook.sitefile import SiteFile

# a map whose scale is 1 at its middle: a test of the network alone
PLAIN_CRS = "+proj=tmerc +lat_0=48 +lon_0=11 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m +type=crs"

# true ground of a small invented site, metres; unnamed stops are walked through once
SMALL_PLACES = {
    "A": (0.0, 0.0, 1.0),
    "B": (6.0, 1.0, 1.1),
    "T1": (20.0, 12.0, 0.7),
    "T2": (-3.0, 25.0, 0.4),
    "T3": (14.0, 30.0, 0.2),
    "C": (28.0, 3.0, 0.9),
}
# open ends, chains of several marks, standing still, marks seen twice by one run
SMALL_WALKS = {
    "R1": ["s1", "A", "B", "s2", "s3", "T1", "s4", "T2", "s5", "s6", "B", "A"],
    "R2": ["B", "s7", "A", "T1", "s8", "s9", "s10", "T3", "C", "s11", "B", "s12", "s13"],
    "R3": ["A", "B", "T2", "s14", "T3", "s15", "T2", "s16", "A", "s17", "B"],
}
SMALL_ANCHORS: dict[str, tuple[dict[str, dict[str, Any]], dict[str, Any]]] = {
    "two marks with sigma": (
        {
            "A": {"easting": 500.0, "northing": 700.0, "elevation": 1.0, "sigma": 0.02},
            "B": {"easting": 506.0, "northing": 701.0, "elevation": 1.1, "sigma": 0.01},
        },
        {},
    ),
    "two exact marks": (
        {
            "A": {"easting": 500.0, "northing": 700.0, "elevation": 1.0},
            "B": {"easting": 506.0, "northing": 701.0},
        },
        {},
    ),
    "three marks, one seen once": (
        {
            "A": {"easting": 500.0, "northing": 700.0, "elevation": 1.0, "sigma": 0.02},
            "B": {"easting": 506.0, "northing": 701.0, "sigma": 0.02},
            "C": {"easting": 528.0, "northing": 703.0, "elevation": 0.9, "sigma": 0.05},
        },
        {},
    ),
    "one mark and an azimuth": (
        {"A": {"easting": 500.0, "northing": 700.0, "elevation": 1.0, "sigma": 0.02}},
        {"azimuth": {"value": math.degrees(math.atan2(6, 1)), "sigma": 0.1}},
    ),
    "one mark and an exact azimuth": (
        {"A": {"easting": 500.0, "northing": 700.0, "elevation": 1.0}},
        {"azimuth": {"value": math.degrees(math.atan2(6, 1))}},
    ),
}
SMALL_CRS = "+proj=tmerc +lat_0=0 +lon_0=11 +k=1 +x_0=500 +y_0=700 +ellps=GRS80 +units=m +type=crs"
"""A plain map at the very middle of the small site, so that ground is grid."""

Row = tuple[str, str, float, float, float]


def book(rows: Iterable[Row], unit_m: float = 1.0) -> FieldBook:
    """Return a field book of (run, point, x, y, z) rows, coordinates in units of `unit_m`."""
    listed = list(rows)
    runs: dict[str, int] = {}
    marks: dict[str, int] = {}
    run = [runs.setdefault(r[0], len(runs)) for r in listed]
    mark = [marks.setdefault(r[1], len(marks)) if r[1] else -1 for r in listed]
    n = len(listed)
    blank = np.full(n, -1, dtype=np.int64)
    return FieldBook(
        file="field_book.csv",
        local=np.array([r[2:] for r in listed], dtype=np.float64).reshape(n, 3) * unit_m,
        unit_m=unit_m,
        runs=tuple(runs),
        run=np.array(run, dtype=np.int64),
        marks=tuple(marks),
        mark=np.array(mark, dtype=np.int64),
        features=(),
        feature=blank,
        codes=(),
        code=blank,
        kind=np.zeros(n, dtype=np.int8),
        piece=np.ones(n, dtype=np.int16),
        notes=("",) * n,
        line=np.arange(2, n + 2, dtype=np.int64),
    )


def notes(
    rows: Iterable[Row] | FieldBook,
    marks: dict[str, dict[str, Any]],
    *,
    baseline: tuple[str, str] = ("A", "B"),
    noise: tuple[float, float] | None = (0.005, 0.004),
    device: dict[str, Any] | None = None,
    limit: float | None = 300.0,
    unit: str = "m",
    crs: str = PLAIN_CRS,
    **anchor: Any,
) -> Notes:
    """Return notes of a survey; `anchor` takes the other keys of the site file's table."""
    unit_m = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}[unit]
    survey: dict[str, Any] = {"file": "field_book.csv", "unit": unit}
    if limit is not None:
        survey["closure_limit"] = limit
    if device is not None:
        survey["device"] = device
    elif noise is not None:
        survey["leg_noise"] = {"constant": noise[0], "per_sqrt_metre": noise[1]}
    site = msgspec.convert(
        {
            "survey": survey,
            "baseline": {"from": baseline[0], "to": baseline[1]},
            "anchor": {"crs": crs, "marks": marks, **anchor},
        },
        SiteFile,
    )
    field_book = rows if isinstance(rows, FieldBook) else book(rows, unit_m)
    lines = {("anchor", "crs"): 5, ("anchor",): 4, ("anchor", "marks", "B"): 9}
    return Notes(site, "site.toml", Path("."), field_book, site_lines=lines)


def turned(local: np.ndarray, degrees: float, shift: Sequence[float] = (0, 0, 0)) -> np.ndarray:
    """Turn local coordinates, shape (n, 3), counter-clockwise and shift them."""
    cosine, sine = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    out = np.array(local, dtype=np.float64)
    out[:, 0] = cosine * local[:, 0] - sine * local[:, 1]
    out[:, 1] = sine * local[:, 0] + cosine * local[:, 1]
    return out + np.asarray(shift)


def run_rows(
    run: str,
    stops: str,
    places: dict[str, tuple[float, float, float]],
    degrees: float,
    shift: Sequence[float],
    rng: np.random.Generator | None = None,
    sigma: float = 0.0,
) -> list[Row]:
    """Walk places named by one letter in a turned frame; capitals are marks. Errors add up."""
    local = np.array([places[s] for s in stops])
    if rng is not None:
        local = local + np.cumsum(rng.normal(0, sigma, local.shape), axis=0)
    local = turned(local, degrees, shift)
    names = [s if s.isupper() else "" for s in stops]
    return [(run, name, *xyz) for name, xyz in zip(names, local, strict=True)]


def dms(degrees: float, minutes: float, seconds: float = 0.0) -> float:
    """Return decimal degrees, the sign taken from `degrees`."""
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)
