"""Small surveys whose marks are given on the grid, each with its own independent noise."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from geosite.base.map_frame import Frame
from geosite.fieldbook.model import PIECE_KINDS, FieldBook, Notes
from geosite.fieldbook.sitefile import Anchor, Baseline, Code, Quantities, SiteFile, Survey
from geosite.network.model import Network
from geosite.network.normal import Equations, Posterior, Term
from geosite.network.rows import Between, HeightRows, PlanRows

# feature, code, segment, mark (or None), easting, northing, elevation
Row = tuple[str, str, str, "str | None", float, float, float]


def frame(combined_factor: float = 1.0) -> Frame:
    return Frame(
        crs_wkt="",
        crs_name="EPSG:25832",
        vertical_wkt=None,
        vertical_name=None,
        unit_m=1.0,
        height_unit_m=1.0,
        unit_name="metre",
        height_unit_name="metre",
        origin=(500000.0, 5200000.0),
        grid_scale_factor=combined_factor,
        elevation_factor=1.0,
        combined_factor=combined_factor,
        convergence=0.0,
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
    plan, heights = known_rows(knot, sigma, sigma_up)
    network = Network(
        frame=frame(combined_factor),
        en=local[:, :2].copy(),
        elevation=local[:, 2].copy(),
        raw_en=local[:, :2].copy(),
        raw_elevation=local[:, 2].copy(),
        orientation=np.zeros(1),
        scale=np.zeros(1),
        plan=plan,
        heights=heights,
        variance_factor=1.0,
        vertical_variance_factor=1.0,
        closures=(),
    )
    return notes, network


def known_rows(knot: np.ndarray, sigma: float, sigma_up: float) -> tuple[PlanRows, HeightRows]:
    """Return rows that stand on knots, every knot with an error of its own."""
    n, k = len(knot), int(knot.max(initial=-1)) + 1
    every, none, nothing = np.arange(n), np.full(n, -1), np.zeros(n)
    between = Between(every, np.zeros(n, dtype=np.int64), every, every, none, none, every * 0)
    turn = 2 * k
    plan = PlanRows(
        between=between,
        posterior=posterior(np.append(np.full(2 * k, sigma**2), [0.0, 0.0])),
        knot=2 * knot,
        path=2 * knot,
        heading=np.full(n, turn),
        orientation=np.array([turn]),
        scale=np.array([turn + 1]),
        reach=nothing.astype(complex),
        carried=nothing.astype(complex),
        gain=np.zeros((n, 3, 3)),
        leg_reach=np.zeros(0, dtype=complex),
        leg_carried=np.zeros(0, dtype=complex),
        leg_gain=np.zeros((0, 3, 3)),
        weight=np.zeros((0, 3, 3)),
        pointing=0.0,
        legs=no_legs(7, 3),
        visits=None,
    )
    heights = HeightRows(
        between=between,
        posterior=posterior(np.append(np.full(k, sigma_up**2), np.zeros(3))),
        knot=knot,
        path=knot,
        drift=np.tile(np.arange(k, k + 3), (n, 1)),
        coupling=np.zeros((n, 3)),
        variance=nothing,
        leg_coupling=np.zeros((0, 3)),
        leg_variance=np.zeros(0),
        pointing=0.0,
        legs=no_legs(5, 1),
        visits=None,
    )
    return plan, heights


def no_legs(unknowns: int, axes: int) -> Term:
    """Return the long legs of a survey that has none."""
    unknown = np.zeros((0, unknowns), dtype=np.int64)
    jacobian, weight = np.zeros((0, axes, unknowns)), np.zeros((0, axes, axes))
    return Term(unknown, jacobian, weight, np.zeros((0, axes)))


def knot_of(network: Network) -> np.ndarray:
    """Return the knot of every row."""
    return np.asarray(network.plan.knot[network.plan.between.at] // 2)


def count_knots(network: Network) -> int:
    """Return how many knots there are."""
    return int(knot_of(network).max()) + 1


def posterior(variance: np.ndarray) -> Posterior:
    """Return the covariance of independent unknowns."""
    free = np.flatnonzero(variance)
    return Posterior(Equations(np.diag(1.0 / np.where(variance > 0, variance, 1.0)), free))


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
