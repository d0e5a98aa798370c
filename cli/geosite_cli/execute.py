"""``geosite execute``: one command per process, its options generated from the description."""

from __future__ import annotations

import json
import shlex
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from geosite.base.errors import printable
from geosite.processes import inputs, registry
from geosite.processes.model import Input, Process
from geosite_cli.options import SelfExplaining
from geosite_cli.terminal import echo, progress

__all__ = ["Execute", "example_call"]


class Execute(SelfExplaining):
    """A group whose commands are the processes that are installed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the ids of the usable processes."""
        return list(registry.processes().processes)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command:
        """Return the command of one process; no other is loaded."""
        return _command(registry.find(cmd_name))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the processes by title."""
        with formatter.section("Processes"):
            formatter.write_dl([(p.id, p.title) for p in registry.processes().processes.values()])


def example_call(process: Process) -> str:
    """Return the command line of the process's example."""
    words = ["geosite", "execute", process.id]
    schemas = {given.id: given.schema for given in process.inputs}
    for name, value in process.example.items():
        option = name.replace("_", "-")
        if isinstance(value, bool):
            words.append(f"--{'' if value else 'no-'}{option}")
        else:
            words += [f"--{option}", _word(value, schemas[name])]
    return shlex.join([*words, "--out", "results"])


def _word(value: Any, schema: Mapping[str, Any]) -> str:
    if isinstance(value, list | tuple) and not any(isinstance(v, list | dict) for v in value):
        return ",".join(_word(item, schema.get("items", {})) for item in value)
    return (
        value
        if isinstance(value, str)
        else f"{value:g}"
        if isinstance(value, float)
        else json.dumps(value)
    )


def _command(process: Process) -> click.Command:
    options: list[click.Parameter] = [_option(given) for given in process.inputs]
    options.append(
        click.Option(
            ["--out"],
            metavar="DIR",
            required=True,
            type=click.Path(path_type=Path),
            help="Folder for the results; made if it is not there.",
        )
    )
    options.append(
        click.Option(
            ["--request"],
            metavar="FILE",
            type=click.Path(path_type=Path, allow_dash=True),
            help='Inputs from a JSON execute request, {"inputs": {...}}; options beside it win.',
        )
    )

    options.append(
        click.Option(
            ["--json", "as_json"],
            is_flag=True,
            help="Only the JSON that names the results, no words beside it.",
        )
    )

    def run(out: Path, request: Path | None, as_json: bool, **words: Any) -> None:
        # options that were not given stay out: the description has the defaults
        given = {name: word for name, word in words.items() if word not in (None, ())}
        values = {**_requested(request), **inputs.from_words(process, given)}
        result = registry.execute(process.id, values, out, progress=progress())
        if not as_json:
            _tell(process, result.summary)
        click.echo(json.dumps(result.outputs, indent=2))

    outputs = "\n".join(f"  {made.file_name}: {made.title}" for made in process.outputs)
    return click.Command(
        process.id,
        callback=run,
        params=options,
        short_help=process.title,
        help=f"{process.title}.\n\n{process.description}\n\n"
        f"\b\nResults:\n{outputs}\n\n\b\nExample:\n  {example_call(process)}",
    )


def _tell(process: Process, summary: Mapping[str, Any]) -> None:
    """Say on standard error what a run found; standard output is for the next program."""
    from geosite.processes.summary import of_process

    for style, text in of_process(process.title, summary):
        echo(style, text, err=True)
    if "network" in summary:
        return  # a report has told its findings
    for finding in summary.get("findings", ()):
        if finding["level"] == "look":
            click.echo(printable(f"look: {finding['text']}"), err=True)


def _requested(request: Path | None) -> dict[str, Any]:
    if request is None:
        return {}
    if str(request) == "-":
        return inputs.from_request(sys.stdin.buffer.read(), "standard input")
    return inputs.from_request(inputs.read_request(request), str(request))


def _option(given: Input) -> click.Option:
    name = given.id.replace("_", "-")
    schema = given.schema
    text = given.description.rstrip(".") + "."
    if "enum" in schema:
        text += f" One of {', '.join(map(str, schema['enum']))}."
    if "default" in schema:
        text += f" Default: {_word(schema['default'], schema)}."
    if given.required:
        text += " Required."
    if schema.get("type") == "boolean":
        return click.Option([f"--{name}/--no-{name}", given.id], default=None, help=text)
    if given.is_path_list:
        names = [f"--{name}", f"--{name.removesuffix('s')}", given.id]
        return click.Option(names, metavar="FILE", multiple=True, help=f"{text} May be repeated.")
    # words as they are: the schema check reports all faults together, click stops at the first
    return click.Option([f"--{name}", given.id], metavar=_metavar(given), help=text)


def _metavar(given: Input) -> str:
    if given.is_path:
        return "FILE"
    kind = given.schema.get("type")
    if kind == "array":
        low, high = given.schema.get("minItems"), given.schema.get("maxItems")
        return ",".join("N" * low) if low is not None and low == high and low < 10 else "A,B,..."
    return {"number": "NUMBER", "integer": "NUMBER", "object": "JSON"}.get(str(kind), "WORD")
