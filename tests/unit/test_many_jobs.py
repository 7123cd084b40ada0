"""Work done for many jobs by several processes: order, a process that dies, signals."""

from __future__ import annotations

import itertools
import os
import signal
from collections.abc import Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from typing import Any

import pytest

from acquire.cli.many import Alone, Pool, crew_for, in_order
from acquire.cli.signals import Interrupted, Signals


def doubled(number: int) -> int:
    return 2 * number


def killed_by_seven(number: int) -> int:
    if number == 7:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def of_the_worker(_job: int) -> Any:
    return signal.getsignal(signal.SIGINT)


@pytest.fixture
def answers_ctrl_c() -> Iterator[None]:
    """As in a terminal: a shell's background jobs are started with SIGINT ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def test_results_come_in_the_order_given() -> None:
    with Signals() as signals, Pool(2) as crew:
        assert list(in_order(doubled, range(50), crew, signals)) == [(n, 2 * n) for n in range(50)]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_process_that_dies_costs_the_job_that_killed_it_and_no_other() -> None:
    with Signals() as signals, Pool(2) as crew:
        assert list(in_order(killed_by_seven, range(30), crew, signals)) == [(n, n if n != 7 else None) for n in range(30)]


class Counting:
    """A crew whose futures are done when they are asked for, and which counts how many are in flight."""

    size = 3

    def __init__(self) -> None:
        self.taken = 0

    def submit(self, work: Any, job: Any) -> Future[Any]:
        self.taken += 1
        future: Future[Any] = Future()
        future.set_result(work(job))
        return future

    def renew(self) -> bool:
        raise AssertionError("nobody died")


def test_jobs_are_taken_few_at_a_time_however_many_there_are() -> None:
    crew = Counting()
    with Signals() as signals:
        results = in_order(doubled, itertools.count(), crew, signals)  # type: ignore[arg-type]
        for done, _ in itertools.islice(results, 1000):
            assert crew.taken - done <= 8 * crew.size


def test_a_crew_that_shrinks_is_given_no_more_than_it_takes() -> None:
    crew = Counting()
    with Signals() as signals:
        results = in_order(doubled, range(100), crew, signals)  # type: ignore[arg-type]
        next(results)
        crew.size = 1
        assert [n for n, _ in results] == list(range(1, 100))


class Breaking(Counting):
    """Breaks at once while work is handed to it, the first time."""

    def submit(self, work: Any, job: Any) -> Future[Any]:
        if not self.taken:
            self.taken = 1
            raise BrokenProcessPool
        return super().submit(work, job)

    def renew(self) -> bool:
        return True


def test_a_pool_that_breaks_while_work_is_handed_to_it_loses_nothing() -> None:
    with Signals() as signals:
        assert list(in_order(doubled, range(5), Breaking(), signals)) == [(n, 2 * n) for n in range(5)]  # type: ignore[arg-type]


def test_few_jobs_are_done_here() -> None:
    assert isinstance(crew_for(3), Alone)
    assert isinstance(crew_for(3, 1), Alone)
    assert crew_for(3, 8).size == 3
    assert crew_for(100, 8).size == 8


def test_ctrl_c_is_answered_once_and_not_by_every_worker() -> None:
    ours = signal.getsignal(signal.SIGINT)
    with Signals() as signals, Pool(1) as crew:
        assert list(in_order(of_the_worker, [1], crew, signals)) == [(1, signal.SIG_IGN)]
    assert signal.getsignal(signal.SIGINT) == ours


@pytest.mark.usefixtures("answers_ctrl_c")
def test_a_signal_breaks_in_only_where_there_is_nothing_but_waiting() -> None:
    done = []
    with Signals() as signals:
        signal.raise_signal(signal.SIGINT)
        done.append("written")
        with pytest.raises(Interrupted), signals.waiting():
            done.append("never")
        with pytest.raises(Interrupted) as caught, signals.waiting():
            signal.raise_signal(signal.SIGTERM)
    assert done == ["written"]
    assert caught.value.number == signal.SIGTERM
    with pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)  # as before
