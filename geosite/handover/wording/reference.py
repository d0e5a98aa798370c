"""What the sheets say of reference systems, north and accuracy."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from geosite.base.map_frame import Frame, map_factors
from geosite.base.statistics import NORMAL_95
from geosite.drawing.font import printable
from geosite.handover.model import Package
from geosite.handover.wording.measures import Measures, layer_of

__all__ = [
    "DRAWN_DEG",
    "MarkAccuracy",
    "accuracy_words",
    "arrow_words",
    "convergence_spread",
    "convergence_words",
    "crs_words",
    "height_words",
    "mark_accuracy",
    "parcel_source_words",
]

DRAWN_DEG = 14.0
"""Least angle between the arrows of grid and true north, degrees: a smaller one is not seen."""
_TOLD_DEG = 0.01
"""Difference of the convergence across a site from which on it is told, degrees."""

#: Radius of the circle that holds 95 % of a normal distribution in two dimensions, in sigmas.
ELLIPSE = math.sqrt(-2 * math.log(0.05))


def crs_words(wkt: str, name: str) -> str:
    """Return what a CRS calls itself in its WKT, with its short name.

    Examples
    --------
    >>> crs_words('PROJCRS["ETRS89 / UTM zone 32N",BASEGEOGCRS[...', "EPSG:25832")
    'ETRS89 / UTM zone 32N (EPSG:25832)'

    One without a code has its name once:

    >>> crs_words('PROJCRS["Harbour grid",BASEGEOGCRS[...', "Harbour grid")
    'Harbour grid'
    """
    called = re.match(r'\s*[A-Z_]+\["([^"]{1,80})"', wkt)
    if called is None or called[1] == name:
        return printable(name, 120)
    return printable(f"{called[1]} ({name})", 120)


def height_words(frame: Frame) -> str:
    """Return what elevations are relative to.

    Examples
    --------
    >>> navd88 = 'VERTCRS["NAVD88 height (ftUS)",VDATUM[...'
    >>> height_words(Frame(vertical_wkt=navd88, vertical_name="EPSG:6360"))
    'NAVD88 height (ftUS) (EPSG:6360)'
    >>> height_words(Frame())
    'relative to the first baseline mark'
    """
    if frame.vertical_name is None:
        return "relative to the first baseline mark"
    return crs_words(frame.vertical_wkt or "", frame.vertical_name)


def parcel_source_words(source: str) -> str:
    """Return whose parcel map it is, or that nobody said so.

    Examples
    --------
    >>> parcel_source_words("land registry, 2026-03-01"), parcel_source_words(" ")
    ('Parcel map: land registry, 2026-03-01.', 'Source and date of the parcel map: not stated.')
    """
    said = source.strip().rstrip(".")
    return f"Parcel map: {said}." if said else "Source and date of the parcel map: not stated."


def convergence_words(convergence: float, spread: float = 0.0) -> str:
    """Return how true and grid north lie to each other.

    Parameters
    ----------
    convergence
        Geodetic minus grid azimuth at the middle of the site, radians.
    spread
        By how much it differs across the site, radians; told from a hundredth of a degree on.

    Examples
    --------
    >>> convergence_words(0.0)
    'Arrow: grid north, which is true north here.'
    >>> "1° 30.0" in convergence_words(math.radians(1.5))
    True
    >>> "across which that differs by 0.03°" in convergence_words(0.3, math.radians(0.034))
    True
    """
    differs = math.degrees(spread)
    middle = (
        f" in the middle of the site, across which that differs by {differs:.2f}°"
        if differs > _TOLD_DEG
        else ""
    )
    angle = _true_north(convergence)
    if angle is None:
        here = middle or " here"
        return f"Arrow: grid north, which is true north{here}."
    small = ", the angle drawn larger" if abs(math.degrees(convergence)) < DRAWN_DEG else ""
    return f"Arrow: grid north. True north (dashed) is {angle} of it{middle}{small}."


def arrow_words(convergence: float) -> str:
    """Say in a line which north an arrow shows that stands alone.

    Examples
    --------
    >>> arrow_words(0.0)
    'Grid north, true north here'
    >>> arrow_words(math.radians(-1.5)).startswith("Grid north; true north 1° 30.0")
    True
    """
    angle = _true_north(convergence)
    return (
        "Grid north, true north here" if angle is None else f"Grid north; true north {angle} of it"
    )


def _true_north(convergence: float) -> str | None:
    """Return where true north lies from grid north; None where no minute tells them apart."""
    minutes = abs(math.degrees(convergence)) * 60
    if minutes < 0.5:
        return None
    # a positive convergence: azimuths from true north are larger, true north lies to the west
    side = "west" if convergence > 0 else "east"
    # rounded first: no 60 minutes
    degrees, tenths = divmod(round(10 * minutes), 600)
    return f"{degrees}° {tenths / 10:04.1f}\N{PRIME} {side}"


def convergence_spread(package: Package) -> float:
    """Return by how much the convergence differs between the corners of the site, radians."""
    import shapely

    points = layer_of(package, "points")
    if points is None or not package.frame.crs_wkt:
        return 0.0
    west, south, east, north = shapely.total_bounds(np.asarray(points.geometries, dtype=object))
    found = map_factors(
        package.frame.crs_wkt, [west, east, east, west], [south, south, north, north]
    )
    convergence = found[2]
    if not np.isfinite(convergence).all():
        return 0.0
    # near a pole it may pass the half turn
    return float(np.ptp((convergence - convergence[0] + math.pi) % (2 * math.pi)))


@dataclass(frozen=True, slots=True)
class MarkAccuracy:
    """How good the marks are at 95 %, metres: the usual mark and the worst."""

    plan_m: float
    worst_plan_m: float
    height_m: float
    worst_height_m: float


def mark_accuracy(package: Package) -> MarkAccuracy | None:
    """Return how good the marks are at 95 %, None where it is not known.

    In position by the longer semi-axis of the error ellipse. Without ellipses, a circle of 2.4477
    times the standard deviation per axis holds 95 % of the positions (normal distribution in two
    dimensions); it is wider as the marks' own intervals are, where their noise was estimated from
    few misclosures. The worst position is the one that the report's lever arm names.
    """
    layer, marks = layer_of(package, "points"), layer_of(package, "marks")
    records = layer.records if layer else []
    ellipses = [r.get("ellipse_major_m") for r in marks.records] if marks else []
    across = [major for major in ellipses if major is not None] or [
        ELLIPSE * (r.get("h_95_m") or NORMAL_95 * r["sigma_h_m"]) / NORMAL_95
        for r in records
        if r.get("sigma_h_m") is not None
    ]
    up = [
        r.get("v_95_m") or NORMAL_95 * r["sigma_v_m"]
        for r in records
        if r.get("sigma_v_m") is not None
    ]
    if not across or not up:
        return None
    worst = max([*across, _lever_arm(package) or 0.0])
    return MarkAccuracy(float(np.median(across)), worst, float(np.median(up)), max(up))


def accuracy_words(package: Package, measures: Measures) -> str:
    """Return how good the marks are at 95 %, the typical one and the worst."""
    known, length = mark_accuracy(package), measures.length
    if known is None:
        return "The accuracy of the marks is not known."
    return (
        f"At 95 % confidence the marks are right to {length(known.plan_m)} in position "
        f"(worst {length(known.worst_plan_m)}) and {length(known.height_m)} in elevation "
        f"(worst {length(known.worst_height_m)}), as the baseline marks place them"
        f"{_moved(package, measures)}. "
        f"{_to_each_other(package, measures)}{_not_modelled(package)}"
        "Every mark, area and grade has its own figure in site.gpkg."
    )


def _to_each_other(package: Package, measures: Measures) -> str:
    """Say how many neighbouring marks keep the published relative precision."""
    found = None if package.report is None else package.report.network.neighbour_precision
    if found is None or not found.pairs:
        return ""
    least = "2 cm" if measures.unit == "m" else "0.07 ft"
    return (
        f"Of {found.pairs} pairs of neighbouring marks {found.within} are placed against "
        f"each other within {least} + 50 ppm. "
    )


def _not_modelled(package: Package) -> str:
    """Say that hitting the mark is in no figure, where the device's model has no pointing."""
    table = next((table for table in package.tables if table.name == "residuals"), None)
    points = layer_of(package, "points")
    if table is None or points is None or any(r["kind"] == "visit" for r in table.records):
        return ""
    names = [r["point"] for r in points.records if r.get("point")]
    if len(set(names)) == len(names):  # a mark visited once has no residual of pointing either
        return ""
    return "How well the device was held on the marks (pointing) is in none of these figures. "


def _moved(package: Package, measures: Measures) -> str:
    """Say how much of that a transformation makes, which moves all marks alike."""
    anchor = None if package.report is None else package.report.network.anchor
    if anchor is None or anchor.transformation is None:
        return ""
    if not anchor.shift_known:
        return (
            "; the transformation that these came through is of unknown accuracy and is not in it"
        )
    parts = [
        f"{measures.length(sigma)} (one sigma) in {what}"
        for sigma, what in (
            (anchor.shift_sigma_m, "position"),
            (anchor.shift_sigma_up_m, "elevation"),
        )
        if sigma > 0
    ]
    if not parts:
        return ""
    return (
        f"; of that {' and '.join(parts)} is the transformation these came through, which moves "
        "all alike and is in no distance, area or grade"
    )


def _lever_arm(package: Package) -> float | None:
    """Return the error at 95 % of the least certain place, where the report knows it."""
    arm = None if package.report is None else package.report.network.lever_arm
    return None if arm is None else arm.error_95_m
