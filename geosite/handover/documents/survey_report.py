"""The survey report: how it was walked, adjusted and placed, for the surveyor who signs it."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

import shapely

from geosite.base.rounding import seen
from geosite.base.spoken_units import like_measures, spoken
from geosite.base.units import plural
from geosite.base.wgs84 import to_wgs84
from geosite.drawing.document import (
    Block,
    Column,
    Heading,
    Paragraph,
    Signature,
    Table,
    lay_out,
)
from geosite.drawing.pdf import pdf
from geosite.fieldbook.sitefile import Handover
from geosite.handover.documents.adjusted import adjusted_blocks
from geosite.handover.documents.control import control_blocks
from geosite.handover.documents.findings import paper_for
from geosite.handover.documents.residuals import residual_blocks
from geosite.handover.documents.statements import asprs_statement, nssda_statement
from geosite.handover.model import CAUTION, Package
from geosite.handover.wording.measures import Measures
from geosite.handover.wording.reference import crs_words, height_words
from geosite.network.report_model import BaselineCheck, ClosureReport, NetworkReport
from geosite.network.report_trust import (
    CheckedAccuracy,
    MistakeReport,
    NeighbourReport,
    NoiseReport,
)

__all__ = ["degree_decimals", "survey_report_pdf"]

Record = Mapping[str, Any]

_EXAMPLE = 100.0
_LONG = {"m": "metres", "ft": "international feet"}


def survey_report_pdf(package: Package, options: Handover) -> bytes:
    """Return the survey report as a PDF document.

    Parameters
    ----------
    package
        With its report, lineage and the layer ``points``.
    options
        ``[handover]``: sheet, and the unit of lengths; coordinates stay in the map's.
    """
    measures = Measures(options.unit)
    network = NetworkReport() if package.report is None else package.report.network
    blocks: list[Block] = [
        Heading("Survey report"),
        *_what(package, network, measures),
        *_where(package, measures),
        *control_blocks(package, measures),
        *_closures(network.closures, measures),
        *_variance(network.noise),
        *_baseline(network.baseline, measures),
        *adjusted_blocks(package, measures),
        *residual_blocks(package, measures),
        *_corrections(package, measures),
        *_checks(network.check_points, measures),
        *_relative(network.neighbour_precision, measures),
        *_mistakes(network.mistakes),
        *_statement(package),
    ]
    return pdf(*lay_out(blocks, paper_for(package, options, "Survey report")))


def _what(package: Package, network: NetworkReport, measures: Measures) -> list[Block]:
    blocks: list[Block] = [Heading("What was walked", 2)]
    unit, names = measures.unit, _names_like_measures(package)
    blocks += [Paragraph(spoken(step, unit, names)) for step in package.lineage]
    rows = [
        (
            run.run,
            str(run.observations),
            f"{run.orientation_deg:.3f}"
            + (
                ", not known"
                if run.orientation_sigma_deg is None
                else f" +/- {seen(run.orientation_sigma_deg, 3)}"
            ),
            ""
            if run.direction is None
            else f"{seen(run.direction.misclosure_deg, 3)} "
            f"(sigma {seen(run.direction.sigma_deg, 3)})",
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
        blocks.append(
            Paragraph(
                "Sigma, the standard deviation, is the usual size of an error: two of three errors "
                "are smaller."
            )
        )
    return blocks


def _names_like_measures(package: Package) -> frozenset[str]:
    """Return the names in the package that must not be taken for measures."""
    points = next((layer for layer in package.layers if layer.name == "points"), None)
    named = ("run", "point", "feature", "code")
    records = points.records if points is not None else ()
    found = {str(record.get(key) or "") for record in records for key in named}
    return like_measures(package.title, package.frame.crs_name, *sorted(found))


def _where(package: Package, measures: Measures) -> list[Block]:
    frame = package.frame
    grid, unit = _EXAMPLE * frame.combined_factor, measures.unit
    datum = _datum(frame.crs_wkt)
    height = _datum(frame.vertical_wkt or "")
    words = [
        f"Map: {crs_words(frame.crs_wkt, frame.crs_name)}{f', datum {datum}' if datum else ''}.",
        f"Elevations: {height_words(frame)}{f', datum {height}' if height else ''}.",
        f"Combined factor {frame.combined_factor:.8f} at the middle of the survey (grid scale "
        f"factor {frame.grid_scale_factor:.8f}, elevation factor {frame.elevation_factor:.8f}). "
        f"Convergence {math.degrees(frame.convergence):.5f} degrees, geodetic azimuth minus grid "
        "azimuth.",
        f"For example, {_EXAMPLE:.3f} {unit} on the ground are {grid:.3f} {unit} on the map grid. "
        f"Areas, lengths and plans are ground values, lengths in {_LONG[unit]}; coordinates are "
        f"the map's, in {plural(frame.unit_name)}, elevations in "
        f"{plural(frame.height_unit_name)}.",
    ]
    words += _on_earth(package, measures)
    return [Heading("Where it lies", 2), *(Paragraph(text) for text in words)]


def _on_earth(package: Package, measures: Measures) -> list[str]:
    """Say where on earth the baseline marks are, with no more digits than are known."""
    layer = next((layer for layer in package.layers if layer.name == "baseline"), None)
    if layer is None or not package.frame.crs_wkt:
        return []
    wgs84 = to_wgs84(package.frame)
    record = layer.records[0]
    places = wgs84.place(shapely.get_coordinates(layer.geometries[0])[:, :2])
    marks = next((layer.records for layer in package.layers if layer.name == "marks"), ())
    own = [m.get("ellipse_major_m") or 0.0 for m in marks if m["point"] in _ends(record)]
    error_m = math.hypot(max(own, default=0.0), wgs84.accuracy_m or 0.0)
    by_system = (wgs84.accuracy_m or 0.0) > max(own, default=0.0)
    decimals = degree_decimals(error_m if wgs84.accuracy_m is not None else max(error_m, 1.0))
    told = "; ".join(
        f"{name} {latitude:.{decimals}f}, {longitude:.{decimals}f}"
        for name, (longitude, latitude) in zip(_ends(record), places.tolist(), strict=True)
    )
    good = (
        "how well the map fits that system is not known"
        if wgs84.accuracy_m is None
        else f"right to {error_m / measures.unit_m:.2g} {measures.unit}"
        + (", for so well is it known how the map lies in that system" if by_system else "")
    )
    return [f"Baseline marks in latitude and longitude (EPSG:4326), degrees: {told}; {good}."]


def _ends(baseline: Record) -> tuple[str, str]:
    return str(baseline["from_point"]), str(baseline["to_point"])


def degree_decimals(error_m: float) -> int:
    """Return how many decimals of a degree show a place that is known so well, from 3 to 8.

    Half of the last decimal, of at most 111.32 km a degree, is no more than the error.

    Examples
    --------
    >>> degree_decimals(1.0), degree_decimals(0.02), degree_decimals(0.0)
    (5, 7, 8)
    """
    if error_m <= 0:
        return 8
    return min(max(math.ceil(math.log10(111_320 / (2 * error_m))), 3), 8)


def _datum(wkt: str) -> str:
    """Return the name of the datum or datum ensemble of a CRS, with its epoch where it has one."""
    found = re.search(r'\b(?:[A-Z]*DATUM|ENSEMBLE|VRF)\["([^"]{1,80})"', wkt)
    if found is None:
        return ""
    epoch = re.search(r"FRAMEEPOCH\[([0-9.]+)\]", wkt)
    return found[1] + (f", epoch {epoch[1]}" if epoch else "")


def _closures(closures: Sequence[ClosureReport], measures: Measures) -> list[Block]:
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
            measures.fine(c.length_m, 1),
            measures.fine(c.misclosure_m),
            measures.fine(c.sigma_m),
            measures.fine(c.misclosure_up_m),
            "" if c.ratio is None else f"1:{c.ratio:.0f}",
        )
        for c in closures
    )
    columns = (
        Column("run", 0.5),
        Column("mark", 0.5),
        Column("lines of the\nfield book", 0.9),
        Column(f"length\n{measures.unit}", 0.7, "end"),
        Column(f"misclosure\n{measures.unit}", 0.8, "end"),
        Column(f"expected, one\nsigma, {measures.unit}", 0.9, "end"),
        Column(f"in height\n{measures.unit}", 0.7, "end"),
        Column("ratio", 0.7, "end"),
    )
    return [Heading("Closures", 2), Table(columns, rows)]


def _variance(noise: NoiseReport | None) -> list[Block]:
    if noise is None:
        return []
    rows = tuple(
        (
            axis,
            f"{found.freedom:.0f}",
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
        "accuracy of this hand-over was multiplied with. The more degrees of freedom, "
        "misclosures that do not follow from others, the surer is the estimate."
    )
    return [Heading("Variance factors", 2), Paragraph(text), Table(columns, rows)]


def _baseline(check: BaselineCheck | None, measures: Measures) -> list[Block]:
    if check is None:
        return []
    unit = measures.unit
    measured, mapped, sigma = map(measures.fine, (check.measured_m, check.mapped_m, check.sigma_m))
    text = (
        f"{check.from_} to {check.to}: {measured} {unit} measured, "
        f"{mapped} {unit} on the map, both on the ground: {check.ppm:+.0f} ppm, "
        f"{abs(check.sigmas):.1f} times the standard deviation of {sigma} {unit}."
    )
    return [Heading("Baseline", 2), Paragraph(text)]


def _corrections(package: Package, measures: Measures) -> list[Block]:
    """List how far the adjustment moved the visits to marks that were visited more than once."""
    layer = next((layer for layer in package.layers if layer.name == "points"), None)
    visits: dict[str, list[Record]] = {}
    for record in layer.records if layer is not None else ():
        if record.get("point"):
            visits.setdefault(str(record["point"]), []).append(record)
    rows = tuple(
        (name, run, str(len(mine)), ", ".join(measures.fine(v.get("correction_m")) for v in mine))
        for name, found in visits.items()
        if len(found) > 1
        for run, mine in _by_run(found).items()
    )
    if not rows:
        return []
    columns = (
        Column("mark", 1.0),
        Column("run", 1.0),
        Column("visits", 0.5, "end"),
        Column(f"moved by\n{measures.unit}", 1.2, "end"),
    )
    text = (
        "How far the adjustment moved each visit to a mark that was visited more than once, in "
        "plan, against the walk placed by the start of its run alone."
    )
    return [Heading("Corrections of repeated visits", 2), Paragraph(text), Table(columns, rows)]


def _by_run(visits: list[Record]) -> dict[str, list[Record]]:
    """Return the visits to one mark by their run, in the order walked."""
    found: dict[str, list[Record]] = {}
    for visit in visits:
        found.setdefault(str(visit.get("run")), []).append(visit)
    return found


def _checks(checks: CheckedAccuracy | None, measures: Measures) -> list[Block]:
    blocks: list[Block] = [Heading("Check points", 2)]
    if checks is None:
        text = "No mark with known coordinates was kept out of the adjustment to check it."
        return [*blocks, Paragraph(text)]
    unit = measures.unit
    rows = tuple(
        (
            p.mark,
            *map(measures.fine, (p.east_m, p.north_m, p.up_m, p.sigma_h_m, p.sigma_v_m)),
        )
        for p in checks.points
    )
    columns = (
        Column("mark", 1.0),
        Column(f"east\n{unit}", 0.8, "end"),
        Column(f"north\n{unit}", 0.8, "end"),
        Column(f"up\n{unit}", 0.8, "end"),
        Column(f"expected in\nplan, sigma, {unit}", 1.1, "end"),
        Column(f"expected in\nheight, sigma, {unit}", 1.1, "end"),
    )
    blocks.append(Table(columns, rows))
    if checks.rmse_r_m is not None and checks.horizontal_95_m is not None:
        points = checks.horizontal_points or 0
        blocks += [
            Paragraph(nssda_statement("horizontal", checks.horizontal_95_m, points, unit)),
            Paragraph(asprs_statement("horizontal", checks.rmse_r_m, 0.0, points, unit)),
        ]
    if checks.rmse_z_m is not None and checks.vertical_95_m is not None:
        points = checks.vertical_points or 0
        blocks += [
            Paragraph(nssda_statement("vertical", checks.vertical_95_m, points, unit)),
            Paragraph(asprs_statement("vertical", checks.rmse_z_m, 0.0, points, unit)),
        ]
    return blocks


def _relative(found: NeighbourReport | None, measures: Measures) -> list[Block]:
    if found is None:
        return []
    pair = " and ".join(mark for mark in found.worst_pair if mark)
    least = "2 cm" if measures.unit == "m" else "0.07 ft"
    text = (
        f"Of {found.pairs} pairs of neighbouring marks {found.within} are placed against "
        f"each other within {least} + 50 ppm at 95 %, {found.pairs - found.within} are not; the "
        f"worst pair, {pair}, to "
        f"{measures.fine(found.worst_95_m)} {measures.unit} where "
        f"{measures.fine(found.allowed_m)} {measures.unit} would be allowed. "
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


def _acknowledgement(package: Package) -> list[Block]:
    """Return the place where the receiver signs for it, where the submission asks for that."""
    named = package.submission.acknowledged_by
    if not named:
        return []
    who = (package.sheet.client or package.client or "Client") if named == "client" else named
    words = "Received with the files that it tells of. The receipt confirms no accuracy."
    return [Paragraph(words), Signature((f"Received by {who}", "Place, date"))]


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
        *_acknowledgement(package),
        Heading("Caution", 2),
        Paragraph(CAUTION),
    ]
