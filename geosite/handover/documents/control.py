"""The given control on paper: what the survey hangs on, as it was stated."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from geosite.base.rounding import grouped
from geosite.base.units import plural
from geosite.drawing.document import Block, Column, Heading, Paragraph, Table
from geosite.handover.model import Package
from geosite.handover.wording.measures import Measures
from geosite.handover.wording.reference import accuracy_words

__all__ = ["accuracy_blocks", "control_blocks"]

Record = Mapping[str, Any]


def control_blocks(package: Package, measures: Measures) -> list[Block]:
    r"""Return the marks that the survey was placed by or compared with; nothing without any.

    Parameters
    ----------
    package
        With the table ``control``.
    measures
        Unit of the accuracies; coordinates stay in the map's.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.handover.model import Table as Found
    >>> row = {"mark": "B1", "use": "anchor", "easting": 512310.0, "northing": 5276100.0}
    >>> found = Found("control", "", (), [row | {"crs": "EPSG:25832", "sigma_m": 0.015}])
    >>> *_, table = control_blocks(Package("Yard", "", Frame(), tables=(found,)), Measures("m"))
    >>> [cell.replace("\u202f", " ") for cell in table.rows[0]][:6]
    ['B1', 'places it', '512 310.000', '5 276 100.000', '', '0.015']
    """
    records = next((t.records for t in package.tables if t.name == "control"), ())
    if not records:
        return []
    frame, unit = package.frame, measures.unit
    rows = tuple(
        (
            str(r.get("mark") or ""),
            "check only" if r.get("use") == "check" else "places it",
            _number(r, "easting", "latitude"),
            _number(r, "northing", "longitude"),
            _number(r, "elevation", "ellipsoidal_height_m"),
            _sigma(r, "sigma_m", measures),
            _of_height(r, measures),
            ", ".join(dict.fromkeys(x for x in (r.get("crs"), r.get("vertical_crs")) if x)),
            str(r.get("source") or "not stated"),
        )
        for r in records
    )
    columns = (
        Column("mark", 0.45),
        Column("use", 0.65),
        Column("easting or\nlatitude", 0.9, "end"),
        Column("northing or\nlongitude", 1.0, "end"),
        Column("elevation", 0.7, "end"),
        Column(f"sigma per\naxis, {unit}", 0.6, "end"),
        Column(f"sigma of\nheight, {unit}", 0.6, "end"),
        Column("reference systems", 1.1),
        Column("source", 1.1),
    )
    words = (
        "As stated in the site file, before any adjustment: coordinates in "
        f"{plural(frame.unit_name)}, elevations in {plural(frame.height_unit_name)}. Nobody "
        "checked them here but by the walk itself."
    )
    anchor = None if package.report is None else package.report.network.anchor
    if anchor is not None and anchor.grid_azimuth_deg is not None:
        words += f" Baseline at {anchor.grid_azimuth_deg:.4f} degrees from grid north, as stated."
    return [Heading("Given control", 2), Paragraph(words), Table(columns, rows)]


def accuracy_blocks(package: Package, unit: Literal["m", "ft"]) -> list[Block]:
    """Return how good the survey is and what it hangs on, for the sheets; nothing without control.

    Parameters
    ----------
    package
    unit
        Of the accuracies.
    """
    measures = Measures(unit)
    control = control_blocks(package, measures)
    if not control:
        return []
    return [Heading("Accuracy"), Paragraph(accuracy_words(package, measures)), *control]


def _number(record: Record, on_map: str, other: str) -> str:
    value = record.get(on_map)
    if value is not None:
        return grouped(float(value), 3)
    degrees = record.get(other)
    if degrees is None:
        return ""
    return grouped(float(degrees), 3) if other.endswith("_m") else f"{float(degrees):.8f}"


def _of_height(record: Record, measures: Measures) -> str:
    if record.get("elevation") is None and record.get("ellipsoidal_height_m") is None:
        return ""
    own = _sigma(record, "sigma_elevation_m", measures)
    return own or _sigma(record, "sigma_m", measures)


def _sigma(record: Record, name: str, measures: Measures) -> str:
    value = record.get(name)
    if value is not None:
        return measures.fine(float(value))
    return "exact" if name == "sigma_m" else ""
