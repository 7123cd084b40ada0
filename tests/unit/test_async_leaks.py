"""What a test that awaits leaves behind fails it: tried on tests that leave something."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

pytest_plugins = ("pytester",)

BODIES = {
    "task": "asyncio.create_task(asyncio.Event().wait())",
    "file": "held.append(open(__file__))",
    "thread": "threading.Thread(target=threading.Event().wait, daemon=True).start()",
    "error_that_nobody_asked_for": "asyncio.get_running_loop().create_future().set_exception(ValueError('unheard'))",
    "coroutine_that_nobody_awaited": "asyncio.sleep(0)",
    "warning": "warnings.warn('old', DeprecationWarning)",
    "hang": "await asyncio.Event().wait()",
}
CLEAN = "await asyncio.to_thread(len, '')"


def test_what_is_left_behind_fails_the_test(pytester: pytest.Pytester) -> None:
    """In an interpreter of its own, with the waits of the fixture cut short."""
    hygiene = (Path(__file__).parents[1] / "conftest.py").read_text(encoding="utf-8")
    pytester.makeconftest(re.sub(r"(PATIENCE_S|HANGS_S) = [\d.]+", r"\1 = 0.1", hygiene))
    pytester.makeini("[pytest]\nasyncio_mode = auto\nasyncio_default_fixture_loop_scope = function\nfilterwarnings = error\n")
    tests = [f"async def test_{name}():\n    {body}\n" for name, body in {**BODIES, "clean": CLEAN}.items()]
    pytester.makepyfile("\n".join(["import asyncio, threading, warnings", "held = []", *tests]))
    done = pytester.runpytest_subprocess("-q", "-rfE", "-p", "no:cacheprovider", "-p", "no:xdist")
    told = {line.split("::test_")[1].split(" ")[0] for line in done.outlines if line.startswith(("FAILED", "ERROR "))}
    assert told == BODIES.keys(), done.stdout.str()
