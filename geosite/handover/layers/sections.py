"""The layer ``sections`` and the table ``section_stations``: the ground along a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosite.base.columns import Columns, estimate, interval, real, text
from geosite.base.estimate import Estimate
from geosite.handover.model import Form, Layer, Table
from geosite.linework.on_map import to_map_geometry

if TYPE_CHECKING:
    from geosite.analysis.sections import Profile
    from geosite.base.map_frame import Frame

__all__ = ["columns", "layer", "station_columns", "stations"]

SECTIONS = Form(
    "sections",
    "Sections",
    "Lines along which the elevation profile was taken; stations in their table.",
    "LineStringZ",
)
SECTION_STATIONS = Form(
    "section_stations", "Stations of the sections", "Distance and elevation along each section."
)


def columns() -> Columns[Profile]:
    """Return the columns of the sections."""
    return Columns(
        (
            text("section", "Name of the section.", lambda p: p.name),
            estimate("length_m", "Length on the ground.", lambda p: p.length, "m"),
            interval("rise_m", "Sum of all climbs.", lambda p: p.rise, "m"),
            interval("fall_m", "Sum of all descents.", lambda p: p.fall, "m"),
            real(
                "steepest_percent",
                "Steepest grade between stations.",
                lambda p: 100.0 * max(abs(g.value) for g in p.grade),
                "percent",
                exact="section_stations has each grade with its interval",
            ),
            real(
                "largest_sigma_m",
                "Largest standard deviation of an elevation.",
                lambda p: max((e.sigma for e in p.elevation if e.sigma is not None), default=None),
                "m",
                exact="itself an accuracy",
            ),
        )
    )


def layer(profiles: Sequence[Profile], frame: Frame) -> Layer:
    """Return the sections as lines on the ground."""
    table = columns()
    return SECTIONS.layer(
        table,
        table.records(profiles),
        [
            to_map_geometry(
                shapely.LineString(np.column_stack([p.en, [e.value for e in p.elevation]])), frame
            )
            for p in profiles
        ],
    )


@dataclass(frozen=True, eq=False, slots=True)
class Station:
    """One station of a section."""

    profile: Profile
    number: int

    @property
    def has_next(self) -> bool:
        """Another station follows."""
        return self.number + 1 < len(self.profile.chainage)

    @property
    def design_m(self) -> float | None:
        """Elevation of the design line."""
        design = self.profile.design
        return None if design is None else float(design[self.number])


def station_columns() -> Columns[Station]:
    """Return the columns of the stations."""

    def elevation(at: Station) -> Estimate:
        return at.profile.elevation[at.number]

    def grade(at: Station) -> Estimate | None:
        return at.profile.grade[at.number].scaled(100.0) if at.has_next else None

    def cut(at: Station) -> Estimate | None:
        design, ground = at.design_m, elevation(at)
        if design is None:
            return None
        low, high = ground.low - design, ground.high - design
        return Estimate(ground.value - design, low, high, ground.sigma)

    return Columns(
        (
            text("section", "Name of the section.", lambda s: s.profile.name),
            real(
                "chainage_m",
                "Distance along the section, on the ground.",
                lambda s: s.profile.chainage[s.number],
                "m",
                exact="where the station is",
            ),
            text("point", "Mark at the station.", lambda s: s.profile.labels[s.number]),
            estimate(
                "elevation_m",
                "Elevation of the ground.",
                elevation,
                "m",
            ),
            estimate("grade_percent", "Grade to the next station.", grade, "percent"),
            real(
                "design_m",
                "Elevation of the design line.",
                lambda s: s.design_m,
                "m",
                exact="given by the design",
            ),
            estimate("cut_m", "Ground above the design line; negative is fill.", cut, "m"),
        )
    )


def stations(profiles: Sequence[Profile]) -> Table:
    """Return the stations of all sections."""
    table = station_columns()
    found = [Station(p, k) for p in profiles for k in range(len(p.chainage))]
    return SECTION_STATIONS.table(table, table.records(found))
