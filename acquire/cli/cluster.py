"""A Dask cluster as a crew: the same function as on this machine, on workers that other machines run."""

from __future__ import annotations

import logging
import platform
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, CancelledError, Future
from contextlib import suppress
from importlib import metadata
from types import TracebackType
from typing import Any, Final, Generic, Self, TypeVar

from acquire.cli.extra import needed
from analysis.base.errors import LinkError, UsageError
from analysis.base.version import version

J = TypeVar("J")
R = TypeVar("R")
_PATIENCE_S: Final = 30  # for the scheduler to answer, and for a first worker
_LOOKED_AFTER_S: Final = 1.0
_ASKED_EVERY: Final = 64  # jobs
_SAME: Final = ("numpy", "scipy", "distributed", "cloudpickle")  # beside lobetrace itself and Python


class Cluster:
    """Workers behind the scheduler at `address`. A job whose worker dies is given to another by the scheduler.

    Raises LinkError if no scheduler answers there or it has no worker, UsageError if a worker's versions are not ours.
    """

    def __init__(self, address: str) -> None:
        distributed = needed("distributed", "clusters")
        for name in ("distributed", "distributed.client", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)  # what goes wrong is said by us
        self._killed, self._closed = distributed.KilledWorker, distributed.client.ClosedClientError
        self._address = address
        try:
            self._client = distributed.Client(address, timeout=_PATIENCE_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise LinkError(f"no scheduler answers ({error})", where=address, do="Start one with: dask scheduler") from None
        try:
            self._client.wait_for_workers(1, timeout=_PATIENCE_S)
            _must_be_same(self._client.run(versions), address)
        except BaseException as error:
            self._client.close()
            if isinstance(error, TimeoutError):
                raise LinkError("the scheduler has no worker", where=address, do="Start one with: dask worker ADDRESS") from None
            raise
        self._executor = self._client.get_executor(pure=False, retries=1)
        self._submitted = 0
        self._size = 1

    @property
    def size(self) -> int:
        """Threads of all workers, asked for now and then, since workers come and go."""
        if self._submitted % _ASKED_EVERY == 0:
            with suppress(OSError):  # the scheduler is gone: the next result says so
                self._size = max(1, sum(self._client.nthreads().values()))
        return self._size

    def submit(self, work: Callable[[J], R], job: J) -> Future[R]:
        """Have it done by any worker. Raises LinkError if the scheduler is gone."""
        self._submitted += 1
        done: Future[R] = _Watched(self)
        done.set_running_or_notify_cancel()
        try:
            theirs = self._executor.submit(work, job)
        except (OSError, RuntimeError, self._closed):
            raise self._gone() from None
        theirs.add_done_callback(lambda theirs: self._hand_over(theirs, done))
        return done

    def must_be_there(self) -> None:
        """LinkError once the client has given up to find the scheduler again, which some of its futures never hear of."""
        if self._client.status in ("closing", "closed"):
            raise self._gone()

    def _gone(self) -> LinkError:
        do = "Start it again; the same command goes on from there"
        return LinkError("the scheduler is gone", where=self._address, do=do)

    def _hand_over(self, theirs: Future[R], ours: Future[R]) -> None:
        """Their errors as ours: a job that killed its workers, a scheduler that is gone."""
        try:
            ours.set_result(theirs.result())
        except self._killed as error:
            ours.set_exception(BrokenExecutor(str(error)))
        except CancelledError:
            ours.set_exception(self._gone())
        except BaseException as error:
            ours.set_exception(error)

    def renew(self) -> bool:
        """The scheduler has tried other workers already."""
        return False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        with suppress(OSError, RuntimeError, self._closed):  # of a scheduler that is gone there is nothing to be taken back
            self._executor.shutdown(wait=False)
        self._client.close()


class _Watched(Future[R], Generic[R]):
    """A future that is not waited for when nobody will ever fulfil it."""

    def __init__(self, cluster: Cluster) -> None:
        super().__init__()
        self._cluster = cluster

    def result(self, timeout: float | None = _LOOKED_AFTER_S) -> R:
        """As of a Future. Raises LinkError if the scheduler is gone."""
        while True:
            try:
                return super().result(timeout)
            except TimeoutError:
                if self.done():
                    raise
                self._cluster.must_be_there()


def versions() -> dict[str, str]:
    """What results depend on, and what must be the same for a job to get to a worker and back."""
    python = ".".join(platform.python_version_tuple()[:2])
    return {"lobetrace": version(), "python": python} | {name: metadata.version(name) for name in _SAME}


def _must_be_same(theirs: dict[str, Any], address: str) -> None:
    ours = versions()
    for worker, found in theirs.items():
        for name, version_there in found.items():
            if version_there != ours[name]:
                what = f"the worker {worker} has {name} {version_there}, and here is {ours[name]}"
                raise UsageError(what, where=address, do="Install the same versions on the workers and here")
