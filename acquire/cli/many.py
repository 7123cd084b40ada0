"""One function done for many jobs: on this machine's processors, or wherever an executor takes them. Results come in the order given.

Few jobs are in flight at a time, so that memory stays the same however many there are. A process that dies costs its own job only.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from itertools import islice
from multiprocessing import get_all_start_methods, get_context, parent_process
from multiprocessing.connection import wait
from multiprocessing.context import BaseContext
from signal import SIG_IGN, SIGINT
from threading import Thread
from types import TracebackType
from typing import Final, Generic, Protocol, Self, TypeVar

from acquire.cli.signals import Signals, answered

J = TypeVar("J")
R = TypeVar("R")
_ALONE: Final = 4  # so few jobs are quicker one after the other than with processes of their own
_AHEAD: Final = 8  # jobs in flight for each process: one that takes long does not keep the others waiting


class Crew(Protocol):
    """Who does the work: `size` jobs at a time."""

    @property
    def size(self) -> int: ...  # noqa: D102

    def submit(self, work: Callable[[J], R], job: J) -> Future[R]:
        """Have it done. A future that ends in BrokenExecutor: a process died, perhaps by another job."""

    def renew(self) -> bool:
        """After a process died: have others instead. Whether the jobs that were lost with it may be done again."""

    def __enter__(self) -> Self: ...

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None: ...


def in_order(work: Callable[[J], R], jobs: Iterable[J], crew: Crew, signals: Signals) -> Iterator[tuple[J, R | None]]:
    """Each job and what `work` made of it, in the order given; None if the process that did it was killed, twice.

    A process that dies takes what others had begun with it: each of those is done again, alone, so that only the job that kills a
    process has no result. Raises Interrupted while it waits.
    """
    left = iter(jobs)
    flight: deque[tuple[J, Future[R]]] = deque()
    while True:
        if not any(_lost(future) for _, future in flight):
            flight += [(job, _submitted(work, job, crew)) for job in islice(left, max(0, _AHEAD * crew.size - len(flight)))]
        if not flight:
            return
        job, future = flight.popleft()
        yield job, _result(work, job, future, crew, signals)


def _result(work: Callable[[J], R], job: J, future: Future[R], crew: Crew, signals: Signals) -> R | None:
    again = False
    while True:
        try:
            with signals.waiting():
                return future.result()
        except BrokenExecutor:
            if not crew.renew() or again:
                return None
        again = True
        future = _submitted(work, job, crew)


def _submitted(work: Callable[[J], R], job: J, crew: Crew) -> Future[R]:
    try:
        return crew.submit(work, job)
    except BrokenExecutor as error:  # a process died meanwhile
        lost: Future[R] = Future()
        lost.set_exception(error)
        return lost


def _lost(future: Future[R]) -> bool:
    return future.done() and not future.cancelled() and isinstance(future.exception(), BrokenExecutor)


def crew_for(jobs: int, processes: int | None = None) -> Crew:
    """This process alone for a few jobs, else so many processes, or one for each processor that this one may use."""
    size = min(processes or _processors(), jobs)
    return Alone() if size <= 1 or (processes is None and jobs < _ALONE) else Pool(size)


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Alone:
    """The work is done here, when its result is asked for: a signal breaks in while it is done."""

    size = 1

    def submit(self, work: Callable[[J], R], job: J) -> Future[R]:
        """Nothing is done before the result is asked for."""
        return _Later(lambda: work(job))

    def renew(self) -> bool:
        """There is nobody else."""
        return False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass


class _Later(Future[R], Generic[R]):
    def __init__(self, work: Callable[[], R]) -> None:
        super().__init__()
        self._work = work

    def result(self, timeout: float | None = None) -> R:  # noqa: ARG002 - as of a Future
        return self._work()


class Pool:
    """Processes of this machine. They end with this one, however it ends, and none of them answers Ctrl-C."""

    def __init__(self, size: int) -> None:
        self.size = size
        self._context = _context()
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def submit(self, work: Callable[[J], R], job: J) -> Future[R]:
        """Have it done by one of the processes."""
        if self._pool is None:
            self._pool = ProcessPoolExecutor(self.size, mp_context=self._context, initializer=_end_with_parent)
        return self._pool.submit(work, job)

    def renew(self) -> bool:
        """Let go of what is left of a broken pool."""
        if self._pool is not None and self._pool._broken:  # no public way either
            self._end(kill=True)
        return True

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._end(kill=kind is not None)

    def _end(self, *, kill: bool) -> None:
        pool, self._pool = self._pool, None
        if pool is None:
            return
        processes = list((pool._processes or {}).values()) if kill else []  # there is no public way before Python 3.14
        pool.shutdown(wait=not kill, cancel_futures=True)
        for process in processes:
            process.kill()  # a worker holds nothing that it would have to put away


def _end_with_parent() -> None:
    """In a worker: end when the process that asks for the work is gone, which a kill keeps from saying so."""
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        wait([parent.sentinel])
        os._exit(1)

    Thread(target=watch, daemon=True).start()


def _context() -> BaseContext:
    """Workers come from a server that has imported everything once, where there is such a thing; else each imports for itself."""
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    from multiprocessing import forkserver

    context = get_context("forkserver")
    context.set_forkserver_preload(["acquire.cli.check"])
    with answered(SIGINT, SIG_IGN):  # a terminal sends Ctrl-C to every process: this one answers it for all
        forkserver.ensure_running()
    return context
