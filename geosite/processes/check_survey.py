"""The process ``check-survey``: how far a survey can be trusted, without making anything of it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geosite.processes.build_site import SITE
from geosite.processes.model import Context, Output, Process

__all__ = ["PROCESS", "report"]


def report(site: Path) -> Mapping[str, Any]:
    """Return closure, fit on the baseline and findings of a survey; write nothing.

    Raises
    ------
    InputError, SurveyRefused
        It cannot be read, or it cannot be right.
    """
    from geosite.build import check
    from geosite.fieldbook.read import read_survey
    from geosite.handover.report_model.serialise import as_json

    return as_json(check(read_survey(site)))


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    from geosite.build import check
    from geosite.fieldbook.read import read_survey
    from geosite.handover.report_model.serialise import as_json, write_report

    found = check(read_survey(Path(inputs["site"])))
    write_report(context.out / "report.json", found)
    context.progress(1.0, "done")
    return as_json(found)


PROCESS = Process(
    id="check-survey",
    version="1.0.0",
    title="How far a walked survey can be trusted",
    description=(
        "Reports closure, the fit on the baseline and everything in the field book that looks "
        "wrong. Run it before leaving the site."
    ),
    keywords=("survey", "closure", "quality"),
    inputs=(SITE,),
    outputs=(Output("report", "Report", "Closure, fit and findings.", "application/json", "json"),),
    run=_run,
    example={"site": "sample_data/ferry_landing/site.toml"},
)
