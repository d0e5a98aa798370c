"""The process ``calibrate-device``: what the error of a device is made of, from surveys of it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geosite.processes.model import Context, Input, Output, Process

__all__ = ["PROCESS"]


def _run(inputs: Mapping[str, Any], context: Context) -> Mapping[str, Any]:
    from geosite.processes.calibrating import as_facts, calibrate_into

    out = context.out / "device.toml"
    made = calibrate_into([Path(site) for site in inputs["sites"]], out, context.progress)
    context.progress(1.0, "done")
    facts = {name: fact for name, fact in as_facts(made, out).items() if name != "file"}
    findings = [
        {"level": "look", "text": f"{file}: nothing checks this survey, so it took no part"}
        for file in made.unchecked
    ] + [{"level": "look", "text": finding.text} for finding in made.mistakes]
    return {**facts, "findings": findings}


PROCESS = Process(
    id="calibrate-device",
    version="1.0.0",
    title="What the error of a device is made of",
    description=(
        "Measures from surveys walked with one device how far its pointing, random walk, heading, "
        "scale, climb and tilt stray: from how loops close, how runs meet and how the baseline "
        "fits. No truth is needed. Name the result in a site file under [survey.device]."
    ),
    keywords=("survey", "device", "calibration"),
    inputs=(
        Input(
            "sites",
            "Site files",
            "Site files of surveys walked with one device, each coming back to its marks",
            {
                "type": "array",
                "items": {
                    "type": "string",
                    "format": "path",
                    "contentMediaType": "application/toml",
                },
                "minItems": 1,
            },
        ),
    ),
    outputs=(Output("device", "Device", "To lay beside a site file.", "application/toml", "toml"),),
    run=_run,
    example={
        "sites": [
            "sample_data/ferry_landing/site.toml",
            "sample_data/ferry_landing/as_built/site.toml",
        ]
    },
)
