"""The findings of the contours in words."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from geosite.base.errors import Finding
from geosite.base.rounding import decimals
from geosite.reading.toml_lines import line_of
from geosite.terrain.site_ground import SiteGround

__all__ = ["contour_findings", "no_contours"]


def contour_findings(interval: float, known: float, unit: str) -> tuple[Finding, ...]:
    """Return a finding where contours that were asked for are finer than the ground is known.

    Parameters
    ----------
    interval
        Contour interval, elevation units.
    known
        Usual standard deviation of an elevation against its surroundings, the same.
    unit
        Their symbol.

    Examples
    --------
    Ground known to 3 cm carries contours every 10 cm, but not every 5 cm:

    >>> contour_findings(0.10, 0.03, "m"), [one.code for one in contour_findings(0.05, 0.03, "m")]
    ((), ['contours-finer-than-known'])
    """
    if interval >= 2 * known:
        return ()
    told = f"{known:.{max(0, decimals(known))}f} {unit}"
    return (
        Finding(
            "note",
            "contours-finer-than-known",
            f"Contours every {interval:g} {unit} are finer than the ground is known: between the "
            f"marks it is good to {told} (one sigma) against its surroundings, and an interval of "
            "twice that is the least that can be relied on.",
        ),
    )


def no_contours(site: SiteGround) -> Iterable[Finding]:
    """Say that the interval that was asked for makes none, where one was asked for."""
    interval = site.notes.site.surface.contour_interval
    if interval is None or not np.isfinite(site.bare).any():
        return
    low, high = (
        end / site.frame.height_unit_m for end in (np.nanmin(site.bare), np.nanmax(site.bare))
    )
    yield Finding(
        "look",
        "contours-none",
        f"There are no contours: elevations go from {low:.2f} to {high:.2f} {site.unit}, and no "
        f"multiple of {interval:g} {site.unit} lies between. Give a smaller contour_interval, or "
        "leave it out.",
        site.notes.site_file,
        line_of(site.notes.site_lines, ("surface", "contour_interval")),
    )
