"""One package from the results of every room."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from geosite.analysis.answers import Answers
from geosite.analysis.limits import limit_sets
from geosite.base.errors import Finding
from geosite.fieldbook.model import Notes
from geosite.handover.formats.lineage import lineage
from geosite.handover.layers import designs
from geosite.handover.layers.everything import (
    answer_layers,
    answer_tables,
    survey_layers,
    survey_tables,
    terrain_layers,
    water_layers,
)
from geosite.handover.layers.rasters import ground_rasters
from geosite.handover.model import Package
from geosite.handover.report_json.make import every_finding, located, site_report
from geosite.handover.report_json.order import worst_first
from geosite.linework.model import Drawing
from geosite.network.model import Network
from geosite.reading.toml_lines import line_of
from geosite.terrain.site import Terrain

__all__ = ["pack"]


def pack(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain | None,
    answers: Answers,
) -> Package:
    """Gather layers, rasters, tables, report and findings for the writers."""
    frame = network.frame
    notes = replace(notes, findings=(*notes.findings, *_under(notes, network)))
    report = site_report(notes, network, drawing, terrain, answers)
    found = every_finding(notes, network, drawing, terrain, answers)
    unit: Literal["m", "ft"] = "ft" if notes.site.handover.unit == "m" else "m"
    otherwise = worst_first(located(found, notes, network, unit))
    return Package(
        title=notes.site.site.title,
        date=notes.site.site.date or "",
        frame=frame,
        layers=(
            *survey_layers(notes, network, drawing),
            *(terrain_layers(terrain, network) if terrain is not None else ()),
            *answer_layers(answers, frame),
        ),
        rasters=(
            *(ground_rasters(notes, network, terrain) if terrain is not None else ()),
            *designs.rasters(answers.designs, frame),
        ),
        tables=(*answer_tables(answers, notes), *survey_tables(notes, network)),
        report=report,
        findings=report.findings,
        in_other_unit={
            finding.text: other.text
            for finding, other in zip(report.findings, otherwise, strict=True)
        },
        features=drawing.features,
        profiles=answers.profiles,
        codes=notes.site.codes,
        description=notes.site.site.description,
        surveyor=notes.site.site.surveyor,
        client=notes.site.site.client,
        licence=notes.site.site.licence,
        lineage=lineage(notes, network, terrain, answers),
        unit=notes.site.handover.unit,
        sheet=notes.site.sheet,
        background=notes.attached.background,
        submission=notes.site.submission,
        designed={one.name: water_layers(one.water, one.grid, frame) for one in answers.designs},
        standards=_standards(notes, answers),
        parcel_source=notes.site.parcels.source if notes.site.parcels is not None else "",
    )


def _standards(notes: Notes, answers: Answers) -> dict[str, str]:
    """Return the standard that each limit set used is taken from, where the set names one."""
    if not answers.grades:
        return {}
    sets = limit_sets(notes.attached.limit_tables, notes.attached.limits_file)
    used = sorted({grade.requirement.limits for grade in answers.grades})
    return {name: sets[name].source for name in used if sets[name].source}


def _under(notes: Notes, network: Network) -> tuple[Finding, ...]:
    """Say where what was asked for under the plan does not reach the survey."""
    under, frame = notes.attached.background, network.frame
    if under is None or not notes.site.handover.plan:
        return ()
    from geosite.handover.plan.background import background_findings

    ends = np.array([network.en.min(axis=0), network.en.max(axis=0)])
    (west, south), (east, north) = frame.to_map(ends).tolist()
    line = line_of(notes.site_lines, ("sheet", "background"))
    return background_findings(under, frame, (west, south, east, north), notes.site_file, line)
