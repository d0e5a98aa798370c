"""The layer ``marks``: every named mark once, where the adjustment puts it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geosite.base.columns import Field
from geosite.fieldbook.model import Notes
from geosite.handover.model import Layer

__all__ = ["layer"]

ROLES = {
    "baseline": "one of the two marks that every run visits",
    "inlet": "water leaves here",
    "mark": "an ordinary mark",
}
# of one visit, not of the mark
_OF_A_VISIT = ("run", "feature", "code", "local_x", "local_y", "local_z", "segment", "row", "note")


def layer(points: Layer, notes: Notes) -> Layer:
    """Return each named mark once, from the layer of all observations.

    Parameters
    ----------
    points
        Visits of one mark stand at one adjusted place in it.
    notes
        What the field book says about the marks.
    """
    baseline = (notes.site.baseline.from_, notes.site.baseline.to)
    inlets = {name for name, code in notes.site.codes.items() if code.inlet}
    visits: dict[str, list[int]] = {}
    for i, record in enumerate(points.records):
        if record.get("point"):
            visits.setdefault(record["point"], []).append(i)
    kept = tuple(field for field in points.fields if field.name not in (*_OF_A_VISIT, "point"))
    records, shapes = [], []
    for name, rows in visits.items():
        met = [points.records[i] for i in rows]
        role = "inlet" if any(record["code"] in inlets for record in met) else "mark"
        first = met[0]
        records.append(
            {
                "point": name,
                "role": "baseline" if name in baseline else role,
                "visits": len(rows),
                "runs": _listed(met, "run"),
                "features": _listed(met, "feature"),
                **{field.name: first[field.name] for field in kept},
                "note": _listed(met, "note"),
            }
        )
        shapes.append(points.geometries[rows[0]])
    fields = (
        Field("point", "text", "Name of the mark."),
        Field("role", "text", "What the mark is for.", values=ROLES),
        Field("visits", "integer", "How many times it was measured."),
        Field("runs", "text", "Uninterrupted walks that visited it."),
        Field("features", "text", "Shapes it belongs to."),
        *kept,
        Field("note", "text", "Free text of the field book."),
    )
    return Layer(
        "marks",
        "Marks",
        "Every named mark once, adjusted and placed on the map.",
        points.geometry_type,
        fields,
        records,
        shapes,
    )


def _listed(records: list[Mapping[str, Any]], field: str) -> str | None:
    """Return the different values in the order met, as one text."""
    return ", ".join(dict.fromkeys(r[field] for r in records if r[field])) or None
