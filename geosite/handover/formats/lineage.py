"""How the data came to be, step by step, for the metadata (ISO 19115:2003, LI_ProcessStep)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from geosite.handover.wording.reference import parcel_source_words
from geosite.network.walk.device import device_of
from geosite.network.wording import device_in_words, shift_in_words
from geosite.terrain.slope import SOURCES

if TYPE_CHECKING:
    from geosite.analysis.answers import Answers
    from geosite.analysis.parcels import ParcelMap
    from geosite.fieldbook.model import Notes
    from geosite.network.model import Closure, Network
    from geosite.network.noise import Noise
    from geosite.terrain.site import Terrain

__all__ = ["lineage"]


def lineage(
    notes: Notes, network: Network, terrain: Terrain | None = None, answers: Answers | None = None
) -> tuple[str, ...]:
    """Say how the survey was measured, adjusted and placed, and how each output was made.

    Parameters
    ----------
    notes, network
        What was walked, and where it was placed.
    terrain
        The ground, where one was made.
    answers
        Whose parcel map is told, where there is one.

    Returns
    -------
    tuple of str
        One process step each: measured, adjusted, placed, surface, water, parcels.
    """
    steps = [_measured(notes), _adjusted(notes, network), _placed(notes, network)]
    if terrain is not None:
        steps += [_surface(notes, terrain, network), _water()]
    if answers is not None and answers.parcel_map is not None:
        given = notes.site.parcels
        steps.append(_parcels(answers.parcel_map, "" if given is None else given.source))
    return tuple(steps)


def _measured(notes: Notes) -> str:
    book = notes.book
    return (
        f"Measured: {len(book)} observations in {len(book.runs)} uninterrupted "
        f"run{'s' if len(book.runs) != 1 else ''} ({_listed(book.runs)}), walked with a device "
        "that gives x, y, z relative to the start of each run. " + device_in_words(device_of(notes))
    )


def _adjusted(notes: Notes, network: Network) -> str:
    ratios = [c.ratio for c in network.closures if math.isfinite(c.ratio)]
    loops, limit = len(network.closures), notes.site.survey.closure_limit
    kind = "one orientation per run, scale not estimated"
    if device_of(notes).heading > 0:
        kind = "a straying heading and a scale of each run"
    own = _own_ways(network.closures)
    noise = network.report.noise
    estimates = (None, None) if noise is None else (noise.horizontal, noise.vertical)
    factors = (network.variance_factor, network.vertical_variance_factor)
    told = [_factor(estimate, factor) for estimate, factor in zip(estimates, factors, strict=True)]
    return (
        f"Adjusted: least squares (the places that change what was measured least) over all legs "
        f"with {kind}. "
        f"{loops} loop{'s' if loops != 1 else ''} closed"
        + (f", the worst by 1:{min(ratios):.0f}" if ratios else "")
        + ("" if limit is None else f" (limit 1:{limit:g})")
        + (f", {own} independent: the others share most of their way with one" * (own < loops))
        + "; variance factor (squares of the misclosures over those to be expected, 1 is as "
        "expected; degrees of freedom count the misclosures that do not follow from others) "
        + f"{told[0]} horizontal, {told[1]} vertical."
        + ("" if network.accuracy_known else " The accuracy is not known: nothing checks this.")
    )


def _factor(noise: Noise | None, applied: float) -> str:
    """Return a variance factor as applied, beside what the misclosures say."""
    if noise is None or noise.estimate is None:
        return f"applied {applied:.2f}"
    return (
        f"estimated {noise.estimate:.2f} from {noise.freedom:.0f} degrees of freedom, applied "
        f"{applied:.2f}"
    )


def _own_ways(closures: Sequence[Closure]) -> int:
    """Return how many loops share less than half of their way with any that was counted."""
    counted: list[Closure] = []
    for one in closures:
        half = (one.last_line - one.first_line) / 2
        if all(
            one.run != other.run
            or min(one.last_line, other.last_line) - max(one.first_line, other.first_line) <= half
            for other in counted
        ):
            counted.append(one)
    return len(counted)


def _placed(notes: Notes, network: Network) -> str:
    frame = network.frame
    anchors = [
        f"{name} ({_sigma(mark.sigma)})"
        for name, mark in notes.site.anchor.marks.items()
        if not mark.check
    ]
    azimuth = notes.site.anchor.azimuth
    placed = (
        f"Placed: on {frame.crs_name} by mark{'s' if len(anchors) != 1 else ''} {_listed(anchors)}"
        + (f" and a {azimuth.reference} azimuth of {azimuth.value:g} degrees" if azimuth else "")
        + f"; combined factor {frame.combined_factor:.8f}. Elevations "
        + (f"in {frame.vertical_name}." if frame.vertical_name else "relative to a mark.")
    )
    moved = shift_in_words(network.shift)
    placed += f" {moved}" if moved else ""
    check = network.report.baseline
    if check is not None:
        placed += (
            f" {check.from_} to {check.to}: {check.measured_m:.3f} m measured, "
            f"{check.mapped_m:.3f} m on the map, both on the ground."
        )
    return placed


def _surface(notes: Notes, terrain: Terrain, network: Network) -> str:
    cell = terrain.grid.cell_size * network.frame.unit_m
    slope = SOURCES[notes.site.surface.slope_method]
    return (
        f"Surface: {len(terrain.ground.tin.points)} marks on the ground interpolated by the method "
        f"{terrain.surface.method} to cells of {cell:.4g} m, breaklines kept, nothing beyond the "
        f"marks; elevation.tif, elevation_sigma.tif. Slope after {slope}, none at the "
        "end of the ground; contours from the same raster."
    )


def _water() -> str:
    return (
        "Water: steepest descent to one of eight neighbours (D8) on the unaltered surface, "
        "depressions by the basin graph (Cordonnier, Bovy and Braun 2019, "
        "doi:10.5194/esurf-7-549-2019); it leaves at the end of the ground where no neighbour is "
        "lower or the ground falls more steeply outwards; "
        "drainage_direction.tif, contributing_area.tif, ponding_depth.tif, arrows, flow paths, "
        "ponds and catchments."
    )


def _parcels(parcels: ParcelMap, source: str) -> str:
    by = (
        f"transformed by {parcels.transformation} (accuracy {parcels.transformation_sigma_m:g} m)"
        if parcels.transformation
        else "in the CRS of the survey"
    )
    return (
        f"Parcels: {len(parcels.parcels)} polygons of a parcel map of stated accuracy "
        f"{parcels.sigma_m:g} m per axis, {by}; compared with the survey, not determined by it. "
        f"{parcel_source_words(source)}"
    )


def _listed(names: Iterable[str]) -> str:
    shown = list(names)
    return ", ".join(shown[:12]) + (f" and {len(shown) - 12} more" if len(shown) > 12 else "")


def _sigma(sigma: float | None) -> str:
    return "taken as exact" if not sigma else f"standard deviation {sigma:g} m per axis"
