"""The table ``earthworks``: cut and fill by three methods."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geosite.base.columns import Columns, estimate, real, text
from geosite.handover.layers.measures import normal
from geosite.handover.model import Form, Table
from geosite.review.earthwork import Earthwork, Volumes

__all__ = ["columns", "table"]

EARTHWORKS = Form("earthworks", "Cut and fill")


@dataclass(frozen=True, slots=True)
class ByMethod:
    """One earthwork by one method."""

    work: Earthwork
    method: str
    volumes: Volumes

    @property
    def net_m3(self) -> float:
        """Cut minus fill."""
        return self.volumes.cut_m3 - self.volumes.fill_m3


def columns(factor: float) -> Columns[ByMethod]:
    """Return the columns; intervals are `factor` sigmas to each side."""
    return Columns(
        (
            text("earthwork", "Name of the earthwork.", lambda w: w.work.name),
            text("feature", "Area it covers.", lambda w: w.work.feature),
            text("method", "How the volume was computed.", lambda w: w.method),
            real("cut_m3", "Ground above the design.", lambda w: w.volumes.cut_m3, "m3"),
            real("fill_m3", "Ground below the design.", lambda w: w.volumes.fill_m3, "m3"),
            estimate(
                "net_m3",
                "Cut minus fill.",
                lambda w: normal(w.net_m3, w.work.net_sigma_m3, factor),
                "m3",
                known_from="from the marks",
            ),
            real(
                "covered_share",
                "Share of the area that both surfaces reach.",
                lambda w: w.work.covered,
                exact="how far both surfaces reach, not an estimate",
            ),
        )
    )


def table(works: Sequence[Earthwork], factor: float) -> Table:
    """Return every earthwork by each method."""
    found = [
        ByMethod(work, method, volumes)
        for work in works
        for method, volumes in (
            ("average end area", work.average_end_area),
            ("prismoidal", work.prismoidal),
            ("grid", work.grid),
        )
    ]
    listed = columns(factor)
    return EARTHWORKS.table(listed, listed.records(found))
