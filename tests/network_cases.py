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
