"""The layer ``points``: every observation with its local and its map coordinates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
import shapely

from geosite.base.arrays import Floats
from geosite.base.columns import Columns, integer, real, text
from geosite.base.map_frame import Frame
from geosite.fieldbook.model import PIECE_KINDS, FieldBook
from geosite.handover.model import Form, Layer
from geosite.network.accuracy.on_map import half_widths, stated_sigmas
from geosite.network.model import Network

__all__ = ["Placed", "columns", "layer"]

POINTS = Form(
    "points",
    "Observations",
    "Every observation of the field book, adjusted and placed on the map.",
    "PointZ",
)

SEGMENTS = {
    "line": "straight",
    "arc": "circular arc",
    "circle": "full circle",
    "stream": "walked along, many positions",
    "gap": "not drawn",
}
CONTRACT = (
    *("run", "point", "feature", "code", "local_x", "local_y", "local_z"),
    *("easting", "northing", "elevation", "sigma_h_m", "sigma_v_m", "correction_m"),
)


@dataclass(frozen=True, eq=False)
class Placed:
    """All observations: as walked, as placed, and how well."""

    book: FieldBook
    network: Network

    def names(self, kind: Literal["run", "mark", "feature", "code"]) -> list[str | None]:
        """Name of the run, mark, feature or code of each row, ``None`` for a blank one."""
        distinct: tuple[str | None, ...] = getattr(self.book, f"{kind}s")
        named = (*distinct, None)  # -1, blank, is the last
        return [named[i] for i in getattr(self.book, kind).tolist()]

    @cached_property
    def local(self) -> Floats:
        """Local coordinates in the unit of the field book."""
        return self.book.local / self.book.unit_m

    @cached_property
    def en(self) -> Floats:
        """Easting and northing in the map CRS."""
        return self.network.frame.to_map(self.network.en)

    @cached_property
    def elevation(self) -> Floats:
        """Elevation in the unit of the vertical CRS."""
        return self.network.elevation / self.network.frame.height_unit_m

    @cached_property
    def sigma_h(self) -> Floats:
        """Standard deviation per horizontal axis, metres."""
        return stated_sigmas(self.network)[0]

    @cached_property
    def sigma_v(self) -> Floats:
        """Standard deviation of the elevation, metres."""
        return stated_sigmas(self.network)[1]

    @cached_property
    def half_widths(self) -> tuple[Floats, Floats]:
        """Half the 95 % interval per horizontal axis and of the elevation, metres."""
        return half_widths(self.network)

    @cached_property
    def correction(self) -> tuple[Floats, Floats]:
        """How far the adjustment moved each observation, in plan and up, metres."""
        network = self.network
        plan: Floats = np.hypot(*(network.en - network.raw_en).T)
        return plan, network.elevation - network.raw_elevation


def columns(frame: Frame, unit: str, codes: Mapping[str, str]) -> Columns[Placed]:
    """Return the columns; `unit` is the field book's, `codes` has their titles."""
    walked, placed = "read from the field book", "its accuracy is sigma_h_m and h_95_m"
    moved = "what the adjustment did, not an estimate"
    return Columns(
        (
            text("run", "Uninterrupted walk the observation belongs to.", lambda p: p.names("run")),
            text(
                "point", "Mark stood on; empty for an unnamed position.", lambda p: p.names("mark")
            ),
            text("feature", "Shape the observation belongs to.", lambda p: p.names("feature")),
            text("code", "Surface or feature code.", lambda p: p.names("code"), codes),
            *(
                real(
                    f"local_{axis}",
                    f"{axis} in the run's own frame, as walked.",
                    lambda p, i=i: p.local[:, i],  # type: ignore[misc]
                    unit,
                    exact=walked,
                )
                for i, axis in enumerate("xyz")
            ),
            real(
                "easting",
                "Easting in the map CRS, adjusted.",
                lambda p: p.en[:, 0],
                frame.unit_name,
                exact=placed,
            ),
            real(
                "northing",
                "Northing in the map CRS, adjusted.",
                lambda p: p.en[:, 1],
                frame.unit_name,
                exact=placed,
            ),
            real(
                "elevation",
                "Elevation, adjusted.",
                lambda p: p.elevation,
                frame.height_unit_name,
                exact="its accuracy is sigma_v_m and v_95_m",
            ),
            real(
                "sigma_h_m",
                "Standard deviation per horizontal axis.",
                lambda p: p.sigma_h,
                "m",
                exact="itself an accuracy",
            ),
            real(
                "h_95_m",
                "Half the 95 % interval per horizontal axis.",
                lambda p: p.half_widths[0],
                "m",
                exact="itself an accuracy",
            ),
            real(
                "sigma_v_m",
                "Standard deviation of the elevation.",
                lambda p: p.sigma_v,
                "m",
                exact="itself an accuracy",
            ),
            real(
                "v_95_m",
                "Half the 95 % interval of the elevation.",
                lambda p: p.half_widths[1],
                "m",
                exact="itself an accuracy",
            ),
            real(
                "correction_m",
                "Horizontal distance the adjustment moved the mark.",
                lambda p: p.correction[0],
                "m",
                exact=moved,
            ),
            real(
                "correction_up_m",
                "Elevation added by the adjustment.",
                lambda p: p.correction[1],
                "m",
                exact=moved,
            ),
            text(
                "segment",
                "How the outline reaches this mark from the previous one of the feature.",
                lambda p: [PIECE_KINDS[kind] for kind in p.book.kind.tolist()],
                SEGMENTS,
            ),
            integer("row", "Line in the field book, counted from 1.", lambda p: p.book.line),
            text("note", "Free text of the field book.", lambda p: p.book.notes),
        ),
        CONTRACT,
    )


def layer(placed: Placed, table: Columns[Placed]) -> Layer:
    """Return every observation, in walking order."""
    shapes: Any = shapely.points(np.column_stack([placed.en, placed.elevation]))
    return POINTS.layer(table, table.records_of(placed), shapes.tolist())
