"""Commands that explain: the reference and the guide."""

from __future__ import annotations

import click

from geosite_cli.execute import example_call
from geosite_cli.options import JSON, print_json, print_lines
from geosite_cli.terminal import echo

__all__ = ["describe", "guide"]


@click.command(epilog="\b\nExample:\n  geosite describe site-file codes")
@click.argument("what", metavar="WHAT")
@click.argument("part", metavar="[PART]", required=False)
@JSON
@click.option(
    "--json-schema",
    "as_schema",
    is_flag=True,
    help="With site-file: its JSON Schema, so that an editor completes and checks it.",
)
def describe(what: str, part: str | None, as_json: bool, as_schema: bool) -> None:
    """Describe what may be written, what comes out, or a process.

    \b
    WHAT is one of
      site-file [TABLE]    every table and key of the site file
      field-book [COLUMN]  its columns, and segments with a drawing each
      limits [SET]         limit sets for grades, with their sections
      outputs [FILE]       every file, its layers and columns with units
      a process id         what it does, takes and makes: geosite list

    With --json for programs, a process as an OGC API - Processes description.
    """  # noqa: D301 - the escape is the sign by which a table keeps its lines
    from geosite.processes.reference import TOPICS, describe_topic

    if as_schema:
        from geosite.fieldbook.reference import json_schema

        if what != "site-file":
            raise click.UsageError("--json-schema goes with site-file", click.get_current_context())
        print_json(json_schema())
        return
    if what in TOPICS:
        lines, facts = describe_topic(what, part)
        if as_json:
            print_json(facts)
        else:
            print_lines(lines)
        return
    if part is not None:
        raise click.UsageError(
            f'"{what}" has no parts; one of {", ".join(TOPICS)} has', click.get_current_context()
        )
    _describe_process(what, as_json)


def _describe_process(process_id: str, as_json: bool) -> None:
    from geosite.base.errors import InputError
    from geosite.base.problems import did_you_mean, nearest
    from geosite.processes.description import describe as description
    from geosite.processes.reference import TOPICS
    from geosite.processes.registry import find

    try:
        process = find(process_id)
    except InputError:
        topic = nearest(process_id, TOPICS)
        if topic is None:
            raise
        raise click.UsageError(
            f'there is no topic or process "{process_id}"; {did_you_mean(topic, "")}',
            click.get_current_context(),
        ) from None
    if as_json:
        print_json(description(process))
        return
    echo("title", f"{process.id} {process.version}: {process.title}")
    echo("plain", process.description)
    echo("title", "\nInputs")
    for given in process.inputs:
        detail = "" if given.required else ", may be left out"
        if "default" in given.schema:
            detail = f", default {given.schema['default']}"
        kind = (
            "files"
            if given.is_path_list
            else "file"
            if given.is_path
            else str(given.schema.get("type", "value"))
        )
        if "enum" in given.schema:
            kind = " | ".join(map(str, given.schema["enum"]))
        echo("plain", f"  {given.id} ({kind}{detail}): {given.description}")
    echo("title", "\nOutputs")
    for made in process.outputs:
        echo("plain", f"  {made.id} ({made.media_type}): {made.description}")
        for column in made.columns():
            echo("plain", f"      {column.told}")
    echo("title", "\nExample")
    echo("plain", f"  {example_call(process)}")


@click.command(epilog="\b\nExample:\n  geosite guide segments")
@click.argument("topic", metavar="[TOPIC]", required=False)
def guide(topic: str | None) -> None:
    """Read how to get from the walk to the map, and what to do when something is refused."""
    from geosite.base.problems import did_you_mean, nearest
    from geosite_cli.guide import TOPICS, guide_text

    if topic is None:
        echo("title", "Topics")
        for name, title in TOPICS.items():
            echo("plain", f"  geosite guide {name:10} {title}")
        return
    if topic not in TOPICS:
        close = nearest(topic, TOPICS)
        hint = did_you_mean(close, f"one of {', '.join(TOPICS)}")
        raise click.UsageError(f'there is no topic "{topic}"; {hint}', click.get_current_context())
    for line in guide_text(topic).splitlines():
        if not line.startswith("```"):
            heading = line.startswith("# ")
            command = line.startswith("geosite ")
            style = "title" if heading else "good" if command else "plain"
            echo(style, line.removeprefix("# ") if heading else f"   $ {line}" if command else line)
