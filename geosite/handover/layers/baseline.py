"""The layer ``baseline``: the line between the two marks that every run visits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from geosite.analysis.distances import Distance, distance
from geosite.base.arrays import Floats
from geosite.base.columns import Columns, estimate, real, text
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame, map_factors
from geosite.fieldbook.model import Notes
from geosite.handover.layers.measures import GRID, degrees, ground
from geosite.handover.model import Form, Layer
from geosite.network.model import Network

__all__ = ["columns", "layer"]

BASELINE = Form(
    "baseline",
    "Baseline",
    "Line between the two marks that every run visits and that place it on the map.",
    "LineStringZ",
)


@dataclass(frozen=True, eq=False)
class Baseline:
    """The baseline as it was placed, and what was walked against what the map says.

    Parameters
    ----------
    placed
        Between the two marks on the map.
    frame
        The map.
    measured_m, mapped_m
        Length as walked and between the given positions, on the ground; the second ``None`` where
        only one mark was given.
    difference_ppm, difference_m
        Measured minus mapped, per million of mapped and in metres.
    convergence
        Geodetic minus grid azimuth at the first mark, radians. That in the middle of the survey is
        another: by 0.1 degrees where the mark lies 2.5 km east or west of it at 78 degrees north.
    """

    placed: Distance
    frame: Frame
    measured_m: float
    mapped_m: float | None
    difference_ppm: Estimate | None
    difference_m: Estimate | None
    convergence: float


def columns() -> Columns[Baseline]:
    """Return the columns."""
    return Columns(
        (
            text("from_point", "First baseline mark.", lambda b: b.placed.start),
            text("to_point", "Second baseline mark.", lambda b: b.placed.end),
            estimate(
                "length_m",
                "Length between the placed marks, on the ground.",
                lambda b: ground(b.placed.horizontal),
                "m",
            ),
            real(
                "length_grid_m",
                "Length between the placed marks, on the map grid.",
                lambda b: b.placed.horizontal.grid,
                "m",
                exact=GRID,
            ),
            real(
                "measured_m",
                "Length as walked, from all runs, on the ground.",
                lambda b: b.measured_m,
                "m",
                exact="difference_m has the interval of both",
            ),
            real(
                "mapped_m",
                "Length between the given positions, on the ground.",
                lambda b: b.mapped_m,
                "m",
                exact="difference_m has the interval of both",
            ),
            estimate(
                "difference_ppm",
                "Measured minus mapped, per million of mapped.",
                lambda b: b.difference_ppm,
                "ppm",
            ),
            estimate("difference_m", "Measured minus mapped.", lambda b: b.difference_m, "m"),
            estimate(
                "azimuth_grid_deg",
                "Direction clockwise from grid north.",
                lambda b: degrees(b.placed.azimuth),
                "deg",
            ),
            real(
                "azimuth_true_deg",
                "Direction clockwise from true north at the first mark.",
                lambda b: math.degrees(b.placed.azimuth.value + b.convergence) % 360.0,
                "deg",
                exact="that of azimuth_grid_deg, turned by the convergence",
            ),
            estimate(
                "rise_m", "Second mark above the first.", lambda b: ground(b.placed.rise), "m"
            ),
            real(
                "combined_factor",
                "Grid length divided by ground length.",
                lambda b: b.frame.combined_factor,
                exact="computed from the map's CRS",
            ),
        )
    )


def layer(notes: Notes, network: Network) -> Layer:
    """Return the baseline, with its measured and its mapped length."""
    book, frame = notes.book, network.frame
    names = (notes.site.baseline.from_, notes.site.baseline.to)
    rows = [int(np.flatnonzero(book.mark == book.marks.index(name))[0]) for name in names]
    ends: Floats = np.column_stack(
        [frame.to_map(network.en), network.elevation / frame.height_unit_m]
    )
    table = columns()
    return BASELINE.layer(
        table, table.records([_baseline(notes, network, names)]), (shapely.linestrings(ends[rows]),)
    )


def _baseline(notes: Notes, network: Network, names: tuple[str, str]) -> Baseline:
    placed = distance(notes.book, network, *names)
    check = network.report.baseline
    convergence = _convergence_at(notes, network, names[0])
    if check is None or (check.from_, check.to) != names:
        length = placed.horizontal.value
        return Baseline(placed, network.frame, length, None, None, None, convergence)
    measured, mapped, factor = check.measured_m, check.mapped_m, network.interval_factor
    sigma = check.sigma_m
    return Baseline(
        placed,
        network.frame,
        measured,
        mapped,
        Estimate.normal(check.ppm, 1e6 * sigma / mapped, factor),
        Estimate.normal(measured - mapped, sigma, factor),
        convergence,
    )


def _convergence_at(notes: Notes, network: Network, name: str) -> float:
    frame, book = network.frame, notes.book
    row = int(np.flatnonzero(book.mark == book.marks.index(name))[0])
    there = float(map_factors(frame.crs_wkt, *frame.to_map(network.en[row]).tolist())[2][0])
    return there if math.isfinite(there) else frame.convergence
