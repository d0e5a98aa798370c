"""The straight line: field book, network, linework, terrain, analysis, handover."""

from __future__ import annotations

from dataclasses import replace

import msgspec

from geosite.analysis.answers import Answers, answer
from geosite.base.errors import Finding, InputError
from geosite.base.problems import Problems
from geosite.fieldbook.model import Notes
from geosite.handover.assemble import pack
from geosite.handover.folder.unwritable import refuse_unwritable, told_where_asked
from geosite.handover.model import Package
from geosite.handover.report_json.make import refusals_in_readers_unit, survey_report
from geosite.handover.report_model.site import SurveyReport
from geosite.handover.submission.profile import read_profile
from geosite.linework.draw import draw
from geosite.linework.model import Drawing
from geosite.network.adjust import adjust
from geosite.network.model import Network
from geosite.reading.files import inside
from geosite.reading.toml_lines import line_of
from geosite.terrain.site import model_terrain
from geosite.terrain.site_ground import grid_over_marks
from geosite.terrain.wording import ground_not_tried

__all__ = ["build", "check"]

MOST_TRIED = 20_000
"""Marks on the ground up to which `check` makes a ground that nothing in the site file asks for."""


def build(notes: Notes) -> Package:
    """Turn the notes of a walked survey into everything that leaves.

    Parameters
    ----------
    notes
        From `geosite.fieldbook.read.read_survey`.

    Returns
    -------
    Package
        For `geosite.handover.folder.write.write_package`.

    Raises
    ------
    InputError
        The site file asks for something that is not in the field book.
    SurveyRefused
        The survey cannot be right: a loop that does not close, an outline that crosses itself.
    """
    with refusals_in_readers_unit(notes):
        _refuse_unknown_profile(notes)
        network = adjust(notes)
        drawing = draw(notes, network)
        terrain = model_terrain(notes, network, drawing)
        answers = answer(notes, network, drawing, terrain)
        return pack(notes, network, drawing, terrain, answers)


def check(notes: Notes) -> SurveyReport:
    """Return how far a survey can be trusted, with the findings; make nothing of it.

    Raises
    ------
    InputError
        The site file asks for something that is not in the field book, or that `build` refuses.
    SurveyRefused
        The survey cannot be right.
    OutputRefused
        It cannot be written as the site file asks.
    """
    with refusals_in_readers_unit(notes):
        _refuse_unknown_profile(notes)
        network = adjust(notes)
        drawing = draw(notes, network)
        found = _tried(notes, network, drawing)
        return survey_report(notes, network, drawing, found)


def _refuse_unknown_profile(notes: Notes) -> None:
    """Refuse what the receiver requires where nothing of that name is known or can be read."""
    profile = notes.site.submission.profile
    if profile is None:
        return
    key = ("submission", "profile")
    line = line_of(notes.site_lines, key)
    if profile.endswith(".toml"):
        problems = Problems()
        inside(notes.folder, profile, ".".join(key), problems, notes.site_file, line)
        if problems:
            raise InputError(problems.first())
    with notes.asked(*key):
        read_profile(profile, notes.folder, (notes.site_file, line))


def _tried(notes: Notes, network: Network, drawing: Drawing) -> tuple[Finding, ...]:
    """Raise what a build would be refused for; return what a check tells of that.

    Possible grounds only make intervals, which refuse nothing, and are not drained.
    """
    site = notes.site
    drainage = msgspec.structs.replace(site.drainage, confidence_runs=0)
    notes = replace(notes, site=msgspec.structs.replace(site, drainage=drainage))
    gridded = grid_over_marks(notes, network, drawing)
    if gridded is not None and len(gridded.rows) > MOST_TRIED and not _asks_of_ground(notes):
        answers = answer(notes, network, drawing, None)
        return (*_away(answers), ground_not_tried(len(gridded.rows)))
    terrain = model_terrain(notes, network, drawing)
    answers = answer(notes, network, drawing, terrain)
    with told_where_asked(notes):
        refuse_unwritable(pack(notes, network, drawing, terrain, answers), site.handover)
    return _away(answers)


def _away(answers: Answers) -> tuple[Finding, ...]:
    """Return the findings of what lies elsewhere: a wrong CRS, anchor or unit, told early."""
    return tuple(one for one in answers.findings if one.code in ("parcels-away", "elevation-far"))


def _asks_of_ground(notes: Notes) -> bool:
    """Tell whether the site file asks for what can only be refused once there is a ground."""
    site = notes.site
    return bool(
        site.grades.lines
        or site.sections
        or site.earthworks
        or site.designs
        or site.prices.codes
        or site.drainage.flow_paths_from
        or any(code.drains_to is not None for code in site.codes.values())
        or (site.handover.plan and site.handover.scale is not None)
    )
