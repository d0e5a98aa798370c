"""Many sites: built side by side, done ones skipped, bad ones reported, one map of them all.

A site is a TOML file with a ``[survey]`` table, wherever it lies below the folder. What a site was
built from is known by a hash over its site file and every file that names, so a second run builds
only what changed. Records of finished sites are kept in ``OUT/.done``.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from geosite.base.errors import GeositeError, OutputRefused, Problem
from geosite.base.parent_process import die_with_parent
from geosite.handover.folder.output_place import reason_of
from geosite.processes.hosts.cluster import connected
from geosite.processes.hosts.sites import content_hash, find_sites, has_sites

if TYPE_CHECKING:
    from multiprocessing.context import BaseContext

__all__ = ["Built", "build_many"]

Progress = Callable[[float, str], None]

DONE = ".done"
_ONE_AT_A_TIME = threading.Lock()
LAYER = "sites"


@dataclass(frozen=True, slots=True)
class Built:
    """What became of one site.

    Parameters
    ----------
    name
        Path of the site below the folder, and of its files below the output folder.
    site
        Its site file.
    status
        ``"built"``, ``"unchanged"`` (done before, skipped) or ``"failed"``.
    exit_code
        What `geosite build` would leave with.
    problems
        One line each.
    figures
        Quality figures; see `FIGURES`. Empty for a failed site.
    """

    name: str
    site: str
    status: Literal["built", "unchanged", "failed"]
    exit_code: int = 0
    problems: tuple[str, ...] = ()
    figures: Mapping[str, Any] = field(default_factory=dict)


# Column of the summary layer, OGR type, description
FIGURES = (
    ("title", "str", "Title of the site"),
    ("date", "str", "Date of the survey, ISO 8601"),
    ("crs", "str", "Map CRS"),
    ("observations", "int", "Rows of the field book"),
    ("loops", "int", "Closed loops"),
    ("closure_ratio", "float", "Worst ratio of misclosure, 300 for 1:300"),
    ("misclosure_m", "float", "Misclosure of that loop, metres"),
    ("baseline_m", "float", "Measured length of the baseline, metres"),
    ("baseline_ppm", "float", "Measured against mapped baseline, parts per million"),
    ("baseline_sigmas", "float", "The same in standard deviations"),
    ("sigma_h_max_m", "float", "Largest standard deviation per horizontal axis, metres"),
    ("sigma_v_max_m", "float", "Largest standard deviation of an elevation, metres"),
    ("area_m2", "float", "Sum of the net areas on the ground, square metres"),
    ("look", "int", "Findings to look at"),
)


def build_one(name: str, site: Path, out: Path) -> Built:
    """Build one site unless it is done; never raises for what is wrong with it.

    Parameters
    ----------
    name, site
        From `find_sites`.
    out
        The folder of all sites; this one goes to ``out / name``.
    """
    target = out / name
    record = _record(out, name)
    # a Dask worker may run several threads; open files and standard output belong to the process
    with _ONE_AT_A_TIME:
        return _build(name, site, target, record)


def _build(name: str, site: Path, target: Path, record: Path) -> Built:
    from geosite.processes.registry import execute

    try:
        found = content_hash(site)
        done = _done(record, found, target)
        if done is not None:
            return Built(name, str(site), "unchanged", figures=done)
        result = execute("build-site", {"site": str(site)}, target)
        figures = _figures(result.summary)
        _remember(record, found, target, figures)
    except GeositeError as error:
        record.unlink(missing_ok=True)
        problems = tuple(str(problem) for problem in error.problems)
        return Built(name, str(site), "failed", error.exit_code, problems)
    except MemoryError:
        return Built(name, str(site), "failed", 4, (f"{site}: not enough memory for it",))
    except Exception as error:
        text = " ".join(str(error).split())[:200]
        line = f"{site}: a bug in geosite ({type(error).__name__}: {text}); build it alone"
        return Built(name, str(site), "failed", 1, (line,))
    return Built(name, str(site), "built", figures=figures)


def _record(out: Path, name: str) -> Path:
    return out / DONE / f"{hashlib.sha256(name.encode()).hexdigest()[:24]}.json"


def _report_hash(target: Path) -> str:
    with (target / "report.json").open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _done(record: Path, found: str, target: Path) -> Mapping[str, Any] | None:
    """Return the figures of a site that was built from the same content and is still there."""
    try:
        entry = json.loads(record.read_text(encoding="utf-8"))
        whole = entry["content"] == found and entry["report"] == _report_hash(target)
        figures: Mapping[str, Any] = entry["figures"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return figures if whole and (target / "site.gpkg").is_file() else None


def _remember(record: Path, found: str, target: Path, figures: Mapping[str, Any]) -> None:
    entry = {"content": found, "report": _report_hash(target), "figures": figures}
    draft = record.with_suffix(f".{os.getpid()}")
    draft.write_text(json.dumps(entry, sort_keys=True), encoding="utf-8")
    os.replace(draft, record)


def _figures(report: Mapping[str, Any]) -> dict[str, Any]:
    """Pick what tells good sites from bad ones, and the place of the site in WGS 84."""
    network, site = report["network"], report["site"]
    loops = network["closures"]
    ratios = [loop for loop in loops if loop["ratio"]]
    worst = min(ratios, key=lambda loop: loop["ratio"]) if ratios else None
    check = network["baseline"] or {}
    points = report["points"]
    return {
        "title": site["title"],
        "date": site["date"] or None,
        "crs": network["frame"]["crs"],
        "observations": points["count"],
        "loops": len(loops),
        "closure_ratio": worst["ratio"] if worst else None,
        "misclosure_m": worst["misclosure_m"] if worst else None,
        "baseline_m": check.get("measured_m"),
        "baseline_ppm": check.get("ppm"),
        "baseline_sigmas": check.get("sigmas"),
        "sigma_h_max_m": points["largest_sigma_h_m"],
        "sigma_v_max_m": points["largest_sigma_v_m"],
        "area_m2": sum(area["net_area_m2"]["value"] for area in report["areas"].values()),
        "look": sum(one["level"] == "look" for one in report["findings"]),
        "outline": points["outline_wgs84"],
    }


def build_many(
    folder: Path,
    out: Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> tuple[Built, ...]:
    """Build every site below a folder, side by side.

    Parameters
    ----------
    folder
        Where the site files are.
    out
        Gets a folder per site, ``sites.gpkg`` with all of them on one map and their quality
        figures, and ``sites.json`` with the same and the problems.
    workers
        Processes at a time; without it one per core. With 1 everything is done in this process.
    scheduler
        Address of a Dask scheduler whose workers see the same folders; `workers` is then its
        business.
    progress
        Called with the share done and the name of the site that was finished.

    Returns
    -------
    tuple of Built
        By name. A bad site is one of them, not an error.

    Raises
    ------
    InputError
        No sites, or no scheduler at that address.
    OutputRefused
        The output folder cannot be written, or is where the sites are.
    """
    sites = _sites_apart(folder, out)
    try:
        (out / DONE).mkdir(parents=True, exist_ok=True)
        for name in sites:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _unwritable(out, error) from error
    jobs = [(name, path, out) for name, path in sites.items()]
    if scheduler is not None:
        results = _on_dask(jobs, scheduler)
    elif (workers or os.cpu_count() or 1) == 1 or len(jobs) == 1:
        results = (build_one(*job) for job in jobs)
    else:
        results = _in_processes(jobs, min(workers or os.cpu_count() or 1, len(jobs)))
    done: list[Built] = []
    for built in results:
        done.append(built)
        if progress is not None:
            progress(len(done) / len(jobs), f"{len(done)} of {len(jobs)}: {built.name}")
    done.sort(key=lambda built: built.name)
    try:
        _write_summary(out, done)
    except OSError as error:
        raise _unwritable(out, error) from error
    return tuple(done)


def _sites_apart(folder: Path, out: Path) -> dict[str, Path]:
    """Return the sites, refused where maps would lie among their files, taken for each other."""
    sources, place = folder.resolve(), out.resolve()
    among = OutputRefused(
        Problem(
            "output-among-sites",
            f"the maps would lie among the site files of {folder}",
            "a folder of their own for the maps",
            f"write for example --out {folder / 'maps'}",
            str(out),
        )
    )
    below = place != sources and place.is_relative_to(sources)
    # what is in the output folder is not looked for
    if below and has_sites(place):
        raise among
    sites = find_sites(folder, out)
    targets = [] if below else [place] if place == sources else [place / name for name in sites]
    if any(target.is_relative_to(sources) or sources.is_relative_to(target) for target in targets):
        raise among
    return sites


def _unwritable(out: Path, error: OSError) -> OutputRefused:
    return OutputRefused(
        Problem(
            "output-not-writable",
            f"cannot be written ({reason_of(out, error)})",
            "a folder that can be written",
            "change the permissions, free some space or choose another folder with --out",
            str(out),
        )
    )


Job = tuple[str, Path, Path]


def _context() -> BaseContext:
    import multiprocessing
    from multiprocessing import forkserver

    # a fork of a process with threads may hang; a fork server imports the libraries once
    if "forkserver" in multiprocessing.get_all_start_methods():
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["geosite.processes.hosts.preloaded"])
        # both inherited by the workers, from their first moment on
        with _uninterrupted(), _unheard():
            forkserver.ensure_running()
        return context
    return multiprocessing.get_context("spawn")


def _in_processes(jobs: Sequence[Job], workers: int) -> Iterator[Built]:
    """Build in several processes; one that dies costs its own site only."""
    waiting, tried = list(reversed(jobs)), dict.fromkeys((job[0] for job in jobs), 0)
    context = _context()
    while waiting:
        with ProcessPoolExecutor(workers, mp_context=context, initializer=_begin) as pool:
            # no more under way than there are workers: when one dies, these are the suspects
            under_way: dict[Future[Built], Job] = {}
            broken = False
            while under_way or (waiting and not broken):
                while waiting and not broken and len(under_way) < workers:
                    job = waiting.pop()
                    tried[job[0]] += 1
                    try:
                        under_way[pool.submit(build_one, *job)] = job
                    except BrokenProcessPool:
                        tried[job[0]] -= 1
                        waiting.append(job)
                        broken = True
                finished, _ = wait(under_way, return_when=FIRST_COMPLETED)
                for future in finished:
                    job = under_way.pop(future)
                    try:
                        yield future.result()
                    except BrokenProcessPool:
                        broken = True
                        if tried[job[0]] < 2:
                            # the second try is alone, so that only the culprit fails
                            waiting.append(job)
                        else:
                            yield _died(job)
        if broken:
            workers = 1


@contextmanager
def _uninterrupted() -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _unheard() -> Iterator[None]:
    """Keep what is started meanwhile from complaining: sites report in words of ours.

    A worker that has just been started when this process is ended, and who counts its semaphores,
    would print what means nothing to anybody.
    """
    try:
        own = os.dup(2)
    except OSError:  # this process was started without
        yield
        return
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 2)
    try:
        yield
    finally:
        os.dup2(own, 2)
        os.close(own)
        os.close(nothing)


def _begin() -> None:
    """Leave an interrupt to the process that started this one, and end when that one is killed."""
    import multiprocessing

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    die_with_parent(os.getppid())  # the fork server, which ends with the process that started it
    first = multiprocessing.parent_process()
    if first is not None:
        threading.Thread(target=_end_after, args=(first.sentinel,), daemon=True).start()


def _end_after(sentinel: int) -> None:
    """Wait for the process that asked for the work; unlike the fork server it is told everywhere.

    A site under way is left in its draft folder, which the next run clears.
    """
    from multiprocessing.connection import wait as wait_for

    wait_for([sentinel])
    os._exit(1)


def _died(job: Job, why: str = "not enough memory?") -> Built:
    name, site, _ = job
    line = f"{site}: the process that built it was ended ({why}); build it alone"
    return Built(name, str(site), "failed", 4, (line,))


def _on_dask(jobs: Sequence[Job], address: str) -> Iterator[Built]:
    """Build on the workers of a Dask cluster."""
    with connected(address) as client:
        from distributed import as_completed

        # absolute paths: a worker stands in a folder of its own
        futures = {
            client.submit(build_one, name, site.absolute(), out.absolute(), pure=False): (
                name,
                site,
                out,
            )
            for name, site, out in jobs
        }
        for future in as_completed(futures):
            try:
                yield future.result()
            except Exception as error:  # the worker died, or the cluster was taken away
                yield _died(futures[future], f"{type(error).__name__} on the cluster")


def _write_summary(out: Path, done: Iterable[Built]) -> None:
    """Write ``sites.gpkg`` and ``sites.json``, each in one step."""
    import fiona

    fields = {name: kind for name, kind, _ in FIGURES}
    schema = {
        "geometry": "Polygon",
        "properties": {"site": "str", "status": "str", **fields, "problems": "str"},
    }
    draft = out / DONE / f"sites-{os.getpid()}.gpkg"
    with (
        # a fixed date, so that the same sites give the same bytes
        fiona.Env(OGR_CURRENT_DATE="2000-01-01T00:00:00.000Z"),
        fiona.open(draft, "w", driver="GPKG", layer=LAYER, schema=schema, crs="EPSG:4326") as layer,
    ):
        layer.writerecords(_feature(built) for built in done)
    os.replace(draft, out / "sites.gpkg")
    text = json.dumps(
        {"sites": [asdict(built) for built in done]}, indent=2, sort_keys=True, allow_nan=False
    )
    draft = draft.with_suffix(".json")
    draft.write_text(text + "\n", encoding="utf-8")
    os.replace(draft, out / "sites.json")


def _feature(built: Built) -> dict[str, Any]:
    outline = built.figures.get("outline")
    return {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [outline]} if outline else None,
        "properties": {
            "site": built.name,
            "status": built.status,
            **{name: built.figures.get(name) for name, _, _ in FIGURES},
            "problems": "\n".join(built.problems) or None,
        },
    }
