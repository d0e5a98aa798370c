"""Work on a Dask cluster, whose workers see the same files under the same names."""

from __future__ import annotations

import os
import re
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosite.base.errors import InputError, OutputRefused, Problem

if TYPE_CHECKING:
    from geosite.processes.registry import Result

__all__ = ["connected", "slope_on_cluster"]

_ADDRESS = re.compile(r"(\w+://)?[^/\s]+:\d{1,5}", re.ASCII)
_WAITING = 2
"""Strips that each thread of a worker has before it: so many lie in memory here at most."""


@contextmanager
def connected(address: str) -> Iterator[Any]:
    """Yield a client of the scheduler at an address.

    Raises
    ------
    InputError
        The optional part is not installed, or no scheduler answers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError(
            Problem(
                "dask-missing",
                "distributed is not installed",
                "the optional part for clusters",
                "install geosite[dask], or do it without a scheduler",
            )
        ) from error
    try:
        # a client that was given no address keeps trying while it is closed
        if not _ADDRESS.fullmatch(address):
            raise ValueError("that is no address")
        client = Client(address, timeout=10, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(
            Problem(
                "scheduler-unreachable",
                f"no Dask scheduler answers at {address} ({' '.join(str(error).split())[:200]})",
                "the address that the scheduler printed, such as tcp://127.0.0.1:8786",
                "start it with dask scheduler, or do it without one",
            )
        ) from error
    with client, client.as_current():
        yield client


def slope_on_cluster(
    elevation: str | os.PathLike[str],
    out: str | os.PathLike[str],
    scheduler: str,
    **inputs: Any,
) -> Result:
    """Derive slope and aspect as the process ``derive-slope`` does, strips shared out to workers.

    A Python function and no input of the process: a request to the host must not make it connect
    anywhere. Workers read their rows, and one more on either side, from the raster; what they find
    comes back and is written here, in order.

    Parameters
    ----------
    elevation
        GeoTIFF that every worker sees under this path.
    out
        Folder for ``slope.tif`` and ``aspect.tif``, written in one step.
    scheduler
        Address of a Dask scheduler, ``"tcp://127.0.0.1:8786"``.
    **inputs
        ``method``, ``unit``, ``elevation_unit`` as for the process.

    Returns
    -------
    Result
        As `geosite.execute` does.

    Raises
    ------
    InputError
        A bad input, no scheduler at the address, or the cluster lost the work.
    OutputRefused
        The folder cannot be written.

    Examples
    --------
    >>> geosite.slope_on_cluster("town.tif", "map", "tcp://127.0.0.1:8786")  # doctest: +SKIP
    """
    from dataclasses import replace

    from geosite.processes.derive_slope import PROCESS
    from geosite.processes.registry import run_process

    process = replace(PROCESS, run=partial(_run, scheduler))
    return run_process(process, {"elevation": str(elevation), **inputs}, Path(out))


def _run(scheduler: str, inputs: Any, context: Any) -> Any:
    from geosite.processes.derive_slope import write_slope_in_strips
    from geosite.reading.rasters import open_elevation

    with (
        connected(scheduler) as client,
        open_elevation(inputs["elevation"], inputs.get("elevation_unit")) as source,
    ):
        asked = {**inputs, "elevation": str(Path(inputs["elevation"]).absolute())}
        return write_slope_in_strips(source, inputs, context, partial(_shared_out, client, asked))


def _shared_out(client: Any, inputs: Any, wanted: Iterable[tuple[int, int]]) -> Iterator[Any]:
    """Yield the strips in order, with a few under way."""
    most = _WAITING * max(1, sum(client.nthreads().values()))
    under_way: deque[Any] = deque()
    for top, bottom in wanted:
        under_way.append(client.submit(_strip, inputs, top, bottom, pure=False))
        if len(under_way) >= most:
            yield _come_back(under_way.popleft())
    while under_way:
        yield _come_back(under_way.popleft())


def _strip(inputs: Any, top: int, bottom: int) -> Any:
    from geosite.processes.derive_slope import slope_of_rows
    from geosite.reading.rasters import open_elevation

    with open_elevation(inputs["elevation"], inputs.get("elevation_unit")) as source:
        return slope_of_rows(source, top, bottom, inputs["method"], inputs["unit"])


def _come_back(future: Any) -> Any:
    try:
        return future.result()
    except (InputError, OutputRefused, MemoryError):
        raise
    except Exception as error:  # a worker died, or the cluster was taken away
        raise InputError(
            Problem(
                "cluster-lost",
                f"the cluster lost a strip ({type(error).__name__}: "
                f"{' '.join(str(error).split())[:200]})",
                "workers that go on and that see the raster under the same path",
                "look at the cluster, or use geosite execute derive-slope",
            )
        ) from error
