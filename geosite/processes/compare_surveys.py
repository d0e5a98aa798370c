"""The process ``compare-surveys``: what moved and what was built between two surveys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from geosite.processes.model import GEOTIFF, Context, Input, Output, Process

if TYPE_CHECKING:
    from geosite.analysis.change.model import Change, Epoch
    from geosite.analysis.takeoff.progress_prices import PeriodValuation
    from geosite.base.columns import Field
    from geosite.handover.model import Package

__all__ = ["PROCESS"]

_SITE_FILE = {"type": "string", "format": "path", "contentMediaType": "application/toml"}


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    from geosite.analysis.change.compare import compare
    from geosite.analysis.wording import period_findings
    from geosite.handover.comparison.change import displacements, progress_table, rasters
    from geosite.handover.comparison.change_plan import change_sheet
    from geosite.handover.comparison.sheet import survey_package, write_sheet
    from geosite.handover.comparison.valuations import progress_paper
    from geosite.handover.comparison.valuations import progress_table as valuation_table
    from geosite.handover.formats.desktop.rasters import write_raster_style
    from geosite.handover.formats.desktop.style import native_styles
    from geosite.handover.formats.geopackage import write_geopackage
    from geosite.handover.formats.geotiff import write_raster
    from geosite.handover.formats.sld import styles
    from geosite.handover.formats.tables import write_csv
    from geosite.handover.model import Package
    from geosite.handover.report_json.make import located
    from geosite.handover.report_model.serialise import plain
    from geosite.handover.wording.answers import answer_lines
    from geosite.processes.epochs import read_epoch

    context.progress(0.05, "reading the first survey")
    before = read_epoch(inputs["before"], inputs.get("before_date"))
    context.progress(0.35, "reading the second survey")
    after = read_epoch(inputs["after"], inputs.get("after_date"))
    context.progress(0.65, "comparing marks, ground and quantities")
    change = compare(before, after)
    change = replace(change, findings=located(change.findings, after.notes, after.network))
    context.progress(0.9, "writing the files")
    frame, site = before.network.frame, before.notes.site.site
    layer, table = displacements(change, frame), progress_table(change)
    package = Package(site.title, after.notes.site.site.date or "", frame, (layer,), (), (table,))
    write_geopackage(
        context.out / "change.gpkg",
        package,
        styles=styles(package),
        native_styles=native_styles(package),
    )
    for found in (layer, table):
        write_csv(context.out / f"{found.name}.csv", [f.name for f in found.fields], found.records)
    if change.ground is not None:
        for raster in rasters(change.ground):
            write_raster(context.out / f"{raster.name}.tif", raster, frame)
            write_raster_style(context.out, raster, after.notes.site.handover.unit)
    context.progress(0.95, "drawing the sheet")
    earlier, later = (
        survey_package(epoch.notes, epoch.network, epoch.drawing, change.findings)
        for epoch in (before, after)
    )
    valued = _valued(before, after)
    if valued is not None:
        worth = valuation_table(valued)
        write_csv(
            context.out / "progress_valuation.csv", [f.name for f in worth.fields], worth.records
        )
        paper = progress_paper(valued, later, after.notes.site.handover)
        (context.out / "progress_paper.pdf").write_bytes(paper)
        change = replace(change, findings=(*change.findings, *period_findings(valued)))
    sheet = change_sheet(change, earlier, later, after.notes.site.handover)
    write_sheet(sheet, context.out / "change_plan.pdf", context.out / "change_picture.png")
    context.progress(1.0, "done")
    told = answer_lines("displacements", _with_ground(package, change, after))
    summary: Mapping[str, Any] = plain({"told": told, **_summary(change)})
    return summary


def _valued(before: Epoch, after: Epoch) -> PeriodValuation | None:
    """Price what was built between two surveys, by the prices of the later one that has any."""
    from geosite.analysis.takeoff.progress_prices import Taken, period_valuation

    then, now = (
        Taken(
            epoch.taken.codes,
            epoch.notes.site.codes,
            epoch.network,
            epoch.notes.site_file,
            epoch.notes.site.site.date or "",
        )
        for epoch in (before, after)
    )
    prices = after.notes.site.prices
    return period_valuation(then, now, prices if prices.codes else before.notes.site.prices)


def _with_ground(package: Package, change: Change, after: Epoch) -> Package:
    """Add what became of the ground, and the unit that the site is told in."""
    from geosite.handover.model import Table

    kept = {key: value for key, value in _summary(change).items() if key.endswith(("_m3", "_m2"))}
    ground = (Table("ground", "", (), (kept,)),) if kept else ()
    unit = after.notes.site.handover.unit
    return replace(package, tables=(*package.tables, *ground), unit=unit)


def _summary(change: Any) -> dict[str, Any]:
    told: dict[str, Any] = {"common_marks": len(change.marks), "findings": change.findings}
    for name, found in (("plan", change.plan), ("height", change.level)):
        told[name] = {
            "statistic": found.first.statistic,
            "freedom": found.first.degrees_of_freedom,
            "noise_freedom": found.first.noise_degrees_of_freedom,
            "probability": found.first.probability,
            "congruent": found.first.passed,
        }
    if change.ground is not None:
        ground = change.ground
        for name in ("raised", "lowered", "net"):
            value = getattr(ground, name)
            told[f"{name}_m3"] = value.value
            told[f"{name}_low_m3"], told[f"{name}_high_m3"] = value.low, value.high
        told["compared_m2"] = ground.compared_m2
    return told


def _day(name: str, which: str) -> Input:
    return Input(
        name,
        f"Day of the {which} survey",
        "Only runs of this day, such as 2026-05-11, by [runs.NAME] date of the site file",
        {"type": "string"},
        required=False,
    )


def _marks() -> Sequence[Field]:
    from geosite.handover.comparison.change import MARKS

    return MARKS.fields


def _quantities() -> Sequence[Field]:
    from geosite.handover.comparison.change import QUANTITIES

    return QUANTITIES.fields


def _valuation() -> Sequence[Field]:
    from geosite.handover.comparison.valuations import period_columns

    return period_columns("").fields


PROCESS = Process(
    id="compare-surveys",
    version="1.0.0",
    title="What changed between two surveys",
    description=(
        "Holds two surveys of one site against each other: which common marks kept their places "
        "(congruency test), how far others moved with interval and test, where the ground rose or "
        "fell and how much of that is more than noise, and what was added per code."
    ),
    keywords=("change", "deformation", "progress", "volume"),
    inputs=(
        Input("before", "First survey", "Site file of the survey before", _SITE_FILE),
        Input("after", "Second survey", "Site file of the survey after", _SITE_FILE),
        _day("before_date", "first"),
        _day("after_date", "second"),
    ),
    outputs=(
        Output(
            "displacements",
            "Displacements",
            "One row per common mark.",
            "text/csv",
            "csv",
            columns=_marks,
        ),
        Output(
            "progress",
            "Progress",
            "One row per code and quantity.",
            "text/csv",
            "csv",
            columns=_quantities,
        ),
        Output(
            "change",
            "Layers",
            "Displacements as points, progress as a table.",
            "application/geopackage+sqlite3",
            "gpkg",
        ),
        Output(
            "change_plan",
            "Sheet",
            "Displacements with their 95 % regions, rise of the ground, volumes: to print.",
            "application/pdf",
            "pdf",
        ),
        Output(
            "change_picture", "Picture of the sheet", "The same as a picture.", "image/png", "png"
        ),
        Output(
            "progress_valuation",
            "Progress valuation",
            "One row per code with a price: valued to date, before, and this period, each with its "
            "range; the total last.",
            "text/csv",
            "csv",
            always=False,
            columns=_valuation,
        ),
        Output(
            "progress_paper",
            "Progress valuation, paper",
            "The same to print. No tax, no contract advice.",
            "application/pdf",
            "pdf",
            always=False,
        ),
        Output("difference", "Rise of the ground", "Metres.", GEOTIFF, "tif", always=False),
        Output(
            "difference_sigma",
            "Sigma of the rise",
            "Standard deviation, metres.",
            GEOTIFF,
            "tif",
            always=False,
        ),
    ),
    run=_run,
    example={
        "before": "sample_data/ferry_landing/site.toml",
        "after": "sample_data/ferry_landing/as_built/site.toml",
    },
)
