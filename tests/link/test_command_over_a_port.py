"""The command as people run it: two processes and a pseudo-terminal between them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from acquire.cli import run
from analysis.capture import load
from analysis.job.folder import captures_of
from tests.left_out import thorough

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")

LOBETRACE = [sys.executable, "-m", "acquire"]
SCHEMA = Path(__file__).parents[2] / "analysis" / "result.schema.json"


@pytest.fixture
def port() -> Iterator[str]:
    """A clean rig at work, in real time."""
    command = [*LOBETRACE, "simulate", "--scenario", "clean", "--phases", "intake", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as simulator:
        assert simulator.stdout is not None
        yield json.loads(simulator.stdout.readline())["url"]
        simulator.terminate()


@pytest.mark.parametrize("number", [signal.SIGINT, *thorough(signal.SIGTERM, signal.SIGHUP)])
def test_a_signal_ends_a_recording_cleanly(tmp_path: Path, port: str, number: signal.Signals) -> None:
    assert run(["new", str(tmp_path / "job")]) == 0
    command = [*LOBETRACE, "capture", str(tmp_path / "job"), "--step", "sweep", "--valve", "intake", "--port", port, "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as capture:
        assert capture.stderr is not None
        said = next(line for line in capture.stderr if line.startswith("count "))
        os.kill(capture.pid, number)
        out, err = capture.communicate()
    assert "lift 1.0" in said
    assert capture.returncode == 0, err
    told = json.loads(out)
    (path,) = captures_of(tmp_path / "job")
    recorded = load(path)
    assert told["capture"] == str(path)
    assert recorded.complete
    assert recorded.samples.crank.size == told["rows"] > 0
    assert "Traceback" not in err


def test_the_demo_does_the_whole_job_and_analyzing_again_gives_the_same_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "demo"
    done = subprocess.run(
        [*LOBETRACE, "demo", "--folder", str(folder), "--seed", "3", "--json"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text(encoding="utf-8"))).validate(told["result"])
    assert [path.stem.split("-")[1] for path in captures_of(folder)] == ["stop", "sweep", "sweep"]
    assert all(load(path).complete for path in captures_of(folder))
    # The truth comes from the simulator's own root finding. What a good fitter gets by hand is half a degree; this must be better.
    rows = {row["name"]: row for row in told["truth"]}
    for name in (
        "intake centerline, equal lift",
        "exhaust centerline, equal lift",
        "intake 1.27 mm opens",
        "exhaust 1.27 mm closes",
    ):
        assert abs(rows[name]["off"]) < 0.25, name
    assert abs(rows["lobe separation angle"]["off"]) < 0.2
    assert abs(rows["intake lag, ms"]["off"]) < 2.0
    assert run(["analyze", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == told["result"]
