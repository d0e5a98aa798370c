"""From the facts of every room to the report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from geosite.analysis.limits import CAUTION as ACCESS_CAUTION
from geosite.analysis.wording import BOUNDARY_CAUTION, clearance_words
from geosite.base.errors import Finding, GeositeError
from geosite.base.spoken_units import like_measures, spoken
from geosite.base.version import __version__
from geosite.base.wgs84 import outline
from geosite.handover.layers import (
    design_parts,
    designs,
    earthworks,
    grades,
    kerbs,
    parcels,
    peak_flows,
    prices,
    sections,
)
from geosite.handover.layers.distances import distance_columns
from geosite.handover.model import CAUTION
from geosite.handover.report_json.ground import ground_report
from geosite.handover.report_json.order import worst_first
from geosite.handover.report_model import answers as answers_model
from geosite.handover.report_model import site as model
from geosite.network.accuracy.on_map import half_widths, stated_sigmas

if TYPE_CHECKING:
    from geosite.analysis.access.grade_checks import Grade
    from geosite.analysis.answers import Answers
    from geosite.analysis.takeoff.prices import Valuation
    from geosite.analysis.takeoff.whole_cost import WholeCost
    from geosite.analysis.volumes.earthwork import Earthwork
    from geosite.base.arrays import Floats
    from geosite.fieldbook.model import Notes
    from geosite.linework.model import Drawing, Feature, Measure
    from geosite.network.model import Network
    from geosite.terrain.site import Terrain

__all__ = [
    "every_finding",
    "located",
    "names_like_measures",
    "refusals_in_readers_unit",
    "site_report",
    "survey_report",
]


def located(
    findings: Iterable[Finding],
    notes: Notes,
    network: Network,
    unit: Literal["m", "ft"] | None = None,
) -> tuple[Finding, ...]:
    """Add mark and place to findings that come from a row or name a mark, in the reader's unit.

    Parameters
    ----------
    findings
        In any order; those with a place keep it.
    notes, network
        Whose rows they speak of, and where these lie.
    unit
        To tell them in; that of the site file without it.
    """
    book, found = notes.book, []
    unit = unit or notes.site.handover.unit
    names = names_like_measures(notes, unit)
    in_file = np.argsort(book.line, kind="stable")
    lines = book.line[in_file]
    for finding in findings:
        row = None
        if finding.mark in book.marks:
            row = int(np.flatnonzero(book.mark == book.marks.index(finding.mark))[0])
        elif finding.file == book.file and finding.line is not None:
            last = int(np.searchsorted(lines, finding.line, side="right")) - 1
            if last >= 0 and lines[last] == finding.line:
                row = int(in_file[last])
        if row is not None and finding.place is None:
            east, north = network.frame.to_map(network.en[row]).tolist()
            mark = book.marks[book.mark[row]] if book.mark[row] >= 0 else None
            finding = replace(finding, mark=finding.mark or mark, place=(east, north))
        said = spoken(finding.text, unit, names)
        found.append(replace(finding, text=said))
    return tuple(found)


def names_like_measures(notes: Notes, unit: Literal["m", "ft"] | None = None) -> frozenset[str]:
    """Return the names of a survey that must not be taken for measures where a unit is told."""
    if (unit or notes.site.handover.unit) == "m":
        return frozenset()
    book, parcels = notes.book, notes.attached.parcels
    named = (book.marks, book.runs, book.features, book.codes, book.notes, book.file)
    return like_measures(notes.site, notes.site_file, *named, parcels.names if parcels else ())


@contextmanager
def refusals_in_readers_unit(notes: Notes) -> Iterator[None]:
    """Put what refuses a survey into the reader's unit; what the site file is told stays as it is.

    Parameters
    ----------
    notes
        Whose unit, and whose names stay.
    """
    try:
        yield
    except GeositeError as error:
        unit = notes.site.handover.unit
        if unit == "m":
            raise
        names = names_like_measures(notes)
        # what to write instead is written as it is in the files: only what was found is turned
        told = [replace(one, what=spoken(one.what, unit, names)) for one in error.problems]
        raise type(error)(told) from error


def survey_report(
    notes: Notes, network: Network, drawing: Drawing, further: Iterable[Finding] = ()
) -> model.SurveyReport:
    """Return how far the survey can be trusted.

    Parameters
    ----------
    notes, network, drawing
    further
        What else is to be looked at before anything is made of the survey.
    """
    site = notes.site.site
    return model.SurveyReport(
        geosite=__version__,
        site=model.Title(site.title, site.date or "", notes.site_file, notes.site.handover.unit),
        caution=(CAUTION, BOUNDARY_CAUTION, ACCESS_CAUTION),
        network=network.report,
        points=_points(network),
        areas={f.name: _area(f) for f in drawing.features if f.kind == "area"},
        lines={f.name: _line(f) for f in drawing.features if f.kind == "line"},
        findings=worst_first(
            located(
                (*notes.findings, *network.findings, *drawing.findings, *further), notes, network
            )
        ),
    )


def every_finding(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain | None,
    answers: Answers,
) -> tuple[Finding, ...]:
    """Return the findings of every room, in metres and in the order found."""
    return (
        *notes.findings,
        *network.findings,
        *drawing.findings,
        *(terrain.findings if terrain is not None else ()),
        *answers.findings,
    )


def site_report(
    notes: Notes,
    network: Network,
    drawing: Drawing,
    terrain: Terrain | None,
    answers: Answers,
) -> model.SiteReport:
    """Return everything; what stands in tables and layers is summed up."""
    survey = survey_report(notes, network, drawing)
    findings = every_finding(notes, network, drawing, terrain, answers)
    return model.SiteReport(
        geosite=survey.geosite,
        site=survey.site,
        caution=survey.caution,
        network=survey.network,
        points=survey.points,
        areas=survey.areas,
        lines=survey.lines,
        findings=worst_first(located(findings, notes, network)),
        terrain=None if terrain is None else ground_report(terrain, answers.falls, network.frame),
        distances=tuple(distance_columns().records(answers.distances)),
        grades=tuple(_grade(g) for g in answers.grades),
        sections={
            record.pop("section"): _section(record)
            for record in sections.columns().records(answers.profiles)
        },
        earthworks={w.name: _earthwork(w) for w in answers.earthworks},
        parcels=_parcels(answers),
        designs=tuple(designs.VOLUME_COLUMNS.records(answers.designs)),
        design_water=tuple(designs.water_records(answers.designs)),
        design_parcels=tuple(designs.PARCEL_COLUMNS.records(answers.design_clearances)),
        design_parts=tuple(design_parts.COLUMNS.records(answers.design_parts)),
        design_estimate=tuple(design_parts.estimates(answers.design_estimates).records),
        kerbs=tuple(kerbs.COLUMNS.records(answers.kerbs)),
        peak_flows=tuple(peak_flows.COLUMNS.records(answers.peak_flows)),
        prices=None if answers.prices is None else _prices(answers.prices),
        cost=None if answers.cost is None else _cost(answers.cost),
        alternatives=tuple(
            answers_model.Alternative(
                built=one.built, cost=None if one.cost is None else _cost(one.cost)
            )
            for one in answers.alternatives
        ),
    )


def _prices(found: Valuation) -> answers_model.Prices:
    listed = prices.columns(found.currency)
    lines = []
    for line, record in zip(found.lines, listed.records(found.lines), strict=True):
        del record["currency"]
        given = {key: value or "" for key, value in record.items() if key in ("title", "per")}
        lines.append(answers_model.PricedLine(**(record | given), at_minimum=line.at_minimum))
    return answers_model.Prices(
        currency=found.currency,
        lines=tuple(lines),
        total=found.total.value,
        total_low=found.total.low,
        total_high=found.total.high,
        without_price=found.without_price,
    )


def _cost(found: WholeCost) -> answers_model.Cost:
    total = found.total
    return answers_model.Cost(
        currency=found.currency,
        parts=tuple(
            answers_model.CostPart(
                design=part.design,
                title=part.title,
                amount=part.amount.value,
                amount_low=part.amount.low,
                amount_high=part.amount.high,
                without_price=part.without_price,
            )
            for part in found.parts
        ),
        total=total.value,
        total_low=total.low,
        total_high=total.high,
    )


def _points(network: Network) -> model.Points:
    sigma_h, sigma_v = map(_largest, stated_sigmas(network))
    plan_95, level_95 = map(_largest, half_widths(network))
    return model.Points(
        count=len(network.en),
        largest_sigma_h_m=sigma_h,
        largest_h_95_m=plan_95,
        largest_sigma_v_m=sigma_v,
        largest_v_95_m=level_95,
        outline_wgs84=outline(network.frame, network.frame.to_map(network.en)),
    )


def _largest(sigma: Floats) -> float | None:
    known = sigma[np.isfinite(sigma)]
    return float(known.max()) if known.size else None


def _measured(measure: Measure | None) -> model.Measured | None:
    if measure is None:
        return None
    found = measure.estimate
    return model.Measured(found.value, found.low, found.high, found.sigma, measure.grid)


def _area(feature: Feature) -> model.Area:
    return model.Area(
        code=feature.code,
        area_m2=_measured(feature.area),
        net_area_m2=_measured(feature.net_area),
        perimeter_m=_measured(feature.perimeter),
        edging_m=_measured(feature.edging),
        inside=feature.inside,
    )


def _line(feature: Feature) -> model.Line:
    length_3d, rise, fall = feature.length_3d, feature.rise, feature.fall
    assert length_3d is not None  # a line has them
    assert rise is not None
    assert fall is not None
    return model.Line(
        code=feature.code,
        length_m=_measured(feature.length),
        length_3d_m=length_3d.value,
        length_3d_sigma_m=length_3d.sigma,
        length_3d_95_m=length_3d.half_width,
        rise_m=rise.value,
        rise_sigma_m=rise.sigma,
        rise_95_m=rise.half_width,
        fall_m=fall.value,
        fall_sigma_m=fall.sigma,
        fall_95_m=fall.half_width,
    )


def _section(record: dict[str, Any]) -> answers_model.Section:
    known = {name: record[name] for name in answers_model.Section.__dataclass_fields__}
    return answers_model.Section(**known)


def _grade(grade: Grade) -> answers_model.Grade:
    found = grades.shown(grade)
    return answers_model.Grade(
        line=grade.span.line,
        limits=grade.requirement.limits,
        check=grade.check,
        start=grade.span.start,
        end=grade.span.end,
        start_m=grade.span.start_m,
        end_m=grade.span.end_m,
        value=None if found is None else found.value,
        value_low=None if found is None else found.low,
        value_high=None if found is None else found.high,
        sigma=None if found is None else found.sigma,
        limit=grades.limit(grade),
        section=grade.requirement.section,
        limit_from="default" if grade.requirement.is_default else "site",
        verdict=grade.verdict,
        extra_observations=grade.judged.extra_observations,
        unit=grades.unit(grade),
        probability=grade.probability,
    )


def _earthwork(work: Earthwork) -> answers_model.Earthwork:
    return answers_model.Earthwork(
        feature=work.feature,
        volumes={way.method: _volume(way) for way in earthworks.by_method(work)},
        covered=work.covered,
        sections=work.sections,
    )


def _volume(way: earthworks.ByMethod) -> answers_model.Volume:
    cut, fill, net = way.volumes.cut, way.volumes.fill, way.volumes.net
    return answers_model.Volume(
        cut_m3=cut.value,
        cut_low_m3=cut.low,
        cut_high_m3=cut.high,
        fill_m3=fill.value,
        fill_low_m3=fill.low,
        fill_high_m3=fill.high,
        net_m3=net.value,
        net_sigma_m3=net.sigma,
        net_low_m3=net.low,
        net_high_m3=net.high,
        cut_error_m3=way.cut_error_m3,
        fill_error_m3=way.fill_error_m3,
    )


def _parcels(answers: Answers) -> answers_model.Parcels | None:
    parcel_map = answers.parcel_map
    if parcel_map is None:
        return None
    shares = parcels.share_columns().records(answers.shares)
    return answers_model.Parcels(
        map_sigma_m=parcel_map.sigma_m,
        transformation=parcel_map.transformation,
        transformation_sigma_m=parcel_map.transformation_sigma_m,
        shares=tuple(
            answers_model.Share(**{**record, "code": record["code"] or ""}) for record in shares
        ),
        clearances=tuple(
            answers_model.Clearance(
                c.feature,
                c.parcel,
                c.distance.value,
                c.distance.sigma,
                c.distance.half_width,
                c.verdict,
                str(clearance_words(c)),
            )
            for c in answers.clearances
        ),
    )
