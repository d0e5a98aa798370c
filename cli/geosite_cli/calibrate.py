"""The command that fits a device to surveys of it."""

from __future__ import annotations

from pathlib import Path

import click

from geosite_cli.options import JSON, print_json, print_lines
from geosite_cli.terminal import progress

__all__ = ["calibrate"]


@click.command(
    epilog="\b\nExample:\n"
    "  geosite calibrate monday/site.toml tuesday/site.toml friday/site.toml --out device.toml"
)
@click.argument(
    "sites", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SITE.toml..."
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE.toml",
    help="The device; an earlier calibration at that name is replaced, another file is not.",
)
@JSON
def calibrate(sites: tuple[Path, ...], out: Path, as_json: bool) -> None:
    """Measure what the error of your device is made of, from surveys walked with it.

    No truth is needed: how loops close, how runs meet and how the baseline fits tell how far
    pointing, random walk, heading, scale, climb and tilt stray. Three surveys or more of the same
    device, each coming back to its marks. Says what these walks do not tell and how to walk so that
    they would; each survey is left out in turn to prove the rest.

    Lay FILE.toml beside a site file and name it there under [survey.device].
    """
    from geosite.processes.calibrating import as_facts, calibrate_into, said

    made = calibrate_into(sites, out, progress())
    if as_json:
        print_json(as_facts(made, out))
    else:
        print_lines(said(made, out))
