"""`table` stopped or killed while it works: what was finished is there, the same command goes on, and nothing is there twice."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.cli import run
from acquire.cli.dataset import parts
from tests.archived import archive, tables
from tests.left_out import thorough

from .conftest import PATIENCE

JOBS = 12
# The command with a chunk for each job, so that there is something to lose.
SHORT_CHUNKS = "import sys; from acquire.cli import run, table; table._MOST_JOBS = 1; sys.exit(run(sys.argv[1:]))"

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return archive(tmp_path_factory.mktemp("archive") / "jobs", JOBS)


@pytest.fixture(scope="module")
def whole(jobs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("whole") / "tables"
    assert run(["table", str(jobs), "-o", str(out), "-j", "1"]) == 0
    return out


@pytest.fixture
def working(jobs: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-c", SHORT_CHUNKS, "table", str(jobs), "-o", str(tmp_path / "t"), "-j", "2", "--json"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True)
    yield process
    if process.poll() is None:
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


def until(process: subprocess.Popen[str], out: Path, chunks: int) -> None:
    """Wait for so many chunks."""
    for _ in range(round(4 * PATIENCE / 0.02)):
        if len(parts(out, "jobs")) >= chunks:
            return
        try:
            process.wait(0.02)
        except subprocess.TimeoutExpired:
            continue
        raise AssertionError(f"it ended: {process.communicate()}")
    raise AssertionError("never")


def goes_on(jobs: Path, out: Path, capsys: pytest.CaptureFixture[str]) -> int:
    """How many jobs the same command still has to do; all of them are there then, once."""
    capsys.readouterr()
    assert run(["table", str(jobs), "-o", str(out), "-j", "1", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["written"] + told["there_already"] == JOBS
    return int(told["written"])


@pytest.mark.parametrize("number", [signal.SIGTERM, *thorough(signal.SIGINT)])
def test_a_signal_loses_nothing_that_was_finished(
    working: subprocess.Popen[str],
    jobs: Path,
    whole: Path,
    tmp_path: Path,
    number: signal.Signals,
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = tmp_path / "t"
    until(working, out, 3)
    working.send_signal(number)
    printed, err = working.communicate(timeout=4 * PATIENCE)
    assert working.returncode == 128 + number, err
    assert "Traceback" not in err
    written = json.loads(printed)["written"]
    assert 3 <= written == len(tables(out)["jobs"])
    assert goes_on(jobs, out, capsys) == JOBS - written
    assert tables(out) == tables(whole)


@pytest.mark.parametrize("seed", [1])  # bench_table kills twenty times
def test_a_kill_at_any_moment_loses_the_chunk_in_hand_at_most(
    working: subprocess.Popen[str], jobs: Path, whole: Path, tmp_path: Path, seed: int, capsys: pytest.CaptureFixture[str]
) -> None:
    chance, out = random.Random(seed), tmp_path / "t"
    until(working, out, chance.randrange(1, JOBS - 6))
    try:
        working.wait(chance.uniform(0.0, 0.1))
    except subprocess.TimeoutExpired:
        working.kill()
    working.communicate()
    there = len(parts(out, "jobs"))
    assert goes_on(jobs, out, capsys) == JOBS - there
    assert tables(out) == tables(whole)
