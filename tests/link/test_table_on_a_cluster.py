"""`table --cluster` with a real scheduler and two workers, each a process of its own: the same tables as on one machine."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

from acquire.cli import run
from acquire.cli.dataset import parts
from tests.archived import archive, tables

from .conftest import PATIENCE

JOBS = 24
# The command with a chunk for each job, which kills a process when it has written five: then it cannot have been given all of them.
KILLS = """
import os, signal, sys
from acquire.cli import run, table
from acquire.cli.dataset import Dataset
table._MOST_JOBS, real, written, victim = 1, Dataset.write, [], int(sys.argv.pop())
def write(self, chunk):
    real(self, chunk)
    written.extend(chunk)
    if len(written) == 5:
        os.kill(victim, signal.SIGKILL)
Dataset.write = write
sys.exit(run(sys.argv[1:]))
"""
_QUIET = {"DASK_DISTRIBUTED__ADMIN__LOG_FORMAT": "%(message)s", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}

pytest.importorskip("distributed")
pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")


def started(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli." + arguments[0], *arguments[1:]],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        env={**os.environ, **_QUIET},
        start_new_session=True,
    )


def until_it_says(stream: IO[str] | None, pattern: str) -> str:
    """The first part of what a process logs that the pattern catches."""
    assert stream is not None
    said = []
    for line in stream:
        said.append(line)
        if found := re.search(pattern, line):
            return found[1]
    raise AssertionError("".join(said))


class Running:
    """A scheduler and two workers."""

    def __init__(self) -> None:
        self.scheduler = started("dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show")
        self.address = until_it_says(self.scheduler.stderr, r"Scheduler at:\s+(tcp://\S+)")
        self.workers = [started("dask_worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard") for _ in range(2)]
        for worker in self.workers:
            until_it_says(worker.stderr, r"(Registered to)")

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.communicate()


@pytest.fixture
def cluster() -> Iterator[Running]:
    running = Running()
    yield running
    running.close()


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = archive(tmp_path_factory.mktemp("archive") / "jobs", JOBS)
    (root / "000" / "engine-00007" / "job.toml").write_text("format = 2\n", encoding="utf-8")
    return root


def test_a_worker_that_is_killed_changes_nothing_in_the_tables(jobs: Path, tmp_path: Path, cluster: Running) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    assert run(["table", str(jobs), "-o", str(here), "-j", "2"]) == 0
    command = [sys.executable, "-c", KILLS, "table", str(jobs), "-o", str(there), "--json"]
    process = subprocess.Popen(
        [*command, "--cluster", cluster.address, str(cluster.workers[0].pid)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    out, err = process.communicate(timeout=6 * PATIENCE)
    assert process.returncode == 0, err
    assert json.loads(out)["written"] == JOBS
    assert tables(there) == tables(here)


def test_a_scheduler_that_is_gone_is_a_sentence_and_the_same_command_goes_on(
    jobs: Path, tmp_path: Path, cluster: Running, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "t"
    command = [sys.executable, "-c", KILLS, "table", str(jobs), "-o", str(out)]
    soon = {**os.environ, "DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT": "1s"}
    process = subprocess.Popen(
        [*command, "--cluster", cluster.address, str(cluster.scheduler.pid)], stderr=subprocess.PIPE, text=True, env=soon
    )
    _, err = process.communicate(timeout=6 * PATIENCE)
    assert process.returncode == 2
    assert "the scheduler is gone" in err
    assert "Traceback" not in err
    there = len(tables(out)["jobs"])
    assert run(["table", str(jobs), "-o", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["written"] == JOBS - there


def test_a_worker_with_another_version_is_refused_before_the_first_job(
    jobs: Path, tmp_path: Path, cluster: Running, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from acquire.cli import cluster as ours

    real = ours.versions()
    monkeypatch.setattr(ours, "versions", _Here(real | {"scipy": "0.1"}))
    assert run(["table", str(jobs), "-o", str(tmp_path / "t"), "--cluster", cluster.address]) == 2
    err = capsys.readouterr().err
    assert f"has scipy {real['scipy']}, and here is 0.1" in err
    assert "Install the same versions" in err
    assert parts(tmp_path / "t", "jobs") == []


class _Here:
    """The versions here are others than on the workers, where this becomes the real function."""

    def __init__(self, here: dict[str, str]) -> None:
        self._here = here

    def __call__(self) -> dict[str, str]:
        return self._here

    def __reduce__(self) -> str | tuple[object, ...]:
        return eval, ("__import__('acquire.cli.cluster', fromlist=['versions']).versions",)


def test_no_scheduler_is_a_sentence(
    jobs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("acquire.cli.cluster._PATIENCE_S", 0.5)
    assert run(["table", str(jobs), "-o", str(tmp_path / "t"), "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert "no scheduler answers" in capsys.readouterr().err
