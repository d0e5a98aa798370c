"""The process ``compare-design``: what was built against what was designed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosite.processes.build_site import DESIGN_LAYER, SITE
from geosite.processes.model import Context, Input, Output, Process

if TYPE_CHECKING:
    from geosite.analysis.as_built.model import AsBuilt, Plan
    from geosite.analysis.takeoff.prices import Valuation
    from geosite.base.columns import Field
    from geosite.base.map_frame import Frame
    from geosite.fieldbook.model import Notes
    from geosite.linework.model import Drawing
    from geosite.network.model import Network
    from geosite.terrain.site_ground import SiteGround

__all__ = ["PROCESS"]


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    from geosite.analysis.as_built.compute import compare_design
    from geosite.fieldbook.read import read_survey
    from geosite.handover.comparison.as_built import deviations, surfaces, verdict_areas
    from geosite.handover.comparison.as_built_plan import as_built_sheet
    from geosite.handover.comparison.sheet import survey_package, write_sheet
    from geosite.handover.comparison.valuations import final_paper, final_table
    from geosite.handover.formats.desktop.style import native_styles
    from geosite.handover.formats.geopackage import write_geopackage
    from geosite.handover.formats.sld import styles
    from geosite.handover.formats.tables import write_csv
    from geosite.handover.model import Package
    from geosite.handover.report_json.make import located
    from geosite.handover.report_model.serialise import plain
    from geosite.handover.wording.answers import answer_lines
    from geosite.linework.draw import draw
    from geosite.network.adjust import adjust
    from geosite.processes.epochs import read_epoch
    from geosite.terrain.site_ground import site_ground

    context.progress(0.05, "reading the survey of what was built")
    notes = read_survey(Path(inputs["site"]))
    network = adjust(notes)
    drawing = draw(notes, network)
    laid = site_ground(notes, network, drawing)
    context.progress(0.4, "reading the design")
    plan = _plan(inputs, network)
    before = None
    if inputs.get("before"):
        old = read_epoch(inputs["before"]).site
        before = None if old is None else old.ground
    context.progress(0.6, "comparing")
    ground = None if laid is None else laid.ground
    made = compare_design(notes, network, drawing, ground, plan, before)
    made = replace(made, findings=located(made.findings, notes, network))
    if not made.deviations and not made.surfaces:
        raise _nothing(inputs)
    context.progress(0.9, "writing the files")
    layer, table = deviations(made, network.frame), surfaces(made)
    site = notes.site.site
    areas = verdict_areas(made, network.frame)
    layers = (layer, areas) if len(areas.records) else (layer,)
    package = Package(site.title, site.date or "", network.frame, layers, (), (table,))
    write_geopackage(
        context.out / "as_built.gpkg",
        package,
        styles=styles(package),
        native_styles=native_styles(package),
    )
    for found in (layer, table):
        write_csv(context.out / f"{found.name}.csv", [f.name for f in found.fields], found.records)
    context.progress(0.95, "drawing the sheet")
    final = _final(notes, network, drawing, laid, made, inputs.get("before"))
    survey = survey_package(notes, network, drawing, made.findings)
    sheet = as_built_sheet(made, plan, survey, notes.site.handover)
    write_sheet(sheet, context.out / "as_built_plan.pdf", context.out / "as_built_picture.png")
    if final is not None:
        worth = final_table(final)
        names = [f.name for f in worth.fields]
        write_csv(context.out / "final_measurement.csv", names, worth.records)
        paper = final_paper(final, survey, notes.site.handover)
        (context.out / "final_paper.pdf").write_bytes(paper)
    context.progress(1.0, "done")
    told = answer_lines("deviations", replace(package, unit=notes.site.handover.unit))
    summary: Mapping[str, Any] = plain({"told": told, **_summary(made)})
    return summary


def _summary(made: AsBuilt) -> dict[str, Any]:
    verdicts = [v for d in made.deviations for v in (d.plan_verdict, d.height_verdict) if v]
    return {
        "compared": len(made.deviations),
        "verdicts": {v: verdicts.count(v) for v in ("within", "beyond", "undecided")},
        "findings": made.findings,
    }


def _final(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    laid: SiteGround | None,
    made: AsBuilt,
    before: str | None,
) -> Valuation | None:
    """Price what was built, by the survey's own prices or those of the survey before."""
    from geosite.analysis.as_built.surfaces import laid_of_whole
    from geosite.analysis.takeoff.draped import triangles_of
    from geosite.analysis.takeoff.prices import valuation
    from geosite.analysis.takeoff.quantities import take_off
    from geosite.fieldbook.read import read_survey

    prices = notes.site.prices
    if not prices.codes and before:
        prices = read_survey(Path(before)).site.prices
    triangles = None if laid is None else triangles_of(laid.ground)
    totals = take_off(notes, network, drawing, triangles).codes
    if not prices.codes.keys() & {q.code for q in totals}:
        return None
    whole = {q.code: q.net_area.estimate.value for q in totals if q.net_area is not None}
    placed = laid_of_whole(made.surfaces, whole)
    return valuation(
        totals, prices, notes.site.codes, network, notes.site_file, partly=True, laid=placed
    )


