"""A Dask cluster on this machine, two workers in processes of their own."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

CODE = (
    "import sys\n"
    "from distributed import LocalCluster\n"
    "if __name__ == '__main__':\n"
    "    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True,\n"
    "                      dashboard_address=None, host='127.0.0.1') as cluster:\n"
    "        print(cluster.scheduler_address, flush=True)\n"
    "        sys.stdin.read()\n"
)


@contextmanager
def dask_cluster() -> Iterator[str]:
    """Yield the address of its scheduler."""
    # -c gives the workers no main module to import again
    child = subprocess.Popen(
        [sys.executable, "-c", CODE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert child.stdin is not None
    assert child.stdout is not None
    try:
        yield child.stdout.readline().strip()
    finally:
        child.stdin.close()
        child.wait(60)
        child.stdout.close()
