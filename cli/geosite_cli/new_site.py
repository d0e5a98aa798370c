"""Commands that begin a survey: a starter to fill in, and the import of exports."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from geosite_cli.options import JSON, OUT, print_json, print_lines

__all__ = ["import_", "new"]


@click.command(epilog="\b\nExample:\n  geosite new --list\n  geosite new yard")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR", required=False)
@click.option(
    "--starter", default="landing", show_default=True, metavar="NAME", help="Kind of job."
)
@click.option("--list", "list_them", is_flag=True, help="Name the starters, write nothing.")
def new(folder: Path | None, starter: str, list_them: bool) -> None:
    """Write a starter site to replace with your own.

    DIR gets a commented site file and a small invented field book that build as they are.
    """
    if list_them:
        from geosite.fieldbook.starter import STARTERS

        width = max(map(len, STARTERS))
        print_lines(("plain", f"{name:{width}}  {one.title}") for name, one in STARTERS.items())
        return
    if folder is None:
        raise click.UsageError("Missing argument 'DIR'.", click.get_current_context())
    from geosite.processes.starter import write

    site = write(folder, starter)
    click.echo(f"{site} is ready; try: geosite build {site} --out {folder / 'map'}")


@click.command(
    "import",
    epilog='\b\nExample:\n  geosite import walk.csv --out yard --baseline-length "58.7 ft"',
)
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILES..."
)
@OUT
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="ROLE=NAME",
    help="Which column is what, by header or number: x, y, z, run, point, feature, code, segment, "
    "note, time. A minus turns an axis: z=-Depth. Again for each column.",
)
@click.option(
    "--layer",
    "layers",
    multiple=True,
    metavar="NAME",
    help="Sheet or layer to take, where a file has several. Again for each.",
)
@click.option("--unit", type=click.Choice(["m", "ft", "ftUS"]), help="Unit of x, y and z.")
@click.option(
    "--decimal", type=click.Choice([".", ","]), help="Decimal mark, where the file leaves it open."
)
@click.option("--baseline", metavar="FROM,TO", help="The two marks that every walk visits.")
@click.option(
    "--baseline-length",
    metavar="LENGTH",
    help='Its measured length with the unit, "10 m" or "32.8 ft": shows the unit of the export.',
)
@click.option("--crs", metavar="CODE", help="CRS of the map, such as EPSG:25832.")
@click.option(
    "--mark",
    "marks",
    multiple=True,
    metavar="NAME=E,N[,H]",
    help="Where a mark lies on the map, map units. Again for each mark.",
)
@click.option("--title", metavar="TEXT", help="Name of the site.")
@JSON
def import_(
    files: tuple[Path, ...], out: Path, layers: tuple[str, ...], as_json: bool, **words: Any
) -> None:
    """Make a field book and a site file of any export.

    FILES are tables of a device or a spreadsheet: one walk in each, or all in one; commas,
    semicolons, tabs or blanks; decimal points or commas; any encoding; headers in any order, or
    none; metres or feet; spreadsheets and point layers too.

    Columns are guessed from headers and numbers; how sure each guess is, is said, with a sketch.
    What the exports leave open is asked; what cannot be known is a marked gap in site.toml.
    """
    from geosite.processes.importing import answers_from, as_facts, import_into, said

    made = import_into(files, out, replace(answers_from(**words), layers=layers))
    if as_json:
        print_json(as_facts(made, out))
    else:
        print_lines(said(made, out))
