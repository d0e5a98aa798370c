"""A process: a description in the shape of OGC API - Processes beside the function that runs it.

Reading a description must cost nothing: a process module imports numpy and the rest inside `run`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["Context", "Input", "Output", "Process"]


@dataclass(frozen=True, slots=True)
class Input:
    """One input.

    Parameters
    ----------
    id
        Snake case; the command line shows it with dashes.
    title, description
    schema
        JSON Schema of the value. ``{"type": "string", "format": "path"}`` is a file to read.
    required
        Whether a request without it is refused.
    """

    id: str
    title: str
    description: str
    schema: Mapping[str, Any]
    required: bool = True


@dataclass(frozen=True, slots=True)
class Output:
    """One output: written as ``<id>.<extension>``, named in the answer with its media type."""

    id: str
    title: str
    description: str
    media_type: str
    extension: str


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
        and returns a JSON-ready summary.
    example
        Inputs of an example request that runs on sample_data.
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
