"""Processes that answer one question about a site: quantities, grades, sections, parcels.

Each runs the same straight line as ``build-site`` and hands over only what was asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from geosite.processes.build_site import SITE
from geosite.processes.model import Context, Output, Process

__all__ = ["DISTANCES", "EARTHWORKS", "GRADES", "PARCELS", "QUANTITIES", "SECTIONS"]

GEOPACKAGE = "application/geopackage+sqlite3"
EXAMPLE = {"site": "sample_data/ferry_landing/site.toml"}


def _answering(
    question: str, table: str, outputs: tuple[Output, ...]
) -> Callable[[Mapping[str, Any], Context], Mapping[str, Any]]:
    """Return the run that writes the layers and tables of certain names, or says none was asked."""

    def run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
        from geosite.base.errors import InputError, Problem
        from geosite.build import build
        from geosite.fieldbook.read import read_survey
        from geosite.handover.formats.geopackage import write_geopackage
        from geosite.handover.formats.tables import write_csv
        from geosite.handover.report_model.serialise import plain
        from geosite.handover.wording.answers import answer_lines, findings_about

        context.progress(0.05, "reading the field book")
        notes = read_survey(Path(inputs["site"]))
        context.progress(0.2, "adjusting, drawing and laying the ground")
        package = build(notes)
        context.progress(0.8, "writing the answer")
        layers = {layer.name: layer for layer in package.layers}
        tables = {table.name: table for table in package.tables}
        if not any(output.id in layers or output.id in tables for output in outputs):
            raise InputError(
                Problem(
                    "nothing-asked",
                    f"the site file asks for no {question}",
                    f"a table {table}",
                    f"add {table} to the site file",
                    notes.site_file,
                )
            )
        for output in outputs:
            path = context.out / f"{output.id}.{output.extension}"
            if output.id in layers:
                alone = replace(package, layers=(layers[output.id],), tables=(), rasters=())
                write_geopackage(path, alone)
            elif output.id in tables:
                found = tables[output.id]
                write_csv(path, [field.name for field in found.fields], found.records)
        context.progress(1.0, "done")
        told = getattr(package.report, question, None)  # quantities are a table only
        answer: Mapping[str, Any] = plain(
            {
                question: told,
                "told": answer_lines(question, package),
                "findings": findings_about(question, package),
            }
        )
        return answer

    return run


def _csv(name: str, title: str, description: str) -> Output:
    return Output(name, title, description, "text/csv", "csv", always=False)


def _layer(name: str, title: str, description: str) -> Output:
    return Output(name, title, description, GEOPACKAGE, "gpkg", always=False)


def _process(
    name: str,
    question: str,
    table: str,
    title: str,
    description: str,
    keywords: tuple[str, ...],
    outputs: tuple[Output, ...],
    example: Mapping[str, Any] = EXAMPLE,
) -> Process:
    return Process(
        id=name,
        version="1.0.0",
        title=title,
        description=description,
        keywords=keywords,
        inputs=(SITE,),
        outputs=outputs,
        run=_answering(question, table, outputs),
        example=example,
    )


QUANTITIES = _process(
    "measure-quantities",
    "areas",
    "[codes.NAME]",
    "Take-off of a walked survey",
    "Gross and net area, perimeter, length, volume and material of every feature and code, each "
    "with its standard deviation, in metres and feet.",
    ("quantities", "area", "volume"),
    (_csv("quantities", "Quantities", "One row per feature, then one per code."),),
)

DISTANCES = _process(
    "measure-distances",
    "distances",
    "[distances]",
    "Distances, angles and edges of a walked survey",
    "Horizontal, slope, ground and grid distance, azimuth, rise and grade between marks, angles at "
    "marks, and every edge and corner of every feature with the radius and sagitta of its arcs; "
    "each with its standard deviation.",
    ("distance", "azimuth", "angle", "radius"),
    (
        _csv("distances", "Distances", "One row per pair of marks."),
        _csv("angles", "Angles", "One row per angle."),
        _csv("edges", "Edges", "One row per edge of a feature."),
    ),
)

GRADES = _process(
    "check-grades",
    "grades",
    "[grades.lines.NAME]",
    "Grades along and across lines against limits",
    "Running slope, cross slope, rise per run and landings of the lines that the site file names, "
    "held against limit sets. A verdict is given only where the accuracy allows one. No "
    "certificate of accessibility: local codes and licensed professionals decide.",
    ("grade", "cross slope", "accessibility"),
    (_layer("grades", "Grades", "One line per check, with verdict and section."),),
)

SECTIONS = _process(
    "draw-sections",
    "sections",
    "[sections.NAME]",
    "Elevation along lines",
    "Chainage, elevation, grade and their standard deviations along the sections that the site "
    "file names.",
    ("section", "profile"),
    (
        _csv("section_stations", "Stations", "One row per station."),
        _layer("sections", "Sections", "One line per section with rise and fall."),
    ),
)

EARTHWORKS = _process(
    "compute-earthworks",
    "earthworks",
    "[earthworks.NAME]",
    "Cut and fill against a design",
    "Volumes between the ground and a design plane or a second surface, by average end area, by "
    "the prismoidal formula and by a grid, side by side.",
    ("earthwork", "cut", "fill", "volume"),
    (_csv("earthworks", "Cut and fill", "One row per earthwork and method."),),
)

PARCELS = _process(
    "compare-parcels",
    "parcels",
    "[parcels]",
    "The survey on the parcel map",
    "Area of every feature per parcel, and how far features are from parcel lines with the "
    "accuracy of survey and parcel map combined. Not a boundary survey: only a licensed surveyor "
    "determines a boundary.",
    ("parcel", "setback", "coverage"),
    (
        _csv("parcel_shares", "Areas per parcel", "One row per feature and parcel."),
        _layer("parcel_clearances", "Clearances", "Nearest approach to a parcel line."),
    ),
)
