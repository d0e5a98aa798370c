"""The samples built in this process, each once for all tests that read what was built of it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from geosite.build import build
from geosite.fieldbook.model import Notes
from geosite.fieldbook.read import read_survey
from geosite.handover.model import Package

SAMPLES = Path(__file__).parents[1] / "sample_data"


@cache
def notes_of(sample: str) -> Notes:
    return read_survey(SAMPLES / sample / "site.toml")


@cache
def package_of(sample: str) -> Package:
    return build(notes_of(sample))