def _nothing(inputs: Mapping[str, Any]) -> Exception:
    from geosite.base.errors import InputError, Problem

    return InputError(
        Problem(
            "design-nothing-common",
            "no mark, edge or area of the survey belongs to the design",
            "marks named as the design's points, features named as its edges, or areas on it",
            "measure them under the names of the design",
            str(inputs["design"]),
        )
    )


def _plan(inputs: Mapping[str, Any], network: Network) -> Plan:
    """Return the design of a file, or one of the designs of a site file."""
    import numpy as np

    from geosite.analysis.as_built.model import Plan
    from geosite.analysis.design_ground.requested import zone_from_file
    from geosite.analysis.design_ground.zones import Edge, Zone
    from geosite.analysis.setting_out.fits_site import refuse_elsewhere, refuse_other_crs
    from geosite.reading.designs import read_design

    frame = network.frame
    if Path(inputs["design"]).suffix.lower() == ".toml":
        return _plan_of_site(inputs, frame)
    design = read_design(inputs["design"], inputs.get("layer"))
    refuse_other_crs(design, frame)
    refuse_elsewhere(design, network)
    points, edges = [], []
    for shape in design.shapes:
        places = np.column_stack(
            [frame.to_local(shape.places[:, :2]), shape.places[:, 2] * frame.height_unit_m]
        )
        if shape.kind == "point":
            points.append((shape.name, places[0]))
        elif shape.name and shape.kind != "hole":
            edges.append(Edge(shape.name, places, shape.kind == "area"))
    zones: tuple[Zone, ...] = ()
    every = np.vstack([shape.places for shape in design.shapes])
    if len(every) >= 3 and np.isfinite(every).all() and _spans(every):
        zones = (zone_from_file(design, frame),)
    return Plan(tuple(points), tuple(edges), zones)


def _spans(places: Any) -> bool:
    import shapely

    hull = shapely.convex_hull(shapely.MultiPoint(places[:, :2] - places[0, :2]))
    return bool(hull.area > 1e-6)


