"""Small surveys whose marks are given on the grid, each with its own independent noise."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from geosite.base.map_frame import Frame
from geosite.fieldbook.model import PIECE_KINDS, FieldBook, Notes
from geosite.fieldbook.sitefile import Anchor, Baseline, Code, Quantities, SiteFile, Survey
from geosite.network.independent_marks import independent_marks
from geosite.network.model import Network

# feature, code, segment, mark (or None), easting, northing, elevation
Row = tuple[str, str, str, "str | None", float, float, float]


def frame(combined_factor: float = 1.0) -> Frame:
    return Frame(
        crs_name="EPSG:25832",
        origin=(500000.0, 5200000.0),
        grid_scale_factor=combined_factor,
        combined_factor=combined_factor,
    )


def _column(values: Iterable[str | None]) -> tuple[tuple[str, ...], np.ndarray]:
    names: dict[str, int] = {}
    index = [-1 if not v else names.setdefault(v, len(names)) for v in values]
    return tuple(names), np.array(index, dtype=np.int64)


def survey(
    rows: Sequence[Row],
    codes: dict[str, Code] | None = None,
    *,
    sigma: float = 0.0,
    sigma_up: float = 0.0,
    combined_factor: float = 1.0,
    quantities: Quantities | None = None,
) -> tuple[Notes, Network]:
    """Build notes and network: every mark is a knot, independent of the others.

    Rows with the same mark name share one knot, as in an adjusted network.
    """
    n = len(rows)
    local = np.array([r[4:] for r in rows], dtype=np.float64).reshape(n, 3)
    features, feature = _column(r[0] for r in rows)
    code_names, code = _column(r[1] for r in rows)
    marks, mark = _column(r[3] for r in rows)
    words = [r[2].rstrip("0123456789") or "line" for r in rows]
    digits = [int(r[2][len(w) :] or 1) if r[2] else 1 for r, w in zip(rows, words, strict=True)]
    book = FieldBook(
        file="walk.csv",
        local=local,
        unit_m=1.0,
        runs=("R1",),
        run=np.zeros(n, dtype=np.int64),
        marks=marks,
        mark=mark,
        features=features,
        feature=feature,
        codes=code_names,
        code=code,
        kind=np.array([PIECE_KINDS.index(w) for w in words], dtype=np.int8),  # type: ignore[arg-type]
        piece=np.array(digits, dtype=np.int16),
        notes=("",) * n,
        line=np.arange(2, n + 2),
    )
    site = SiteFile(
        survey=Survey(file="walk.csv"),
        baseline=Baseline(from_="P", to="Q"),
        anchor=Anchor(crs="EPSG:25832", marks={}),
        codes=codes or {},
        quantities=quantities or Quantities(),
    )
    notes = Notes(site, "site.toml", Path("."), book)

    knots: dict[str, int] = {}
    knot = np.empty(n, dtype=np.int64)
    for i in range(n):
        name = marks[mark[i]] if mark[i] >= 0 else f"row {i}"
        knot[i] = knots.setdefault(name, len(knots))
    network = independent_marks(
        local,
        sigma_m=sigma,
        sigma_up_m=sigma_up,
        frame=frame(combined_factor),
        mark=knot,
    )
    return notes, network


def knot_of(network: Network) -> np.ndarray:
    """Return the knot of every row."""
    return np.asarray(network.plan.knot[network.plan.between.at] // 2)


def count_knots(network: Network) -> int:
    """Return how many knots there are."""
    return int(knot_of(network).max()) + 1


def moved(network: Network, shift: np.ndarray) -> Network:
    """Return the same network with every knot moved by a row of `shift`, shape (K, 3)."""
    from dataclasses import replace

    by_row = shift[knot_of(network)]
    return replace(
        network, en=network.en + by_row[:, :2], elevation=network.elevation + by_row[:, 2]
    )


def rows(
    feature: str, code: str, marks: Iterable[tuple[str, float, float] | tuple[float, ...]]
) -> list[Row]:
    """Write rows of one feature from (segment, easting, northing[, elevation[, mark]])."""
    made: list[Row] = []
    for item in marks:
        segment, easting, northing, *rest = item
        elevation = float(rest[0]) if rest else 0.0
        mark = rest[1] if len(rest) > 1 else None
        made.append((feature, code, str(segment), mark, float(easting), float(northing), elevation))
    return made
