"""`check` told to stop: its workers end with it, what was finished is written, and the exit code says that it was interrupted."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest

from acquire.cli.demo_job import job_text
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import truth
from tests.left_out import thorough
from tests.recorded import job_folder
from tests.rigs import SHORT

from .conftest import PATIENCE

pytestmark = pytest.mark.skipif(not Path("/proc/self/environ").exists(), reason="processes are looked up in /proc")
JOBS = 60


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = job_text(Scenario("short", "A short rig.", SHORT), truth(SHORT))
    return job_folder(tmp_path_factory.mktemp("jobs") / "good", text, SHORT)


class Checking:
    """`lobetrace check` on many jobs, in a process of its own whose descendants can be told by a mark."""

    def __init__(self, job: Path, folder: Path) -> None:
        self._mark = f"CHECKED={uuid.uuid4().hex}".encode()
        name, _, value = self._mark.decode().partition("=")
        self.junit = folder / "verdicts.xml"
        command = [sys.executable, "-m", "acquire", "check", "--json", "--junit", str(self.junit), *[str(job)] * JOBS]
        environment = {**os.environ, name: value}
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment, start_new_session=True
        )

    def others(self) -> dict[int, str]:
        """Its descendants and what each was started as."""
        found = {}
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit() or int(entry.name) == self.process.pid:
                continue
            try:
                if self._mark in (entry / "environ").read_bytes().split(b"\0"):
                    found[int(entry.name)] = (entry / "cmdline").read_bytes().decode(errors="replace")
            except OSError:
                continue
        return found

    def until(self, holds: Callable[[], bool]) -> None:
        """Wait for something while it runs."""
        for _ in range(round(4 * PATIENCE / 0.05)):
            if holds():
                return
            try:
                self.process.wait(0.05)
            except subprocess.TimeoutExpired:
                continue
            raise AssertionError(f"it ended: {self.process.communicate()}")
        raise AssertionError("never")


@pytest.fixture
def checking(job: Path, tmp_path: Path) -> Iterator[Checking]:
    made = Checking(job, tmp_path)
    yield made
    for pid in made.others():
        os.kill(pid, signal.SIGKILL)
    if made.process.poll() is None:
        made.process.kill()
    made.process.communicate()


def ended(pids: list[int]) -> list[int]:
    """Those that are still there after a while."""
    left = []
    for pid in pids:
        try:
            handle = os.pidfd_open(pid)
        except ProcessLookupError:
            continue
        try:
            if not select.select([handle], [], [], PATIENCE)[0]:
                left.append(pid)
        finally:
            os.close(handle)
    return left


def working(checking: Checking) -> bool:
    """The server of workers, what watches over shared memory, and a worker at least."""
    return len(checking.others()) >= 3


@pytest.mark.parametrize("number", [signal.SIGINT, *thorough(signal.SIGTERM)])
def test_a_signal_ends_the_workers_and_what_is_finished_is_written(checking: Checking, number: signal.Signals) -> None:
    checking.until(lambda: working(checking))
    workers = list(checking.others())
    os.kill(checking.process.pid, number)
    out, err = checking.process.communicate(timeout=4 * PATIENCE)
    assert checking.process.returncode == 128 + number, err
    assert "Traceback" not in err
    assert "jobs were finished and written" in err
    told = json.loads(out)["jobs"]
    assert len(told) == len(ElementTree.parse(checking.junit).getroot()) == JOBS
    finished = [each for each in told if each["verdict"] == "within"]
    assert all("interrupted before" in each["error"] for each in told if each not in finished)
    assert ended(workers) == []


def test_the_workers_end_with_a_parent_that_was_killed(checking: Checking) -> None:
    checking.until(lambda: working(checking))
    workers = list(checking.others())
    checking.process.kill()
    checking.process.communicate()
    assert ended(workers) == []
