"""A process: a description in the shape of OGC API - Processes beside the function that runs it.

How to add one
--------------
1. Write a module with a module-level `Process`. Import nothing heavy at its top: reading a
   description must cost nothing, so numpy and the rest are imported inside `run`::

       from geosite.processes.model import Context, Input, Output, Process

       def _run(inputs, context):
           import numpy as np                      # here, not above
           ...
           path = context.out / "relief.tif"       # <output id>.<extension>
           return {"relief_m": 4.2}                # JSON-ready summary

       PROCESS = Process(id="derive-relief", ..., run=_run)

2. Name it in the entry-point group ``geosite.processes`` of your package; the name is the id::

       [project.entry-points."geosite.processes"]
       derive-relief = "your_package.relief:PROCESS"

That is all: after installation `geosite list`, `describe`, `execute` (with an option per input),
the Python interface and the HTTP host know it. Inputs arrive checked against their schemas, with
defaults filled in; paths arrive as text and name existing plain files. `geosite.reading`
reads points and rasters with the checks that every file from outside needs. Raise
`InputError`, `SurveyRefused` or `OutputRefused` of `geosite.base.errors` with one `Problem` per
fault; any other exception counts as a bug of the process. Give it an `example`: the tests run every
one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geosite.base.columns import Field

__all__ = ["GEOTIFF", "Context", "Input", "Output", "Process"]

GEOTIFF = "image/tiff; application=geotiff; profile=cloud-optimized"
"""Media type of the rasters that leave."""


@dataclass(frozen=True, slots=True)
class Input:
    """One input.

    Parameters
    ----------
    id
        Snake case; the command line shows it with dashes.
    title, description
    schema
        JSON Schema of the value. ``{"type": "string", "format": "path"}`` is a file to read, an
        ``array`` with such ``items`` is several. Stay
        with keywords that mean the same in JSON Schema 2020-12 and OpenAPI 3.0 (``minimum``, not
        ``exclusiveMinimum``): clients read both.
    required
        Whether a request without it is refused. One that is not required and has a ``default`` in
        its schema is filled in, one without stays out of the inputs.
    """

    id: str
    title: str
    description: str
    schema: Mapping[str, Any]
    required: bool = True

    @property
    def is_path(self) -> bool:
        """Whether the value names a file to read."""
        return self.schema.get("format") == "path"

    @property
    def is_path_list(self) -> bool:
        """Whether the value is a list of files to read."""
        items = self.schema.get("items")  # a schema need not say what is in a list
        if self.schema.get("type") != "array" or not isinstance(items, Mapping):
            return False
        return items.get("format") == "path"

    def paths(self, value: Any) -> list[str]:
        """Return the files that a checked value names, none where it names no files."""
        return [value] if self.is_path else list(value) if self.is_path_list else []


@dataclass(frozen=True, slots=True)
class Output:
    """One output: written as ``<id>.<extension>``, named in the answer with its media type.

    Parameters
    ----------
    id, title, description
    media_type, extension
    always
        False for one that some inputs leave out; without the file it is not in the answer.
    columns
        Of a table: returns its columns, for who reads the description.
    """

    id: str
    title: str
    description: str
    media_type: str
    extension: str
    always: bool = True
    columns: Callable[[], Sequence[Field]] = tuple

    @property
    def file_name(self) -> str:
        """Name of the file in the output folder."""
        return f"{self.id}.{self.extension}"


@dataclass(frozen=True, slots=True)
class Context:
    """Where a run may write, and whom it tells how far it is.

    Parameters
    ----------
    out
        Existing folder of this run alone; the host moves finished files to where they belong.
    progress
        Called with a share from 0 to 1 and a few words.
    """

    out: Path
    progress: Callable[[float, str], None] = lambda share, words: None


@dataclass(frozen=True, slots=True)
class Process:
    """A capability with its description.

    Parameters
    ----------
    id, version, title, description, keywords
    inputs, outputs
        In the order a reader should meet them.
    run
        Takes the validated inputs and a `Context`, writes the outputs it made into `Context.out`
        and returns a JSON-ready summary. What to look at goes under ``"findings"``, a list of
        ``{"level": "look", "text": ...}``; the command line shows it. A list of sentences under
        ``"told"`` is shown instead of the other numbers, ``"unit": "ft"`` has metres told in feet.
    example
        Inputs of an example request that runs on sample_data.
    hands_over
        The outputs are a folder to hand over, with a manifest: not one that its inputs lie in.
    """

    id: str
    version: str
    title: str
    description: str
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    run: Callable[[Mapping[str, Any], Context], Mapping[str, Any]]
    keywords: tuple[str, ...] = ()
    example: Mapping[str, Any] = field(default_factory=dict)
    hands_over: bool = False