def _plan_of_site(inputs: Mapping[str, Any], frame: Frame) -> Plan:
    from geosite.analysis.as_built.model import Plan
    from geosite.analysis.design_ground.requested import requested_zones
    from geosite.analysis.design_ground.zones import Edge, moved
    from geosite.base.errors import InputError, Problem
    from geosite.base.map_frame import name_unless_same_map
    from geosite.fieldbook.read import read_survey
    from geosite.linework.draw import draw
    from geosite.network.adjust import adjust

    notes = read_survey(Path(inputs["design"]))
    names = list(notes.site.designs)
    name = inputs.get("name") or (names[0] if len(names) == 1 else None)
    if name not in notes.site.designs:
        what = f"there is no design {name}" if name else "it holds several designs"
        what = what if names else "it holds no design"
        raise InputError(
            Problem(
                "design-unknown",
                what,
                f"one of {', '.join(names)}" if names else "a table [designs.NAME]",
                "name one with name" if names else "name the site file that the design is in",
                str(inputs["design"]),
            )
        )
    network = adjust(notes)
    if name_unless_same_map(network.frame.crs_wkt, frame.crs_wkt) is not None:
        raise InputError(
            Problem(
                "design-crs",
                f"the design is on {network.frame.crs_name}",
                f"the CRS of the survey, {frame.crs_name}",
                "anchor both in the same CRS",
                str(inputs["design"]),
            )
        )
    zones = requested_zones(name, notes.site.designs[name], notes, network, draw(notes, network))
    shift = frame.to_local(network.frame.to_map((0.0, 0.0)))
    zones = tuple(moved(zone, shift) for zone in zones)
    edges = tuple(Edge(e.name, e.places, e.closed) for zone in zones for e in zone.edges)
    return Plan((), edges, zones)


def _places() -> Sequence[Field]:
    from geosite.handover.comparison.as_built import PLACES

    return PLACES.fields


def _areas() -> Sequence[Field]:
    from geosite.handover.comparison.as_built import AREAS

    return AREAS.fields


def _measurement() -> Sequence[Field]:
    from geosite.handover.comparison.valuations import final_columns

    return final_columns("").fields


PROCESS = Process(
    id="compare-design",
    version="1.0.0",
    title="What was built against the design",
    description=(
        "Holds a walked survey against a design: how far marks and edges are off in plan and in "
        "height with their intervals, verdicts by the tolerances of their codes, the share of each "
        "surface within tolerance, and what was laid."
    ),
    keywords=("as built", "tolerance", "deviation", "design"),
    inputs=(
        SITE,
        Input(
            "design",
            "Design",
            "Table or layer of points, lines and areas with elevations; or a site file with "
            "[designs.NAME]",
            {"type": "string", "format": "path"},
        ),
        DESIGN_LAYER,
        Input(
            "name",
            "Name of the design",
            "In a site file that holds several",
            {"type": "string"},
            required=False,
        ),
        Input(
            "before",
            "Survey before",
            "Site file of the survey before building, for what was laid",
            {"type": "string", "format": "path", "contentMediaType": "application/toml"},
            required=False,
        ),
    ),
    outputs=(
        Output(
            "deviations",
            "Deviations",
            "One row per mark and station.",
            "text/csv",
            "csv",
            columns=_places,
        ),
        Output("surfaces", "Surfaces", "One row per code.", "text/csv", "csv", columns=_areas),
        Output(
            "as_built",
            "Layers",
            "Deviations as points, where the surface is within its tolerance as areas, surfaces as "
            "a table.",
            "application/geopackage+sqlite3",
            "gpkg",
        ),
        Output(
            "as_built_plan",
            "Sheet",
            "Deviations in plan and height, surfaces by verdict, tolerances: to print.",
            "application/pdf",
            "pdf",
        ),
        Output(
            "final_measurement",
            "Final measurement",
            "What was built, priced: one row per code with a price, the total last.",
            "text/csv",
            "csv",
            always=False,
            columns=_measurement,
        ),
        Output(
            "final_paper",
            "Final measurement, paper",
            "The same to print. No tax, no contract advice.",
            "application/pdf",
            "pdf",
            always=False,
        ),
        Output(
            "as_built_picture", "Picture of the sheet", "The same as a picture.", "image/png", "png"
        ),
    ),
    run=_run,
    example={
        "site": "sample_data/ferry_landing/as_built/site.toml",
        "design": "sample_data/ferry_landing/design_points.csv",
        "before": "sample_data/ferry_landing/site.toml",
    },
)
