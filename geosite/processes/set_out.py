"""The process ``set-out``: a design back to the field, in the frame of today's walk."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from geosite.base.rounding import seen
from geosite.processes.build_site import DESIGN_LAYER, SITE
from geosite.processes.model import Context, Input, Output, Process

if TYPE_CHECKING:
    from geosite.analysis.setting_out.model import SettingOut
    from geosite.base.columns import Field

__all__ = ["PROCESS"]


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    from geosite.analysis.setting_out.compute import Today, set_out
    from geosite.analysis.setting_out.fits_site import fitting
    from geosite.base.errors import Finding
    from geosite.drawing.pdf import pdf
    from geosite.fieldbook.read import read_survey
    from geosite.fieldbook.todays_walk import read_other_walk
    from geosite.handover.formats.tables import write_csv
    from geosite.handover.model import Package
    from geosite.handover.report_json.make import located
    from geosite.handover.report_model.serialise import plain
    from geosite.handover.setting_out.phone import phone_page
    from geosite.handover.setting_out.slip import slip_pages
    from geosite.handover.setting_out.table import setting_out_table
    from geosite.handover.wording.answers import answer_lines
    from geosite.linework.draw import draw
    from geosite.network.adjust import adjust
    from geosite.reading.designs import read_design
    from geosite.terrain.site_ground import site_ground

    context.progress(0.05, "reading")
    notes = read_survey(Path(inputs["site"]))
    design = read_design(inputs["design"], inputs.get("layer"))
    today, told = None, tuple[Finding, ...]()
    if inputs.get("walk"):
        walk, told = read_other_walk(Path(inputs["walk"]), notes, inputs.get("unit"))
        today = Today(walk, inputs["axes"])
    context.progress(0.15, "adjusting and laying the ground")
    network = adjust(notes)
    site = site_ground(notes, network, draw(notes, network))
    ground = None if site is None else site.ground
    targets = fitting(
        design, network, ground, station_m=inputs.get("station"), heights=inputs["heights"]
    )
    context.progress(0.5, "laying the design into today's frame")
    found = set_out(
        notes,
        network,
        ground,
        targets,
        today,
        tolerance=inputs.get("tolerance"),
        unit=inputs.get("unit") or notes.site.survey.unit,
    )
    context.progress(0.9, "writing table, slip and page")
    table = setting_out_table(found, network.frame)
    names = [field.name for field in table.fields]
    write_csv(context.out / "setting_out.csv", names, table.records)
    paper = "letter" if notes.site.handover.sheet.startswith("ANSI") else "A4"
    (context.out / "slip.pdf").write_bytes(pdf(*slip_pages(found, paper)))
    (context.out / "phone.html").write_bytes(phone_page(found))
    context.progress(1.0, "done")
    unit: Literal["m", "ft"] = "m" if found.unit == "m" else "ft"
    points = Package("", "", network.frame, tables=(table,), unit=unit)
    lines = [*_baseline(found), *answer_lines("setting_out", points)]
    return _summary(found, lines, located((*told, *found.findings), notes, network, unit), plain)


def _baseline(found: SettingOut) -> Iterator[str]:
    """Say how long the baseline is, and how long it was today."""
    known = f"baseline: {found.baseline:.3f} {found.unit} known"
    if found.check is None:
        yield f"{known}, not visited today"
        return
    today, sigma = (v / found.unit_m for v in (found.check.length_m, found.check.sigma_m))
    yield (
        f"{known}, {today:.3f} {found.unit} today, {today - found.baseline:+.3f}; "
        f"{seen(sigma, 3)} is the standard deviation to expect"
    )


def _summary(found: SettingOut, told: Any, findings: Any, plain: Any) -> Mapping[str, Any]:
    verdicts = [point.verdict for point in found.points if point.verdict is not None]
    errors = [point.error_95_m for point in found.points if point.error_95_m is not None]
    summary: Mapping[str, Any] = plain(
        {
            "told": told,
            "points": len(found.points),
            "baseline_m": found.baseline * found.unit_m,
            "baseline_today_m": None if found.check is None else found.check.length_m,
            "baseline_sigma_m": None if found.check is None else found.check.sigma_m,
            "combined_factor": found.combined_factor,
            "largest_error_95_m": max(errors, default=None),
            "verdicts": {v: verdicts.count(v) for v in ("can", "cannot", "undecided")},
            "findings": findings,
        }
    )
    return summary


def _columns() -> Sequence[Field]:
    from geosite.handover.setting_out.table import FIELDS

    return FIELDS


PROCESS = Process(
    id="set-out",
    version="1.0.0",
    title="Set out a design from two marks",
    description=(
        "Gives each point of a design as the device will show it in today's walk, from today's "
        "visits to the two baseline marks, with along and offset from the baseline, cut or fill, "
        "how near it brings the device, and whether that is within a tolerance. Today's baseline "
        "is compared with the known one first. With a slip to print and a page for the phone. "
        "Locate buried services before digging."
    ),
    keywords=("setting out", "stake", "baseline", "design"),
    inputs=(
        SITE,
        Input(
            "design",
            "Design",
            "Table with the columns point, easting, northing and elevation, or a layer of points, "
            "lines or areas with elevations, in the CRS of the site",
            {"type": "string", "format": "path"},
        ),
        DESIGN_LAYER,
        Input(
            "walk",
            "Today's walk",
            "Field book of today with the columns run, point, x, y and z: visits to the two "
            "baseline marks; without it along and offset are given and no x, y, z",
            {"type": "string", "format": "path", "contentMediaType": "text/csv"},
            required=False,
        ),
        Input(
            "tolerance",
            "Tolerance",
            "How near to the point the device must come in plan, metres",
            {"type": "number", "minimum": 0.0001, "maximum": 100},
            required=False,
        ),
        Input(
            "station",
            "Station",
            "Further points along lines every so many metres on the ground",
            {"type": "number", "minimum": 0.01, "maximum": 100000},
            required=False,
        ),
        Input(
            "heights",
            "Heights",
            "design: each point has an elevation; ground: points without one lie on the walked "
            "ground",
            {"type": "string", "enum": ["design", "ground"], "default": "design"},
            required=False,
        ),
        Input(
            "unit",
            "Unit of today's walk",
            "Where it is not that of the site file",
            {"type": "string", "enum": ["m", "ft", "ftUS"]},
            required=False,
        ),
        Input(
            "axes",
            "Axes of the device",
            "left-handed where y lies to the right of x as seen from above",
            {
                "type": "string",
                "enum": ["right-handed", "left-handed"],
                "default": "right-handed",
            },
            required=False,
        ),
    ),
    outputs=(
        Output(
            "setting_out",
            "Setting out",
            "One row per point: x, y, z of today's walk, along and offset, cut, accuracy, verdict.",
            "text/csv",
            "csv",
            columns=_columns,
        ),
        Output("slip", "Slip", "To print: twenty points a page.", "application/pdf", "pdf"),
        Output("phone", "Page for the phone", "Works without network.", "text/html", "html"),
    ),
    run=_run,
    example={
        "site": "sample_data/ferry_landing/site.toml",
        "design": "sample_data/ferry_landing/design_points.csv",
        "walk": "sample_data/ferry_landing/today.csv",
        "tolerance": 0.1,
    },
)
