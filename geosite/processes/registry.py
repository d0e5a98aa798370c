"""Which processes there are, and running one of them.

Built-in and third-party processes are found the same way: by the entry-point group
``geosite.processes``. The name of an entry point is the id of its process, so one process can be
run without loading the others, and a plug-in that fails harms nothing but itself.
"""

from __future__ import annotations

import contextlib
import re
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosite.base.errors import GeositeError, InputError, OutputRefused, Problem
from geosite.base.problems import did_you_mean, nearest
from geosite.processes.inputs import checked
from geosite.processes.model import Context, Process

if TYPE_CHECKING:
    from importlib.metadata import Distribution, EntryPoint

__all__ = [
    "GROUP",
    "Broken",
    "Listing",
    "PlugInError",
    "Result",
    "execute",
    "find",
    "processes",
    "run_process",
]

GROUP = "geosite.processes"

_ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", re.ASCII)
_INPUT_ID = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", re.ASCII)
_EXTENSION = re.compile(r"[a-z0-9]+(\.[a-z0-9]+)*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Broken:
    """A plug-in that cannot be used.

    Parameters
    ----------
    id
        Name of its entry point.
    package
        The distribution that brings it.
    reason
        Why not, in one line.
    """

    id: str
    package: str
    reason: str


@dataclass(frozen=True, slots=True)
class Listing:
    """Every process that was found.

    Parameters
    ----------
    processes
        By id: built-in ones first, then by id.
    packages
        The distribution that brings each.
    broken
        What cannot be used, and why.
    """

    processes: Mapping[str, Process]
    packages: Mapping[str, str]
    broken: tuple[Broken, ...]


@dataclass(frozen=True, slots=True)
class Result:
    """What a run made.

    Parameters
    ----------
    outputs
        ``{output id: {"href": path, "type": media type}}``, as the command prints it. A reference
        can be given as it is to an input of another process.
    summary
        What the process says about it, JSON-ready.
    """

    outputs: dict[str, dict[str, str]]
    summary: Mapping[str, Any]


class PlugInError(Exception):
    """A process of another package failed by a bug of its own."""

    def __init__(self, process_id: str, package: str) -> None:
        self.process_id = process_id
        self.package = package
        super().__init__(f"{process_id} of the package {package}")


def _package(entry: EntryPoint) -> str:
    return _name(entry.dist) if entry.dist is not None else "an unknown package"


@cache
def _name(package: Distribution) -> str:
    """Return the name of a package, whose description takes time to parse."""
    return package.name


def _found() -> tuple[list[EntryPoint], list[Broken]]:
    """Return one entry point per id, and those whose id was taken already."""
    # not needed to run a process that is at hand, as a build does
    from importlib.metadata import entry_points

    kept: dict[str, EntryPoint] = {}
    broken = []
    found = entry_points(group=GROUP)
    for entry in sorted(found, key=lambda e: (_package(e) != "geosite", e.name, _package(e))):
        if entry.name in kept:
            reason = f"the id is taken by the package {_package(kept[entry.name])}"
            broken.append(Broken(entry.name, _package(entry), reason))
        else:
            kept[entry.name] = entry
    return list(kept.values()), broken


def _load(entry: EntryPoint) -> Process | Broken:
    try:
        # what a plug-in prints on import must not end up between the results on standard output
        with contextlib.redirect_stdout(sys.stderr):
            process = entry.load()
        fault = _fault(entry.name, process)
    except KeyboardInterrupt:
        raise
    except BaseException as error:  # a plug-in may fail in any way, even by leaving
        text = " ".join(str(error).split())
        fault = f"{type(error).__name__}: {text}" if text else type(error).__name__
    if fault is not None:
        return Broken(entry.name, _package(entry), fault[:300])
    assert isinstance(process, Process)
    return process


def _fault(name: str, process: object) -> str | None:
    """Say what is wrong with a description, if anything."""
    if not isinstance(process, Process):
        return f"{type(process).__name__} instead of a geosite.processes.model.Process"
    if process.id != name:
        return f'the process calls itself "{process.id}", its entry point is "{name}"'
    if not _ID.fullmatch(process.id):
        return "the id is not lower-case words joined by dashes"
    for kind, names in (
        ("input", [given.id for given in process.inputs]),
        ("output", [made.id for made in process.outputs]),
    ):
        for one in names:
            if not _INPUT_ID.fullmatch(one):
                return f'the {kind} id "{one}" is not lower-case words joined by underscores'
            if names.count(one) > 1:
                return f'the {kind} "{one}" is there twice'
    for made in process.outputs:
        if not _EXTENSION.fullmatch(made.extension):
            return f'the output "{made.id}" has the extension "{made.extension}"'
    taken = {"out", "request", "help", "json", "as_json"} & {given.id for given in process.inputs}
    if taken:
        return f'the input id "{taken.pop()}" is an option of geosite execute already'
    if not callable(process.run):
        return "its run is not a function"
    for given in process.inputs:
        if not isinstance(given.schema, Mapping):
            return f'the schema of the input "{given.id}" is no mapping'
    return None


def processes() -> Listing:
    """Load every description.

    Returns
    -------
    Listing
        Usable processes and broken ones; nothing is raised for a broken one.
    """
    entries, broken = _found()
    usable: dict[str, Process] = {}
    packages: dict[str, str] = {}
    for entry in entries:
        loaded = _load(entry)
        if isinstance(loaded, Broken):
            broken.append(loaded)
        else:
            usable[entry.name] = loaded
            packages[entry.name] = _package(entry)
    return Listing(usable, packages, tuple(sorted(broken, key=lambda b: (b.id, b.package))))


def find(process_id: str) -> Process:
    """Load one process.

    Raises
    ------
    InputError
        There is none of that id, or its package is broken.
    """
    return _find(process_id)[0]


def _find(process_id: str) -> tuple[Process, str]:
    entries, _ = _found()
    by_id = {entry.name: entry for entry in entries}
    entry = by_id.get(process_id)
    if entry is None:
        close = nearest(process_id, by_id)
        raise InputError(
            Problem(
                "process-unknown",
                f'there is no process "{process_id}"',
                "the id of a process",
                did_you_mean(close, "see geosite list"),
            )
        )
    loaded = _load(entry)
    if isinstance(loaded, Broken):
        raise InputError(
            Problem(
                "plug-in-broken",
                f'the process "{process_id}" of the package {loaded.package} cannot be used: '
                f"{loaded.reason}",
                "a plug-in that loads",
                f"mend, update or remove {loaded.package}",
            )
        )
    return loaded, _package(entry)


def execute(
    process_id: str,
    inputs: Mapping[str, Any],
    out: str | Path,
    *,
    progress: Callable[[float, str], None] | None = None,
) -> Result:
    """Run a process.

    Parameters
    ----------
    process_id
    inputs
        Values by input id; see `geosite.processes.inputs.checked`.
    out
        Folder for the outputs, made if it is not there. It holds either everything of this run or
        what it held before.
    progress
        Called with a share from 0 to 1 and a few words.

    Returns
    -------
    Result

    Raises
    ------
    InputError, SurveyRefused, OutputRefused
        As the process says.
    PlugInError
        A process of another package failed by a bug of its own.
    """
    process, package = _find(process_id)
    return run_process(process, inputs, Path(out), progress, package=package)


def run_process(
    process: Process,
    inputs: Mapping[str, Any],
    out: Path,
    progress: Callable[[float, str], None] | None = None,
    *,
    package: str = "geosite",
) -> Result:
    """Run a process that need not be in the registry; otherwise as `execute`.

    Parameters
    ----------
    process, inputs, out, progress
    package
        Whose process it is, to be named where it fails by a bug.
    """
    from geosite.handover.folder.staging import refuse_among, staged

    values = checked(process, inputs)
    if process.hands_over:
        named = (path for one in process.inputs for path in one.paths(values.get(one.id, "")))
        refuse_among(out, map(Path, named))
    with staged(out) as folder:
        with contextlib.redirect_stdout(sys.stderr), _blamed(process.id, package):
            context = Context(folder, progress) if progress is not None else Context(folder)
            summary = process.run(values, context)
            for made in process.outputs:
                if made.always and not (folder / made.file_name).is_file():
                    raise RuntimeError(f"{process.id} did not write {made.file_name}")
            _spare_inputs(process, values, folder, out)
        names = {made.id: made for made in process.outputs if (folder / made.file_name).is_file()}
    outputs = {
        name: {"href": str(out.absolute() / made.file_name), "type": made.media_type}
        for name, made in names.items()
    }
    return Result(outputs, summary)


def _spare_inputs(process: Process, values: Mapping[str, Any], folder: Path, out: Path) -> None:
    """Refuse to put an output in the place of a file that was read."""
    read = [(g, Path(path)) for g in process.inputs for path in g.paths(values.get(g.id, ""))]
    for given, source in read:
        if not (given.id in values and (folder / source.name).exists()):
            continue
        if (out / source.name).exists() and source.exists() and source.samefile(out / source.name):
            raise OutputRefused(
                Problem(
                    "input-in-the-way",
                    f"the output {source.name} would replace the input {given.id}",
                    "a folder of its own for the results",
                    "choose another folder with --out",
                    str(out),
                )
            )


@contextlib.contextmanager
def _blamed(process_id: str, package: str) -> Iterator[None]:
    """Name the package whose process failed, if it is not this one."""
    try:
        yield
    except GeositeError:
        raise
    except Exception as error:
        if package == "geosite":
            raise
        raise PlugInError(process_id, package) from error
