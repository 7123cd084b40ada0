"""The whole way: a simulated rig moves the pins of the emulated board, `lobetrace` reads its serial line and finds the truth."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from acquire.cli import run
from acquire.cli.demo_job import job_text
from acquire.simulator.hand import Hand
from acquire.simulator.phases import record
from acquire.simulator.rig import Work
from acquire.simulator.scenarios import scenario_named
from acquire.simulator.truth import truth
from tests.firmware.emulation import Emulator
from tests.firmware.found_truth import finds_the_truth
from tests.firmware.rig_on_the_board import script_of

LOBETRACE = [sys.executable, "-m", "acquire"]


def lobetrace(*arguments: str) -> dict[str, Any]:
    done = subprocess.run([*LOBETRACE, *arguments, "--json"], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_the_command_reads_the_board_and_finds_the_truth(
    emulator: Emulator, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario = scenario_named("two-channel", seed=5)
    brisk = Hand(speed=(200.0, 300.0), stroke=(150.0, 250.0), rest=(0.1, 0.4), still_s=1.0)  # the emulator's seconds are dear
    scenario = replace(scenario, rig=replace(scenario.rig, hand=brisk, work=Work(touches=1, turns=3.5, between_s=0.0)))
    phases = record(scenario.rig, scenario.phases)
    true = truth(scenario.rig)
    script = script_of(scenario.rig, phases, step_mm=0.005, channels=2)
    job = tmp_path / "job"
    job.mkdir()
    (job / "job.toml").write_text(job_text(scenario, true), encoding="utf-8")

    with emulator.on_a_terminal("scale-scale", script, name="sweep") as bench:
        ending = ["--port", bench.port, "--until-still", "1"]
        stop = lobetrace("capture", str(job), "--step", "stop", *ending)
        sweep = lobetrace("capture", str(job), "--step", "sweep", "--valve", "both", *ending)
        injected = bench.injected()
    assert stop["lost"] == sweep["lost"] == stop["refused_bytes"] == sweep["refused_bytes"] == 0
    assert stop["contacts"] >= 2 * scenario.rig.work.touches - 1

    captures = sorted((job / "captures").iterdir())
    assert [path.stem.split("-")[1] for path in captures] == ["stop", "sweep"]
    rows = [line for line in captures[1].read_text().splitlines() if line[0].isdigit()]
    assert int(rows[-1].split(",")[2]) == injected.count[0] == phases[-1].crank.count[-1]
    assert [int(rows[-1].split(",")[5]), int(rows[-1].split(",")[7])] == injected.count[1:]

    assert run(["analyze", str(job), "--json"]) in (0, 1)
    finds_the_truth(json.loads(capsys.readouterr().out), true)
