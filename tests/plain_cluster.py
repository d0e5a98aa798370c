"""A stand-in for a cluster: its library's names, and workers that are threads of this process."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from types import ModuleType
from typing import Any

import pytest

__all__ = ["ADDRESS", "Client", "KilledWorker", "plain_cluster"]

ADDRESS = "tcp://127.0.0.1:8786"


class KilledWorker(Exception):
    """What the library raises for work that ended its worker."""


class Client:
    """Does the work that is submitted, in as many threads as the cluster has."""

    threads = 2

    def __init__(self, address: str, timeout: float, set_as_default: bool) -> None:
        assert address == ADDRESS
        assert 0 < timeout <= 30
        assert not set_as_default, "work of others in this process would go there too"
        self.pool = ThreadPoolExecutor(self.threads)
        self.given: list[tuple[Any, ...]] = []
        self.most_waiting = 0
        self.taken: set[Future[Any]] = set()

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.pool.shutdown()

    @contextmanager
    def as_current(self) -> Iterator[Client]:
        yield self

    def nthreads(self) -> dict[str, int]:
        return {f"worker {number}": 1 for number in range(self.threads)}

    def submit(self, work: Callable[..., Any], *given: Any, pure: bool) -> Future[Any]:
        assert not pure, "the same names with other files would be taken for the same work"
        self.given.append(given)
        future = Kept(self.pool.submit(work, *given), self)
        self.most_waiting = max(self.most_waiting, len(self.given) - len(self.taken))
        return future


class Kept(Future[Any]):
    """A result that counts as waiting until it is fetched."""

    def __init__(self, work: Future[Any], client: Client) -> None:
        super().__init__()
        self.client = client
        work.add_done_callback(self._take)

    def _take(self, work: Future[Any]) -> None:
        error = work.exception()
        if error is None:
            self.set_result(work.result())
        else:
            self.set_exception(error)

    def result(self, timeout: float | None = None) -> Any:
        self.client.taken.add(self)
        return super().result(timeout)


def plain_cluster(monkeypatch: pytest.MonkeyPatch) -> list[Client]:
    """Stand in for the library; return the clients that are made from now on."""
    made: list[Client] = []

    def client(*given: Any, **named: Any) -> Client:
        made.append(Client(*given, **named))
        return made[-1]

    library = ModuleType("distributed")
    library.Client = client  # type: ignore[attr-defined]
    library.as_completed = as_completed  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "distributed", library)
    return made
