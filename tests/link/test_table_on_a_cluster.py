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

from acquire.cli import run, table
from acquire.cli.dataset import Dataset, parts
from analysis.archive.rows import JobRows
from tests.archived import archive, tables

from .conftest import PATIENCE

JOBS = 16
_QUIET = {"DASK_DISTRIBUTED__ADMIN__LOG_FORMAT": "%(message)s"}

pytest.importorskip("distributed")
dask = pytest.importorskip("dask")
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


@pytest.fixture(scope="module")
def cluster() -> Iterator[Running]:
    """One for all, since it takes long to start: what kills one of its workers comes behind, and what kills all of it last."""
    running = Running()
    yield running
    running.close()


def killed_after_five_jobs(victim: subprocess.Popen[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """With a chunk for each job, and when five are written: then it cannot have been given all of them."""
    write, written = Dataset.write, []

    def writing(dataset: Dataset, chunk: list[JobRows]) -> None:
        write(dataset, chunk)
        written.extend(chunk)
        if len(written) == 5:
            victim.kill()

    monkeypatch.setattr(table, "_MOST_JOBS", 1)
    monkeypatch.setattr(Dataset, "write", writing)


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = archive(tmp_path_factory.mktemp("archive") / "jobs", JOBS)
    (root / "000" / "engine-00007" / "job.toml").write_text("format = 2\n", encoding="utf-8")
    return root


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


def test_a_worker_that_is_killed_changes_nothing_in_the_tables(
    jobs: Path, tmp_path: Path, cluster: Running, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    assert run(["table", str(jobs), "-o", str(here), "-j", "1"]) == 0
    capsys.readouterr()
    killed_after_five_jobs(cluster.workers[0], monkeypatch)
    assert run(["table", str(jobs), "-o", str(there), "--json", "--cluster", cluster.address]) == 0
    assert cluster.workers[0].wait(PATIENCE) == -signal.SIGKILL
    assert json.loads(capsys.readouterr().out)["written"] == JOBS
    assert tables(there) == tables(here)


def test_no_scheduler_is_a_sentence(
    jobs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("acquire.cli.cluster._PATIENCE_S", 0.5)
    assert run(["table", str(jobs), "-o", str(tmp_path / "t"), "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert "no scheduler answers" in capsys.readouterr().err


def test_a_scheduler_that_is_gone_is_a_sentence_and_the_same_command_goes_on(
    jobs: Path, tmp_path: Path, cluster: Running, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "t"
    killed_after_five_jobs(cluster.scheduler, monkeypatch)
    with dask.config.set({"distributed.comm.timeouts.connect": "1s"}):
        assert run(["table", str(jobs), "-o", str(out), "--cluster", cluster.address]) == 2
    assert cluster.scheduler.wait(PATIENCE) == -signal.SIGKILL
    err = capsys.readouterr().err
    assert "the scheduler is gone" in err
    assert "Traceback" not in err
    there = len(tables(out)["jobs"])
    assert run(["table", str(jobs), "-o", str(out), "-j", "1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["written"] == JOBS - there
