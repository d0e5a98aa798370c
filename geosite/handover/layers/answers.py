"""Layers and tables of the answers: grades, sections, earthworks, parcels."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from geosite.base.map_frame import Frame
from geosite.handover.model import Field, Layer, Table
from geosite.linework.on_map import to_map_geometry
from geosite.review.answers import Answers
from geosite.review.distances import (
    DISTANCE_COLUMNS,
    EDGE_COLUMNS,
    Angle,
    distance_records,
)
from geosite.review.grades import Grade
from geosite.review.limits import CAUTION
from geosite.review.parcels import BOUNDARY_CAUTION, Clearance, ParcelMap, Share
from geosite.review.quantities import (
    QUANTITY_COLUMNS,
    SHARED_EDGE_COLUMNS,
    TakeOff,
    quantity_records,
    shared_edge_records,
)
from geosite.review.sections import Profile

__all__ = ["answer_layers", "answer_tables"]

VERDICTS = {
    "within": "within the limit at 95 %",
    "beyond": "beyond the limit at 95 %",
    "undecided": "the 95 % interval holds the limit",
    "no limit": "the limit set has none for this",
}
CLEARANCES = {
    "clear": "clear of the line at 95 %",
    "crosses": "reaches over the line at 95 %",
    "cannot tell": "the 95 % interval holds the line",
}


def answer_layers(answers: Answers, frame: Frame) -> tuple[Layer, ...]:
    """Return a layer for every question that was asked."""
    found = []
    if answers.take_off.outlines:
        found.append(_snapped(answers.take_off, frame))
    if answers.grades:
        found.append(_grades(answers.grades, frame))
    if answers.profiles:
        found.append(_sections(answers.profiles, frame))
    if answers.parcel_map is not None:
        found.append(_parcels(answers.parcel_map, answers.shares, frame))
        if answers.clearances:
            found.append(_clearances(answers.clearances, frame))
    return tuple(found)


def answer_tables(answers: Answers) -> tuple[Table, ...]:
    """Return the take-off, and a table for every question whose answer is a list."""
    taken = answers.take_off
    columns = tuple(Field(*column[:3], unit=column[3]) for column in QUANTITY_COLUMNS)
    records = quantity_records([*taken.features, *taken.codes])
    found = [Table("quantities", "Quantities", columns, records)]
    if answers.edges:
        columns = tuple(Field(*column[:3], unit=column[3]) for column in EDGE_COLUMNS)
        found.append(Table("edges", "Edges and corners", columns, answers.edges))
    if answers.distances:
        columns = tuple(Field(*column[:3], unit=column[3]) for column in DISTANCE_COLUMNS)
        records = distance_records(answers.distances)
        found.append(Table("distances", "Distances between marks", columns, records))
    if answers.angles:
        found.append(_angles(answers.angles))
    if taken.edges:
        columns = tuple(Field(*column[:3], unit=column[3]) for column in SHARED_EDGE_COLUMNS)
        found.append(
            Table("shared_edges", "Shared edges", columns, shared_edge_records(taken.edges))
        )
    if answers.profiles:
        found.append(_stations(answers.profiles))
    if answers.earthworks:
        found.append(_earthworks(answers))
    if answers.shares:
        found.append(_shares(answers.shares))
    return tuple(found)


def _angles(angles: tuple[Angle, ...]) -> Table:
    records = [
        {
            "at_point": a.at,
            "from_point": a.start,
            "to_point": a.end,
            "angle_deg": math.degrees(a.value.value),
            "angle_sigma_deg": math.degrees(a.value.sigma),
        }
        for a in angles
    ]
    fields = (
        Field("at_point", "text", "Mark the angle is at."),
        Field("from_point", "text", "Mark in the first direction."),
        Field("to_point", "text", "Mark in the second direction."),
        Field("angle_deg", "real", "Clockwise from the first direction to the second.", "deg"),
        Field("angle_sigma_deg", "real", "Its standard deviation.", "deg"),
    )
    return Table("angles", "Angles at marks", fields, records)


def _snapped(taken: TakeOff, frame: Frame) -> Layer:
    changes = {q.feature: q for q in taken.features}
    records = [
        {
            "feature": name,
            "code": changes[name].code or None,
            "area_m2": outline.area / frame.combined_factor**2,
            "area_change_m2": changes[name].area_change_m2,
        }
        for name, outline in taken.outlines.items()
    ]
    fields = (
        Field("feature", "text", "Name in the field book."),
        Field("code", "text", "Surface code."),
        Field("area_m2", "real", "Area on the ground after snapping.", "m2"),
        Field("area_change_m2", "real", "What snapping changed in the measured area.", "m2"),
    )
    shapes = [to_map_geometry(outline, frame) for outline in taken.outlines.values()]
    description = "Areas whose shared edges were made one; the layer areas keeps what was measured."
    return Layer(
        "areas_snapped", "Areas, edges shared", description, "Polygon", fields, records, shapes
    )


def _grades(grades: tuple[Grade, ...], frame: Frame) -> Layer:
    records = [
        {
            "line": g.line,
            "check_of": g.check,
            "from_point": g.start,
            "to_point": g.end,
            "from_m": g.start_m,
            "to_m": g.end_m,
            "value": g.value,
            "sigma": g.sigma,
            "unit": g.unit,
            "limit_value": g.limit,
            "limits": g.limits,
            "section": g.section or None,
            "verdict": g.verdict,
            "extra_observations": g.extra_observations,
        }
        for g in grades
    ]
    fields = (
        Field("line", "text", "Name of the checked line."),
        Field("check_of", "text", "What is held against the limit."),
        Field("from_point", "text", "Mark or station the stretch starts at."),
        Field("to_point", "text", "Mark or station the stretch ends at."),
        Field("from_m", "real", "Distance along the line, on the ground.", "m"),
        Field("to_m", "real", "Distance along the line, on the ground.", "m"),
        Field("value", "real", "Measured value, rise positive along the line or to its left."),
        Field("sigma", "real", "Standard deviation of the value."),
        Field("unit", "text", "Unit of value, sigma and limit."),
        Field("limit_value", "real", "The limit."),
        Field("limits", "text", "Limit set."),
        Field("section", "text", "Section of the standard."),
        Field("verdict", "text", "At 95 %.", values=VERDICTS),
        Field(
            "extra_observations",
            "integer",
            "More measurements of the same stretch that would decide; empty: no reasonable number.",
        ),
    )
    shapes = [to_map_geometry(shapely.LineString(g.line_en), frame) for g in grades]
    description = f"Grades along and across lines, held against limits. {CAUTION}"
    return Layer("grades", "Grades", description, "LineStringZ", fields, records, shapes)


def _sections(profiles: tuple[Profile, ...], frame: Frame) -> Layer:
    records = [
        {
            "section": p.name,
            "length_m": float(p.chainage[-1]),
            "rise_m": p.rise_m,
            "fall_m": p.fall_m,
            "steepest_percent": float(np.abs(p.grade_percent).max()),
            "largest_sigma_m": float(p.sigma.max()),
        }
        for p in profiles
    ]
    fields = (
        Field("section", "text", "Name of the section."),
        Field("length_m", "real", "Length on the ground.", "m"),
        Field("rise_m", "real", "Sum of all climbs.", "m"),
        Field("fall_m", "real", "Sum of all descents.", "m"),
        Field("steepest_percent", "real", "Steepest grade between stations.", "percent"),
        Field("largest_sigma_m", "real", "Largest standard deviation of an elevation.", "m"),
    )
    shapes = [
        to_map_geometry(shapely.LineString(np.column_stack([p.en, p.elevation])), frame)
        for p in profiles
    ]
    description = "Lines along which the elevation profile was taken; stations in their table."
    return Layer("sections", "Sections", description, "LineStringZ", fields, records, shapes)


def _stations(profiles: tuple[Profile, ...]) -> Table:
    records: list[dict[str, Any]] = []
    for p in profiles:
        for k in range(len(p.chainage)):
            last = k == len(p.chainage) - 1
            design = None if p.design is None else float(p.design[k])
            records.append(
                {
                    "section": p.name,
                    "chainage_m": float(p.chainage[k]),
                    "point": p.labels[k] or None,
                    "elevation_m": float(p.elevation[k]),
                    "sigma_m": float(p.sigma[k]),
                    "grade_percent": None if last else float(p.grade_percent[k]),
                    "grade_sigma_percent": None if last else float(p.grade_sigma_percent[k]),
                    "design_m": design,
                    "cut_m": None if design is None else float(p.elevation[k]) - design,
                }
            )
    fields = (
        Field("section", "text", "Name of the section."),
        Field("chainage_m", "real", "Distance along the section, on the ground.", "m"),
        Field("point", "text", "Mark at the station."),
        Field("elevation_m", "real", "Elevation of the ground.", "m"),
        Field("sigma_m", "real", "Its standard deviation, from the marks alone.", "m"),
        Field("grade_percent", "real", "Grade to the next station.", "percent"),
        Field("grade_sigma_percent", "real", "Its standard deviation.", "percent"),
        Field("design_m", "real", "Elevation of the design line.", "m"),
        Field("cut_m", "real", "Ground above the design line; negative is fill.", "m"),
    )
    return Table("section_stations", "Stations of the sections", fields, records)


def _earthworks(answers: Answers) -> Table:
    records = [
        {
            "earthwork": w.name,
            "feature": w.feature,
            "method": method,
            "cut_m3": v.cut_m3,
            "fill_m3": v.fill_m3,
            "net_m3": v.cut_m3 - v.fill_m3,
            "net_sigma_m3": w.net_sigma_m3,
            "covered_share": w.covered,
        }
        for w in answers.earthworks
        for method, v in (
            ("average end area", w.average_end_area),
            ("prismoidal", w.prismoidal),
            ("grid", w.grid),
        )
    ]
    fields = (
        Field("earthwork", "text", "Name of the earthwork."),
        Field("feature", "text", "Area it covers."),
        Field("method", "text", "How the volume was computed."),
        Field("cut_m3", "real", "Ground above the design.", "m3"),
        Field("fill_m3", "real", "Ground below the design.", "m3"),
        Field("net_m3", "real", "Cut minus fill.", "m3"),
        Field("net_sigma_m3", "real", "Standard deviation of the net volume.", "m3"),
        Field("covered_share", "real", "Share of the area that both surfaces reach."),
    )
    return Table("earthworks", "Cut and fill", fields, records)


def _parcels(parcel_map: ParcelMap, shares: tuple[Share, ...], frame: Frame) -> Layer:
    covered: dict[str, float] = {}
    for share in shares:
        if not share.nested:
            covered[share.parcel] = covered.get(share.parcel, 0.0) + share.area_m2
    squared = frame.combined_factor**2
    records = [
        {
            "parcel": p.name,
            "area_m2": p.geometry.area / squared,
            "feature_area_m2": covered.get(p.name, 0.0),
            "map_sigma_m": parcel_map.sigma_m,
            "transformation": parcel_map.transformation or None,
            "transformation_sigma_m": parcel_map.transformation_sigma_m,
        }
        for p in parcel_map.parcels
    ]
    fields = (
        Field("parcel", "text", "Name in the parcel map."),
        Field("area_m2", "real", "Area in the parcel map, as on the ground.", "m2"),
        Field(
            "feature_area_m2", "real", "Ground that features in it cover, nested ones once.", "m2"
        ),
        Field("map_sigma_m", "real", "Stated accuracy of the parcel map.", "m"),
        Field("transformation", "text", "Coordinate operation from the parcel map's CRS."),
        Field("transformation_sigma_m", "real", "Stated accuracy of that operation.", "m"),
    )
    shapes = [shapely.multipolygons(_polygons(p.geometry)) for p in parcel_map.parcels]
    placed = [to_map_geometry(s, frame) for s in shapes]
    description = f"The parcel map on the survey's CRS. {BOUNDARY_CAUTION}"
    return Layer("parcels", "Parcels", description, "MultiPolygon", fields, records, placed)


def _polygons(shape: Any) -> list[Any]:
    return [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]


def _clearances(clearances: tuple[Clearance, ...], frame: Frame) -> Layer:
    records = [
        {
            "feature": c.feature,
            "code": c.code or None,
            "parcel": c.parcel,
            "distance_m": c.distance_m,
            "sigma_m": c.sigma_m,
            "verdict": c.verdict,
            "words": c.words,
        }
        for c in clearances
    ]
    fields = (
        Field("feature", "text", "Name in the field book."),
        Field("code", "text", "Feature code."),
        Field("parcel", "text", "Parcel that holds most of the feature."),
        Field("distance_m", "real", "To the parcel's line; negative: over it.", "m"),
        Field("sigma_m", "real", "Survey, parcel map and transformation combined.", "m"),
        Field("verdict", "text", "At 95 %.", values=CLEARANCES),
        Field("words", "text", "The same as a sentence."),
    )
    shapes = [to_map_geometry(shapely.LineString(c.line), frame) for c in clearances]
    description = f"Nearest approach of features to parcel lines. {BOUNDARY_CAUTION}"
    return Layer(
        "parcel_clearances", "Clearances", description, "LineString", fields, records, shapes
    )


def _shares(shares: tuple[Share, ...]) -> Table:
    records = [
        {
            "feature": s.feature,
            "code": s.code or None,
            "parcel": s.parcel,
            "area_m2": s.area_m2,
            "area_sigma_m2": s.area_sigma_m2,
            "share_of_feature": s.share_of_feature,
            "share_of_parcel": s.share_of_parcel,
        }
        for s in shares
    ]
    fields = (
        Field("feature", "text", "Name in the field book."),
        Field("code", "text", "Surface code."),
        Field("parcel", "text", "Name in the parcel map."),
        Field("area_m2", "real", "Area of the feature in the parcel, on the ground.", "m2"),
        Field("area_sigma_m2", "real", "Standard deviation, parcel map included.", "m2"),
        Field("share_of_feature", "real", "Of the feature's area."),
        Field("share_of_parcel", "real", "Of the parcel's area: the coverage ratio."),
    )
    return Table("parcel_shares", "Areas per parcel", fields, records)
