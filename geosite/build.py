"""The straight line: field book, network, linework, terrain, review, handover."""

from __future__ import annotations

from geosite.fieldbook.model import Notes
from geosite.handover.folder.unwritable import refuse_unwritable
from geosite.handover.model import Package
from geosite.handover.pack import pack
from geosite.handover.report.make import refusals_in_readers_unit, survey_report
from geosite.handover.report.model import SurveyReport
from geosite.linework.draw import draw
from geosite.network.adjust import adjust
from geosite.review.answers import answer
from geosite.terrain.site import model_terrain

__all__ = ["build", "check"]


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
        network = adjust(notes)
        drawing = draw(notes, network)
        # only to see whether a build would be refused
        terrain = model_terrain(notes, network, drawing)
        answers = answer(notes, network, drawing, terrain)
        refuse_unwritable(pack(notes, network, drawing, terrain, answers), notes.site.handover)
        # a parcel map elsewhere is a wrong CRS or a wrong anchor: told before anything is built
        away = [finding for finding in answers.findings if finding.code == "parcels-away"]
        return survey_report(notes, network, drawing, away)
