"""What every test is held to: one that awaits leaves no task, thread, file or complaint behind, and none hangs for ever."""

from __future__ import annotations

import asyncio
import gc
import inspect
import io
import os
import threading
from collections.abc import AsyncIterator
from typing import Any

import pytest
import pytest_asyncio
from hypothesis import HealthCheck, settings
from pyarrow import csv

# How long an example takes says nothing on a machine that does other things beside. `make study` asks ten times as often.
EXAMPLES = 40 * int(os.environ.get("STUDY_TIMES", "1"))
settings.register_profile("untimed", max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are processors: a quarter of a run is waiting for terminals, ports and other processes."""
    return 1 + (len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1)


def pytest_collection_finish() -> None:
    """What the tests themselves are made of is no garbage."""
    _keep()
    young, middle, _ = gc.get_threshold()
    gc.set_threshold(young, middle, 200)


def _keep() -> None:
    """What is there now and no garbage is never looked at again: tests share most of it, and looking took a tenth of a run."""
    gc.collect()
    gc.freeze()


PATIENCE_S = 10.0  # no thread that is about to end takes so long
HANGS_S = 300.0  # against a hang only; nothing is judged by it


def _open_files() -> set[str]:
    found = set()
    for fd in os.listdir("/proc/self/fd") if os.path.isdir("/proc/self/fd") else ():
        try:
            found.add(f"{fd} {os.readlink(f'/proc/self/fd/{fd}')}")
        except OSError:  # the listing's own
            continue
    return found


@pytest.fixture(scope="session")
def arrow_in_use() -> None:
    """Arrow's reader opens a pipe when it is first used, and keeps it: that is no file which a test has left."""
    csv.read_csv(io.BytesIO(b"a\n1\n"))


@pytest_asyncio.fixture
async def nothing_left(arrow_in_use: None) -> AsyncIterator[None]:  # noqa: ARG001
    """See that what runs on this loop leaves nothing."""
    _keep()
    files, threads = _open_files(), set(threading.enumerate())
    complaints: list[dict[str, Any]] = []
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda _, context: complaints.append(context))
    hangs = loop.call_later(HANGS_S, lambda: [task.cancel(f"hangs since {HANGS_S} s") for task in asyncio.all_tasks()])
    yield
    hangs.cancel()
    for _ in range(3):
        await asyncio.sleep(0)  # what was closed gets its last turn
    left = asyncio.all_tasks() - {asyncio.current_task()}
    assert not left, f"tasks left behind: {left}"
    await loop.shutdown_default_executor()
    gc.collect()
    assert not complaints
    for thread in set(threading.enumerate()) - threads:
        thread.join(PATIENCE_S)  # one that opens a port for somebody who was cancelled gives it back by itself
    assert _open_files() == files
    assert set(threading.enumerate()) <= threads


@pytest.fixture(autouse=True)
def leaves_nothing(request: pytest.FixtureRequest) -> None:
    """Every test that awaits is watched."""
    if inspect.iscoroutinefunction(request.function):
        request.getfixturevalue("nothing_left")
