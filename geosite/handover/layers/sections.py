"""The layer ``sections`` and the table ``section_stations``: the ground along a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from geosite.base.columns import Columns, estimate, real, text
from geosite.base.estimate import Estimate
from geosite.base.map_frame import Frame
from geosite.handover.layers.measures import normal
from geosite.handover.model import Form, Layer, Table
from geosite.linework.on_map import to_map_geometry
from geosite.review.sections import Profile

__all__ = ["columns", "layer", "station_columns", "stations"]

SECTIONS = Form(
    "sections",
    "Sections",
    "Lines along which the elevation profile was taken; stations in their table.",
    "LineStringZ",
)
SECTION_STATIONS = Form("section_stations", "Stations of the sections")


def columns() -> Columns[Profile]:
    """Return the columns of the sections."""
    return Columns(
        (
            text("section", "Name of the section.", lambda p: p.name),
            real("length_m", "Length on the ground.", lambda p: p.chainage[-1], "m"),
            real("rise_m", "Sum of all climbs.", lambda p: p.rise_m, "m"),
            real("fall_m", "Sum of all descents.", lambda p: p.fall_m, "m"),
            real(
                "steepest_percent",
                "Steepest grade between stations.",
                lambda p: np.abs(p.grade_percent).max(),
                "percent",
                exact="section_stations has each grade with its interval",
            ),
            real(
                "largest_sigma_m",
                "Largest standard deviation of an elevation.",
                lambda p: p.sigma.max(),
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
            to_map_geometry(shapely.LineString(np.column_stack([p.en, p.elevation])), frame)
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


def station_columns(factor: float) -> Columns[Station]:
    """Return the columns of the stations; intervals are `factor` sigmas to each side."""

    def elevation(at: Station) -> Estimate | None:
        p, k = at.profile, at.number
        return normal(float(p.elevation[k]), float(p.sigma[k]), factor)

    def grade(at: Station) -> Estimate | None:
        if not at.has_next:
            return None
        p, k = at.profile, at.number
        return normal(float(p.grade_percent[k]), float(p.grade_sigma_percent[k]), factor)

    def cut(at: Station) -> float | None:
        design = at.design_m
        return None if design is None else float(at.profile.elevation[at.number]) - design

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
                known_from="from the marks alone",
            ),
            estimate("grade_percent", "Grade to the next station.", grade, "percent"),
            real(
                "design_m",
                "Elevation of the design line.",
                lambda s: s.design_m,
                "m",
                exact="given by the design",
            ),
            real(
                "cut_m",
                "Ground above the design line; negative is fill.",
                cut,
                "m",
                exact="elevation_m less a given number has the interval",
            ),
        )
    )


def stations(profiles: Sequence[Profile], factor: float) -> Table:
    """Return the stations of all sections."""
    table = station_columns(factor)
    found = [Station(p, k) for p in profiles for k in range(len(p.chainage))]
    return SECTION_STATIONS.table(table, table.records(found))
