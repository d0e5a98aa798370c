"""The survey report: how it was walked, adjusted and placed, for the surveyor who signs it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from geosite.base.rounding import grouped
from geosite.drawing.document import (
    Block,
    Column,
    Figure,
    Heading,
    Paragraph,
    Signature,
    Table,
    lay_out,
)
from geosite.drawing.ink import FAINT, PAPER, TEXT, Stroke
from geosite.drawing.pdf import pdf
from geosite.drawing.sheet import Arc, Outline, Rectangle, Shape, Text
from geosite.fieldbook.sitefile import Handover
from geosite.handover.model import CAUTION, Package
from geosite.handover.palette import WATER
from geosite.handover.papers.findings import paper_for
from geosite.handover.papers.statements import asprs_statement, nssda_statement
from geosite.handover.plan.reference import crs_words, height_words
from geosite.network.noise import Noise
from geosite.network.report_model import BaselineCheck, ClosureReport, NetworkReport
from geosite.network.report_trust import (
    CheckedAccuracy,
    MistakeReport,
    NeighbourReport,
    NoiseReport,
)

__all__ = ["survey_report_pdf"]

Record = Mapping[str, Any]

_EXAMPLE_M = 100.0


def survey_report_pdf(package: Package, options: Handover) -> bytes:
    """Return the survey report as a PDF document.

    Parameters
    ----------
    package
        With its report, lineage and the layer ``points``.
    options
        ``[handover]``: sheet.
    """
    network = NetworkReport() if package.report is None else package.report.network
    marks = _marks(package)
    blocks: list[Block] = [
        Heading("Survey report"),
        *_what(package, network),
        *_where(package),
        *_closures(network.closures),
        *_variance(network.noise),
        *_baseline(network.baseline),
        *_adjusted(marks, options),
        *_residuals(package),
        *_checks(network.check_points),
        *_relative(network.neighbour_precision),
        *_mistakes(network.mistakes),
        *_statement(package),
    ]
    return pdf(*lay_out(blocks, paper_for(package, options, "Survey report")))


def _metres(value: float | None, digits: int = 3) -> str:
    return "" if value is None or not math.isfinite(value) else grouped(value, digits)


def _what(package: Package, network: NetworkReport) -> list[Block]:
    blocks: list[Block] = [Heading("What was walked", 2)]
    blocks += [Paragraph(step) for step in package.lineage]
    rows = [
        (
            run.run,
            str(run.observations),
            f"{run.orientation_deg:.3f} +/- {run.orientation_sigma_deg:.3f}",
            ""
            if run.direction is None
            else f"{run.direction.misclosure_deg:.3f} (sigma {run.direction.sigma_deg:.3f})",
        )
        for run in network.runs
    ]
    if rows:
        columns = (
            Column("run", 0.6),
            Column("observations", 0.6, "end"),
            Column("orientation on the map\ndegrees, one sigma", 1.2, "end"),
            Column("turn between its two visits\nto the baseline, degrees", 1.2, "end"),
        )
        blocks.append(Table(columns, tuple(rows)))
    return blocks


def _where(package: Package) -> list[Block]:
    frame = package.frame
    grid = _EXAMPLE_M * frame.combined_factor
    datum = _datum(frame.crs_wkt)
    height = _datum(frame.vertical_wkt or "")
    words = [
        f"Map: {crs_words(frame.crs_wkt, frame.crs_name)}{f', datum {datum}' if datum else ''}.",
        f"Elevations: {height_words(frame)}{f', datum {height}' if height else ''}.",
        f"Combined factor {frame.combined_factor:.8f} at the middle of the survey (grid scale "
        f"factor {frame.grid_scale_factor:.8f}, elevation factor {frame.elevation_factor:.8f}). "
        f"Convergence {math.degrees(frame.convergence):.5f} degrees, geodetic azimuth minus grid "
        "azimuth.",
        f"For example, {_EXAMPLE_M:.3f} m on the ground are {grid:.3f} m on the map grid. Areas, "
        "lengths and plans are ground values; coordinates are the map's.",
    ]
    return [Heading("Where it lies", 2), *(Paragraph(text) for text in words)]


def _datum(wkt: str) -> str:
    """Return the name of the datum or datum ensemble of a CRS, with its epoch where it has one."""
    found = re.search(r'\b(?:[A-Z]*DATUM|ENSEMBLE|VRF)\["([^"]{1,80})"', wkt)
    if found is None:
        return ""
    epoch = re.search(r"FRAMEEPOCH\[([0-9.]+)\]", wkt)
    return found[1] + (f", epoch {epoch[1]}" if epoch else "")


def _closures(closures: Sequence[ClosureReport]) -> list[Block]:
    if not closures:
        return [
            Heading("Closures", 2),
            Paragraph("No run came back to a mark: nothing in the walk checks itself."),
        ]
    rows = tuple(
        (
            c.run,
            c.mark,
            f"{c.first_line} to {c.last_line}",
            _metres(c.length_m, 1),
            _metres(c.misclosure_m),
            _metres(c.sigma_m),
            _metres(c.misclosure_up_m),
            "" if c.ratio is None else f"1:{grouped(c.ratio, 0)}",
        )
        for c in closures
    )
    columns = (
        Column("run", 0.5),
        Column("mark", 0.5),
        Column("lines of the\nfield book", 0.9),
        Column("length\nm", 0.7, "end"),
        Column("misclosure\nm", 0.8, "end"),
        Column("expected, one\nsigma, m", 0.9, "end"),
        Column("in height\nm", 0.7, "end"),
        Column("ratio", 0.7, "end"),
    )
    return [Heading("Closures", 2), Table(columns, rows)]


def _variance(noise: NoiseReport | None) -> list[Block]:
    if noise is None:
        return []
    rows = tuple(
        (
            axis,
            _freedom(found),
            "none: nothing repeats" if found.estimate is None else f"{found.estimate:.2f}",
            f"{found.factor:.2f}",
            found.verdict,
        )
        for axis, found in (("horizontal", noise.horizontal), ("vertical", noise.vertical))
    )
    columns = (
        Column("axis", 0.7),
        Column("degrees of\nfreedom", 0.7, "end"),
        Column("estimate from\nthe misclosures", 0.9, "end"),
        Column("factor\napplied", 0.7, "end"),
        Column("judgement", 1.4),
    )
    text = (
        "The variance factor compares the misclosures with what the device was expected to do: 1 "
        "is as expected. The estimate is what this walk shows; the factor applied is what every "
        "accuracy of this hand-over was multiplied with."
    )
    return [Heading("Variance factors", 2), Paragraph(text), Table(columns, rows)]


def _freedom(noise: Noise) -> str:
    freedom = noise.degrees_of_freedom
    return str(freedom) if math.isfinite(freedom) else "not known"


def _baseline(check: BaselineCheck | None) -> list[Block]:
    if check is None:
        return []
    text = (
        f"{check.from_} to {check.to}: {_metres(check.measured_m)} m measured, "
        f"{_metres(check.mapped_m)} m on the map, both on the ground: {check.ppm:+.0f} ppm, "
        f"{abs(check.sigmas):.1f} times the standard deviation of {_metres(check.sigma_m)} m."
    )
    return [Heading("Baseline", 2), Paragraph(text)]


def _marks(package: Package) -> list[Record]:
    """Return each mark once, as its first visit placed it."""
    layer = next((layer for layer in package.layers if layer.name == "points"), None)
    seen: dict[str, Record] = {}
    for record in layer.records if layer is not None else ():
        name = record.get("point")
        if name:
            seen.setdefault(str(name), record)
    return list(seen.values())


def _adjusted(marks: Sequence[Record], options: Handover) -> list[Block]:
    if not marks:
        return []
    rows = tuple(
        (
            str(m["point"]),
            _metres(m.get("easting")),
            _metres(m.get("northing")),
            _metres(m.get("elevation")),
            _metres(m.get("sigma_h_m")),
            _metres(m.get("h_95_m")),
            _metres(m.get("sigma_v_m")),
            _metres(m.get("v_95_m")),
        )
        for m in marks
    )
    columns = (
        Column("mark", 0.6),
        Column("easting", 1.05, "end"),
        Column("northing", 1.1, "end"),
        Column("elevation", 0.85, "end"),
        Column("sigma per\naxis, m", 0.75, "end"),
        Column("95 % in\nplan, m", 0.75, "end"),
        Column("sigma of\nheight, m", 0.75, "end"),
        Column("95 % of\nheight, m", 0.75, "end"),
    )
    blocks: list[Block] = [
        Heading("Adjusted coordinates", 2),
        Paragraph("Coordinates and elevations in the units of their reference systems."),
    ]
    if len(marks) > 1:
        blocks.append(_sketch(marks))
    return [*blocks, Table(columns, rows)]


def _sketch(marks: Sequence[Record]) -> Figure:
    """Draw the marks with circles that hold 95 %, enlarged by a round number."""
    known = [m for m in marks if m.get("easting") is not None and m.get("northing") is not None]
    east = [float(m["easting"]) for m in known]
    north = [float(m["northing"]) for m in known]
    radius = [float(m.get("h_95_m") or 0.0) for m in known]
    wide, high = max(east) - min(east), max(north) - min(north)
    largest = max([*radius, 1e-6])
    times = _round_down(max(wide, high, 1.0) / 30 / largest)

    def draw(box: Rectangle) -> list[Shape | Text]:
        clear = 12.0
        scale = min(
            (box.width - 2 * clear) / max(wide, 1e-6), (box.height - 2 * clear) / max(high, 1e-6)
        )
        middle = (max(east) + min(east)) / 2, (max(north) + min(north)) / 2
        items: list[Shape | Text] = []
        for m, e, n, r in zip(known, east, north, radius, strict=True):
            x = box.x + box.width / 2 + (e - middle[0]) * scale
            y = box.y + box.height / 2 - (n - middle[1]) * scale
            if r > 0:
                circle = Outline((Arc((x, y), r * times * scale, 0.0, 2 * math.pi),), closed=True)
                items.append(Shape((circle,), Stroke(WATER, 0.2)))
            dot = Outline((Arc((x, y), 0.6, 0.0, 2 * math.pi),), closed=True)
            items.append(Shape((dot,), Stroke(TEXT, 0.15), PAPER))
            items.append(Text(x + 1.0, y - 0.8, str(m["point"])[:12], 1.9, colour=FAINT, halo=True))
        return items

    height = min(max(150.0 * high / max(wide, 1e-6) + 24.0, 50.0), 120.0)
    return Figure(
        height,
        draw,
        f"Marks, north up, with the circles that hold them in 95 of 100 cases, {times:g} times "
        "enlarged.",
    )


def _round_down(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(max(value, 1.0)))
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= max(value, 1.0))


def _residuals(package: Package) -> list[Block]:
    """List how far the adjustment moved the visits to marks that were visited more than once."""
    layer = next((layer for layer in package.layers if layer.name == "points"), None)
    visits: dict[str, list[Record]] = {}
    for record in layer.records if layer is not None else ():
        if record.get("point"):
            visits.setdefault(str(record["point"]), []).append(record)
    rows = tuple(
        (name, str(v.get("run")), _metres(v.get("correction_m")))
        for name, found in visits.items()
        if len(found) > 1
        for v in found
    )
    if not rows:
        return []
    columns = (Column("mark", 1.0), Column("run", 1.0), Column("moved by\nm", 0.6, "end"))
    text = (
        "How far the adjustment moved each visit to a mark that was visited more than once, in "
        "plan, against the walk placed by the start of its run alone."
    )
    return [Heading("Corrections of repeated visits", 2), Paragraph(text), Table(columns, rows)]


def _checks(checks: CheckedAccuracy | None) -> list[Block]:
    blocks: list[Block] = [Heading("Check points", 2)]
    if checks is None:
        text = "No mark with known coordinates was kept out of the adjustment to check it."
        return [*blocks, Paragraph(text)]
    rows = tuple(
        (
            p.mark,
            *map(_metres, (p.east_m, p.north_m, p.up_m, p.sigma_h_m, p.sigma_v_m)),
        )
        for p in checks.points
    )
    columns = (
        Column("mark", 1.0),
        Column("east\nm", 0.8, "end"),
        Column("north\nm", 0.8, "end"),
        Column("up\nm", 0.8, "end"),
        Column("expected in\nplan, sigma, m", 1.1, "end"),
        Column("expected in\nheight, sigma, m", 1.1, "end"),
    )
    blocks.append(Table(columns, rows))
    if checks.rmse_r_m is not None and checks.horizontal_95_m is not None:
        points = checks.horizontal_points or 0
        blocks += [
            Paragraph(nssda_statement("horizontal", checks.horizontal_95_m, points)),
            Paragraph(asprs_statement("horizontal", checks.rmse_r_m, 0.0, points)),
        ]
    if checks.rmse_z_m is not None and checks.vertical_95_m is not None:
        points = checks.vertical_points or 0
        blocks += [
            Paragraph(nssda_statement("vertical", checks.vertical_95_m, points)),
            Paragraph(asprs_statement("vertical", checks.rmse_z_m, 0.0, points)),
        ]
    return blocks


def _relative(found: NeighbourReport | None) -> list[Block]:
    if found is None:
        return []
    pair = " and ".join(mark for mark in found.worst_pair if mark)
    text = (
        f"{found.within} of {found.pairs} pairs of neighbouring marks lie within 2 cm + 50 "
        f"ppm at 95 % of each other; the worst pair, {pair}, is known to "
        f"{_metres(found.worst_95_m)} m where {_metres(found.allowed_m)} m would be allowed. "
        "For information only: this is no boundary survey."
    )
    return [Heading("Relative precision of neighbouring marks", 2), Paragraph(text)]


def _mistakes(found: Sequence[MistakeReport]) -> list[Block]:
    blocks: list[Block] = [Heading("Mistakes", 2)]
    if not found:
        return [*blocks, Paragraph("None stands out of what the misclosures can show.")]
    rows = tuple(
        (
            m.kind,
            m.run,
            ", ".join(map(str, m.lines)),
            ", ".join(m.marks),
        )
        for m in found
    )
    columns = (
        Column("kind", 1.0),
        Column("run", 0.5),
        Column("lines of the field book", 1.0),
        Column("marks", 1.0),
    )
    return [*blocks, Table(columns, rows)]


def _statement(package: Package) -> list[Block]:
    sheet = package.sheet
    who = sheet.surveyor or package.surveyor or "Surveyor"
    licence = f", {sheet.licence}" if sheet.licence else ", licence number"
    return [
        Heading("Statement", 2),
        Paragraph(
            "The survey described here was walked as stated and adjusted by least squares; the "
            "accuracies are those of this adjustment. It is no boundary survey, no certificate of "
            "accessibility and no drainage design."
        ),
        Signature((f"{who}{licence}", "Place, date")),
        Heading("Caution", 2),
        Paragraph(CAUTION),
    ]
