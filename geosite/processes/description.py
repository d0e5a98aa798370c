"""Process descriptions in the shape of OGC API - Processes, Part 1 (OGC 18-062r2, section 7.10).

Links are left out: they belong to a server, which adds its own.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from geosite.processes.model import Input, Output, Process

__all__ = ["describe", "summarise"]


def summarise(process: Process) -> dict[str, Any]:
    """Return the process summary (18-062r2, schema ``processSummary``)."""
    return {
        "id": process.id,
        "version": process.version,
        "title": process.title,
        "description": process.description,
        "keywords": list(process.keywords),
        "jobControlOptions": ["sync-execute", "async-execute", "dismiss"],
        "outputTransmission": ["value", "reference"],
    }


def describe(process: Process) -> dict[str, Any]:
    """Return the process description (18-062r2, schema ``process``), with an example request."""
    return {
        **summarise(process),
        "inputs": {given.id: _input(given) for given in process.inputs},
        "outputs": {made.id: _output(made) for made in process.outputs},
        "example": {"inputs": _plain(process.example)},
    }


def _plain(mapping: Mapping[str, Any]) -> dict[str, Any]:
    return copy.deepcopy(dict(mapping))


def _input(given: Input) -> dict[str, Any]:
    return {
        "title": given.title,
        "description": given.description,
        "schema": _plain(given.schema),
        "minOccurs": 1 if given.required else 0,
        "maxOccurs": 1,
    }


def _output(made: Output) -> dict[str, Any]:
    schema: dict[str, Any] = {"type": "string", "contentMediaType": made.media_type}
    if made.media_type.startswith("application/json"):
        schema = {"type": "object", "contentMediaType": made.media_type}
    elif not made.media_type.startswith("text/"):
        schema["contentEncoding"] = "binary"
    told = [made.description, *(one.told for one in made.columns())]
    return {"title": made.title, "description": "\n".join(told), "schema": schema}
