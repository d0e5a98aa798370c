"""The commands. Each reads its arguments, calls geosite and prints; nothing is computed here."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from geosite.base import interrupt
from geosite.base.errors import InputError, Problem
from geosite.base.version import __version__
from geosite_cli.calibrate import calibrate
from geosite_cli.execute import Execute
from geosite_cli.explain import describe, guide
from geosite_cli.new_site import import_, new
from geosite_cli.options import CONTEXT, JSON, OUT, SITE, SelfExplaining, print_json
from geosite_cli.terminal import echo, progress

__all__ = ["geosite"]


class Commands(SelfExplaining):
    """The group, which suggests a near name for an unknown command."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order a newcomer meets them."""
        return list(self.commands)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command of the first word."""
        name = args[0]
        if self.get_command(ctx, name) is None and not name.startswith("-"):
            from geosite.base.problems import did_you_mean, nearest

            close = nearest(name, self.commands)
            hint = did_you_mean(close, f"one of {', '.join(self.commands)}")
            raise click.UsageError(f'there is no command "{name}"; {hint}', ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=Commands,
    context_settings=CONTEXT,
    epilog="\b\nExample:\n  geosite new --list\n  geosite new yard\n"
    "  geosite build yard/site.toml --out yard/map",
)
@click.version_option(__version__, message="geosite %(version)s")
def geosite() -> None:
    """Turn a hand-walked site survey into map files, with their accuracy stated.

    A survey is a field book (a CSV table of the marks you walked) and a site file (which two marks
    are the baseline, and where they lie on the map). geosite adjusts the walks, draws what was
    walked, models the ground and says how far every number can be trusted.

    It is no boundary survey and no certificate: local codes and licensed professionals decide.
    """


def _print_report(report: Mapping[str, Any], as_json: bool) -> None:
    if as_json:
        print_json(report)
        return
    from geosite.processes.summary import lines

    for style, text in lines(report):
        echo(style, text)


@geosite.command(epilog="\b\nExample:\n  geosite build yard/site.toml --out yard/map")
@SITE
@OUT
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    metavar="FILE.gpkg",
    help="Add the layers, as site_..., to this GeoPackage of yours as well.",
)
@JSON
def build(site: Path, out: Path, into: Path | None, as_json: bool) -> None:
    """Make the map files of a survey.

    Writes the layers (site.gpkg), the elevation, slope and drainage rasters, the quantities and a
    report into DIR, and prints what a contractor wants to know first: how well the walk closed, how
    well it fits the baseline, the area of each surface, and what to look at.

    Either all files are written or none. With --into the layers also go into a GeoPackage that you
    keep: your own layers stay as they are, and the next run replaces only what this one added.
    """
    from geosite.processes.build_site import PROCESS
    from geosite.processes.registry import run_process

    added: tuple[str, ...] = ()
    if into is not None:
        from geosite.handover.formats.append import append_layers, check_appendable

        check_appendable(into)
    result = run_process(PROCESS, {"site": str(site)}, out, progress())
    if into is not None:
        added = append_layers(out / "site.gpkg", into)
    _print_report(result.summary, as_json)
    if not as_json:
        from geosite.handover.folder.read_first import READ_FIRST

        echo("plain", f"{out / READ_FIRST} says what each file is and which to open first")
    if added and not as_json:
        echo("good", f"{into}: {len(added)} layers added, {added[0]} to {added[-1]}")


@geosite.command(epilog="\b\nExample:\n  geosite check yard/site.toml --sketch yard/sketch.svg")
@SITE
@click.option(
    "--sketch",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Also draw walks, misclosures and suspects into a picture, .svg or .png; - draws them "
    "with letters here.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Also say whether a build could be written here; nothing is.",
)
@JSON
def check(site: Path, sketch: Path | None, out: Path | None, as_json: bool) -> None:
    """Say how far a survey can be trusted, and whether it would build; changes nothing.

    Reports closure, the fit on the baseline and everything in the field book that looks wrong, and
    refuses what a build would refuse. Run it before you leave the site: a forgotten mark is quickly
    walked now.
    """
    from geosite.handover.folder.output_place import refuse_place
    from geosite.handover.folder.staging import refuse_among
    from geosite.processes.check_survey import report
    from geosite.processes.sketching import sketch_into, sketch_lines

    letters = str(sketch) == "-"
    if out is not None:
        refuse_among(out, [site])
        refuse_place(out)
    # drawn first: a survey that is refused is the one that wants a look
    if sketch is not None and not letters:
        sketch_into(site, sketch)
    if letters and not as_json:
        for line in sketch_lines(site):
            echo("plain", line)
    _print_report(report(site), as_json)
    if sketch is not None and not letters and not as_json:
        echo("plain", f"Sketch: {sketch}")


geosite.add_command(new)
geosite.add_command(import_)
geosite.add_command(calibrate)


@geosite.command(
    "build-many", epilog="\b\nExample:\n  geosite build-many surveys --out maps --workers 4"
)
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@OUT
@click.option(
    "--workers",
    type=click.IntRange(1, 1000),
    metavar="NUMBER",
    help="Sites at a time on this machine. Default: one per core.",
)
@click.option(
    "--scheduler", metavar="ADDRESS", help="Build on the workers of this Dask scheduler instead."
)
@JSON
def build_many(
    folder: Path, out: Path, workers: int | None, scheduler: str | None, as_json: bool
) -> None:
    """Build every site below a folder, several at a time.

    Each site gets a folder of its own in DIR. DIR/sites.gpkg shows all of them on one map with
    their quality figures. A site that is wrong is reported and does not stop the others. Run it
    again after a break or a correction: sites that are done and unchanged are skipped.
    """
    from geosite.processes.hosts.build_many import build_many as build_all

    done = build_all(folder, out, workers=workers, scheduler=scheduler, progress=progress())
    if as_json:
        click.echo((out / "sites.json").read_text(encoding="utf-8"), nl=False)
    counts = dict.fromkeys(("built", "unchanged", "failed"), 0)
    for site in done:
        counts[site.status] += 1
        for problem in site.problems:
            click.echo(problem, err=True)
    if not as_json:
        words = ", ".join(f"{number} {status}" for status, number in counts.items())
        echo(
            "look" if counts["failed"] else "good",
            f"{len(done)} site{'s' if len(done) != 1 else ''}: {words}",
        )
        echo("plain", f"All on one map: {out / 'sites.gpkg'}")
    codes = {site.exit_code for site in done}
    # a bug outweighs everything, else the gravest of the others
    click.get_current_context().exit(1 if 1 in codes else max(codes))


@geosite.command(epilog="\b\nExample:\n  geosite verify yard/map --profile discovery")
@click.argument("place", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--profile", metavar="NAME|FILE", help="Also check what a receiver requires.")
def verify(place: Path, profile: str | None) -> None:
    """Check that a hand-over arrived whole and unchanged, and has what a receiver requires.

    DIR is the folder that geosite wrote, or its zip file. Every file is compared with the manifest
    in it. This proves that nothing changed on the way, not who made it. A profile lists files,
    layers, metadata, CRSs and accuracies; "discovery" comes with geosite, others are TOML files.
    """
    from geosite.handover.folder.manifest import unlisted
    from geosite.handover.folder.manifest import verify as check_manifest

    problems = check_manifest(place)
    if profile is not None:
        problems += _lacking(place, profile)
    if problems:
        raise InputError(problems)
    echo("good", f"{place}: every file is there and as it was written")
    extra = unlisted(place)
    if extra:
        names = ", ".join(extra[:10]) + (f" and {len(extra) - 10} more" if len(extra) > 10 else "")
        echo("look", f"{place}: not in the manifest, so nothing is known of them: {names}")
    if profile is not None:
        echo("good", f"{place}: has what the profile {profile} requires")


def _lacking(place: Path, name: str) -> tuple[Problem, ...]:
    from geosite.handover.submission.check import missing
    from geosite.handover.submission.profile import read_profile

    wanted = read_profile(name)
    if not place.is_dir():
        raise InputError(
            Problem(
                "profile-archive",
                "a profile is checked on a folder, not on an archive",
                "the folder that geosite wrote",
                "unpack the archive first",
                file=str(place),
            )
        )
    return missing(place, wanted)


@geosite.command("list", epilog="\b\nExample:\n  geosite list")
@JSON
@click.option("--full", is_flag=True, help="With --json: the whole description of each.")
def list_(as_json: bool, full: bool) -> None:
    """List the processes: what geosite, and what is plugged into it, can do."""
    from geosite.processes.description import describe as description
    from geosite.processes.description import summarise
    from geosite.processes.registry import processes

    found = processes()
    if as_json:
        print_json(
            {
                "processes": [
                    description(process) if full else summarise(process)
                    for process in found.processes.values()
                ],
                "broken": [
                    {"id": b.id, "package": b.package, "reason": b.reason} for b in found.broken
                ],
            }
        )
        return
    width = max(
        (len(name) for name in [*found.processes, *(b.id for b in found.broken)]), default=0
    )
    for name, process in found.processes.items():
        package = found.packages[name]
        echo(
            "plain",
            f"{name:{width}}  {process.title}" + (f" ({package})" if package != "geosite" else ""),
        )
    for broken in found.broken:
        echo("look", f"{broken.id:{width}}  cannot be used: {broken.reason} ({broken.package})")


geosite.add_command(describe)
geosite.add_command(guide)


@geosite.group(
    cls=Execute,
    subcommand_metavar="ID [OPTIONS] --out DIR",
    epilog="\b\nExample:\n  geosite execute derive-slope --elevation map/elevation.tif --out slope",
)
def execute() -> None:
    """Run one process; `geosite execute ID --help` shows its options.

    Results are written into DIR and named, as JSON, on standard output. A result of one process can
    be an input of the next.
    """


@geosite.command(epilog="\b\nExample:\n  geosite toolbox --out geosite_toolbox.zip")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.zip",
    help="The plug-in, to install from a zip file in the open GIS desktop.",
)
def toolbox(out: Path) -> None:
    """Write the plug-in that brings all processes into the toolbox of the open GIS desktop.

    The desktop runs this command for each of them; where it does not find it by itself, set its
    path in the options of its processing toolbox. Works with desktop versions from 3.22 on.
    """
    from geosite.processes.hosts.toolbox.package import write_toolbox

    write_toolbox(out)
    click.echo(f"{out} is ready; in the desktop: Plugins, Install from ZIP")


@geosite.command(epilog="\b\nExample:\n  geosite serve --folder served --port 5000")
@click.option(
    "--folder",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where uploaded files and results are kept; nothing outside it is read or written.",
)
@click.option(
    "--port",
    default=5000,
    show_default=True,
    type=click.IntRange(0, 65535),
    metavar="NUMBER",
    help="Port on this machine; 0 takes a free one.",
)
@click.option(
    "--time-limit",
    default=600.0,
    show_default=True,
    type=click.FloatRange(0.1, 1e6),
    metavar="SECONDS",
    help="Runs that take longer are ended.",
)
@click.option(
    "--upload-limit",
    default=500,
    show_default=True,
    type=click.IntRange(1, 1_000_000),
    metavar="MB",
    help="Largest file that may be sent.",
)
@click.option(
    "--memory-limit",
    default=8000,
    show_default=True,
    type=click.IntRange(500, 10_000_000),
    metavar="MB",
    help="Most memory that one run may take.",
)
def serve(folder: Path, port: int, time_limit: float, upload_limit: int, memory_limit: int) -> None:
    """Serve all processes to other programs on this machine, over OGC API - Processes.

    The address is printed once it answers, and below it a token that every request has to bring:
    "Authorization: Bearer TOKEN", or the token as the password of HTTP Basic. It is reachable from
    this machine only and answers in JSON. Send files with PUT to /files/uploads/NAME, run
    processes with POST to /processes/ID/execution, end it with Ctrl-C.
    """
    try:
        from geosite.processes.hosts.http import serve as start
        from geosite.processes.hosts.jobs import Limits
    except ModuleNotFoundError as error:
        raise InputError(
            Problem(
                "host-missing",
                f"{error.name} is not installed",
                "the optional part that serves processes",
                "install geosite[host]",
            )
        ) from error
    limits = Limits(
        seconds=time_limit,
        upload_bytes=upload_limit * 1_000_000,
        memory_bytes=memory_limit * 1_000_000,
    )

    def ready(url: str, token: str) -> None:
        click.echo(f"{url}\ntoken: {token}")

    start(folder, port, limits=limits, ready=ready)
    interrupt.was_the_end()
