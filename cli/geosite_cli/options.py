"""Arguments and options that several commands share, and printing for programs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import click

from geosite_cli.terminal import echo

__all__ = ["CONTEXT", "JSON", "OUT", "SITE", "SelfExplaining", "print_json", "print_lines"]

CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100}

SITE = click.argument("site", type=click.Path(path_type=Path), metavar="SITE.toml")
OUT = click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for the files; made if it is not there.",
)
JSON = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON for another program to read."
)


class SelfExplaining(click.Group):
    """A group that shows its help where nothing is asked of it; a bad call all the same.

    Versions of click differ in where they write it, and with which status.
    """

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the words behind the group's own."""
        if not args and not ctx.resilient_parsing:
            click.echo(ctx.get_help(), err=True)
            ctx.exit(2)
        return super().parse_args(ctx, args)


def print_json(value: Mapping[str, Any]) -> None:
    """Print facts for a program: sorted keys, no NaN."""
    click.echo(json.dumps(value, indent=2, sort_keys=True, allow_nan=False, ensure_ascii=False))


def print_lines(lines: Iterable[tuple[str, str]]) -> None:
    """Print lines for people, each with its style."""
    for style, text in lines:
        echo(style, text)
