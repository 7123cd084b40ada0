"""Two indicators: intake and exhaust in one sweep, from a simulated board over a port to the sheet, by the command alone."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from acquire.cli import run
from acquire.cli.demo_job import job_text
from acquire.simulator.scenarios import Scenario, scenario_named
from acquire.simulator.truth import truth
from analysis.capture import load
from analysis.job.folder import captures_of, make_job


@contextmanager
def simulated(scenario: Scenario) -> Iterator[str]:
    seed = str(scenario.rig.seed)
    command = [sys.executable, "-m", "acquire", "simulate", "--scenario", scenario.name, "--seed", seed, "--fast", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield json.loads(process.stdout.readline())["url"]
        finally:
            process.terminate()


@pytest.mark.parametrize("seed", [11])
def test_intake_and_exhaust_in_one_sweep(seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scenario = scenario_named("two-channel", seed)
    true = truth(scenario.rig)
    job = tmp_path / "job"
    make_job(job, job_text(scenario, true))
    with simulated(scenario) as url:
        assert run(["capture", str(job), "--step", "stop", "--touches", "7", "--port", url]) == 0
        assert run(["capture", str(job), "--step", "sweep", "--valve", "both", "--passes", "2", "--port", url]) == 0
    capsys.readouterr()
    stop, sweep = map(load, captures_of(job))
    assert (stop.header.channels, sweep.header.channels) == (("unknown", "unknown"), ("intake", "exhaust"))
    assert sweep.samples.lift.shape[0] == 2
    assert not sweep.gaps
    assert run(["analyze", str(job), "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    lobes = {lobe["valve"]: lobe for lobe in result["lobes"]}
    assert lobes.keys() == {"intake", "exhaust"}
    # The truth is the simulator's own root finding. A tenth of a degree is a small part of the half that hand work is good for.
    for valve, lobe in lobes.items():
        assert lobe["passes"] >= 2
        assert lobe["centerline_deg"]["value"] == pytest.approx(true.lobe(valve).centerline_by["equal_lift"], abs=0.1)
        assert lobe["peak_lift_mm"]["value"] == pytest.approx(true.lobe(valve).peak_lift_mm, abs=0.02)
    assert result["cam"]["separation_deg"]["value"] == pytest.approx(true.cam.separation_deg, abs=0.1)
    assert run(["analyze", str(job)]) == 0
    sheet = capsys.readouterr().out.lower()
    assert "intake" in sheet
    assert "exhaust" in sheet
