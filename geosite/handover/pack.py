"""One package from the results of every room."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite import __version__
from geosite.base.errors import Finding
from geosite.fieldbook.model import Notes
from geosite.handover.formats.lineage import lineage
from geosite.handover.layers.distances import distance_columns
from geosite.handover.layers.everything import (
    answer_layers,
    answer_tables,
    survey_layers,
    terrain_layers,
)
from geosite.handover.layers.rasters import ground_rasters
from geosite.handover.model import CAUTION, Package
from geosite.linework.model import Drawing, Measure
from geosite.network.model import Network
from geosite.review.answers import Answers
from geosite.review.limits import CAUTION as ACCESS_CAUTION
from geosite.review.parcels import BOUNDARY_CAUTION
from geosite.terrain.site import SLOPE_BREAKS_PERCENT, Terrain

__all__ = ["pack", "survey_report"]


def pack(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain | None,
    answers: Answers,
) -> Package:
    """Gather layers, rasters, tables, report and findings for the writers."""
    frame = network.frame
    findings = (
        *notes.findings,
        *network.findings,
        *drawing.findings,
        *(terrain.findings if terrain is not None else ()),
        *answers.findings,
    )
    return Package(
        title=notes.site.site.title,
        date=notes.site.site.date or "",
        frame=frame,
        layers=(
            *survey_layers(notes, network, drawing),
            *(terrain_layers(terrain, network) if terrain is not None else ()),
            *answer_layers(answers, network),
        ),
        rasters=ground_rasters(notes, network, terrain) if terrain is not None else (),
        tables=answer_tables(answers, notes, network),
        report=_report(notes, network, drawing, terrain, answers),
        findings=tuple(sorted(findings, key=_worst_first)),
        features=drawing.features,
        profiles=answers.profiles,
        codes=notes.site.codes,
        description=notes.site.site.description,
        surveyor=notes.site.site.surveyor,
        client=notes.site.site.client,
        licence=notes.site.site.licence,
        lineage=lineage(notes, network, terrain, answers),
        sheet=notes.site.sheet,
        submission=notes.site.submission,
    )


def _worst_first(finding: Finding) -> int:
    return 0 if finding.level == "look" else 1


def _measure(measure: Measure | None) -> dict[str, float] | None:
    if measure is None:
        return None
    return {"value": measure.value, "sigma": measure.sigma, "grid": measure.grid}


def survey_report(notes: Notes, network: Network, drawing: Drawing) -> dict[str, Any]:
    """Return how far the survey can be trusted, with its findings."""
    findings = (*notes.findings, *network.findings, *drawing.findings)
    return {
        **_survey(notes, network, drawing),
        "findings": tuple(sorted(findings, key=_worst_first)),
    }


def _survey(notes: Notes, network: Network, drawing: Drawing) -> dict[str, Any]:
    site = notes.site
    return {
        "geosite": __version__,
        "site": {"title": site.site.title, "date": site.site.date or "", "file": notes.site_file},
        "caution": [CAUTION, BOUNDARY_CAUTION, ACCESS_CAUTION],
        "network": network.report,
        "areas": {
            f.name: {
                "code": f.code,
                "area_m2": _measure(f.area),
                "net_area_m2": _measure(f.net_area),
                "perimeter_m": _measure(f.perimeter),
                "edging_m": _measure(f.edging),
                "inside": f.inside,
            }
            for f in drawing.features
            if f.kind == "area"
        },
        "lines": {
            f.name: {
                "code": f.code,
                "length_m": _measure(f.length),
                "length_3d_m": f.length_3d_m,
                "rise_m": f.rise_m,
                "fall_m": f.fall_m,
            }
            for f in drawing.features
            if f.kind == "line"
        },
    }


def _report(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain | None,
    answers: Answers,
) -> dict[str, Any]:
    """Return everything for machines; what stands in tables and layers is summed up here."""
    return {
        **_survey(notes, network, drawing),
        "terrain": None if terrain is None else _ground(terrain, network),
        "distances": distance_columns().records(answers.distances),
        "grades": [
            {k: v for k, v in asdict(g).items() if k != "line_en"} | {"unit": g.unit}
            for g in answers.grades
        ],
        "sections": {
            p.name: {
                "length_m": float(p.chainage[-1]),
                "rise_m": p.rise_m,
                "fall_m": p.fall_m,
                "largest_sigma_m": float(p.sigma.max()),
            }
            for p in answers.profiles
        },
        "earthworks": {w.name: asdict(w) for w in answers.earthworks},
        "parcels": None
        if answers.parcel_map is None
        else {
            "map_sigma_m": answers.parcel_map.sigma_m,
            "transformation": answers.parcel_map.transformation,
            "transformation_sigma_m": answers.parcel_map.transformation_sigma_m,
            "shares": [asdict(s) for s in answers.shares],
            "clearances": [
                {
                    "feature": c.feature,
                    "parcel": c.parcel,
                    "distance_m": c.distance_m,
                    "sigma_m": c.sigma_m,
                    "verdict": c.verdict,
                    "words": c.words,
                }
                for c in answers.clearances
            ],
        },
    }


def _ground(terrain: Terrain, network: Network) -> dict[str, Any]:
    inside = terrain.elevation[np.isfinite(terrain.elevation)]
    grid, water, frame = terrain.grid, terrain.water, network.frame
    cell_m2 = (grid.cell_size * frame.ground_unit_m) ** 2
    return {
        "cell_size": grid.cell_size,
        "rows": grid.rows,
        "cols": grid.cols,
        "unit": frame.unit_name,
        "elevation_unit": frame.height_unit_name,
        "lowest": float(inside.min()) if inside.size else None,
        "highest": float(inside.max()) if inside.size else None,
        "points": len(terrain.ground.tin.points),
        "method": terrain.surface.method,
        "scores": [asdict(score) for score in terrain.surface.scores],
        "sigma_m": _middle(terrain.sigma, frame.height_unit_m),
        "slope_breaks_percent": SLOPE_BREAKS_PERCENT,
        "slope_classes_m2": {
            name: (row * cell_m2).tolist()
            for name, row in zip(terrain.areas, terrain.classes, strict=True)
        },
        "falls_from_buildings": [asdict(fall) for fall in terrain.falls],
        "flat_paving": [asdict(paving) for paving in terrain.paving],
        "ponds": [
            {
                "depth_m": pond.depth * frame.height_unit_m,
                "volume_m3": pond.volume * frame.ground_unit_m**2 * frame.height_unit_m,
                "area_m2": pond.cells * cell_m2,
                "is_significant": pond.is_significant,
            }
            for pond in water.ponds
        ],
        "catchments": [
            {
                "leaves_by": c.kind,
                "inlet": water.inlets[c.inlet - 1] if c.inlet else None,
                "area_m2": c.cells * cell_m2,
            }
            for c in water.catchments
        ],
    }


def _middle(sigma: npt.NDArray[np.float64], unit_m: float) -> dict[str, float] | None:
    known = sigma[np.isfinite(sigma)] * unit_m
    if not known.size:
        return None
    return {"median": float(np.median(known)), "largest": float(known.max())}
