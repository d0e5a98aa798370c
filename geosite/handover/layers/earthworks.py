"""The table ``earthworks``: cut and fill, exactly and by the methods to check it with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geosite.base.columns import Columns, estimate, interval, real, text
from geosite.handover.model import Form, Table

if TYPE_CHECKING:
    from geosite.analysis.volumes.earthwork import Earthwork, Volumes

__all__ = ["ByMethod", "by_method", "columns", "table"]

EARTHWORKS = Form(
    "earthworks", "Cut and fill", "Of every earthwork, by each method that was asked for."
)


@dataclass(frozen=True, slots=True)
class ByMethod:
    """One earthwork by one method; the errors are what the method adds to the exact volume."""

    work: Earthwork
    method: str
    volumes: Volumes
    cut_error_m3: float
    fill_error_m3: float


def by_method(work: Earthwork) -> tuple[ByMethod, ...]:
    """Return an earthwork as many times as it was computed, the exact volume first."""
    return (
        ByMethod(work, "exact", work.exact, 0.0, 0.0),
        *(ByMethod(work, m.name, m.volumes, m.cut_error_m3, m.fill_error_m3) for m in work.methods),
    )


def columns() -> Columns[ByMethod]:
    """Return the columns."""
    added = "the difference to the exact volume, computed, not measured"
    return Columns(
        (
            text("earthwork", "Name of the earthwork.", lambda w: w.work.name),
            text("feature", "Area it covers.", lambda w: w.work.feature),
            text("method", "How the volume was computed.", lambda w: w.method),
            interval("cut_m3", "Ground above the design.", lambda w: w.volumes.cut, "m3"),
            interval("fill_m3", "Ground below the design.", lambda w: w.volumes.fill, "m3"),
            estimate("net_m3", "Cut minus fill.", lambda w: w.volumes.net, "m3"),
            real(
                "cut_error_m3",
                "What the method adds to the exact cut.",
                lambda w: w.cut_error_m3,
                "m3",
                exact=added,
            ),
            real(
                "fill_error_m3",
                "What the method adds to the exact fill.",
                lambda w: w.fill_error_m3,
                "m3",
                exact=added,
            ),
            real(
                "covered_share",
                "Share of the area that both surfaces reach.",
                lambda w: w.work.covered,
                exact="how far both surfaces reach, not an estimate",
            ),
        )
    )


def table(works: Sequence[Earthwork]) -> Table:
    """Return every earthwork by each method."""
    listed = columns()
    found = [way for work in works for way in by_method(work)]
    return EARTHWORKS.table(listed, listed.records(found))
