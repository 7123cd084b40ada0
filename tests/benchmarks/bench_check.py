"""How long `lobetrace check` takes on a hundred recorded jobs, half of them with something wrong; prints figures, decides nothing."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from acquire.cli.demo_job import job_text
from acquire.simulator.scenarios import scenario_named
from acquire.simulator.truth import truth
from tests.recorded import job_folder

JOBS = 100


def main() -> None:
    """Record the jobs, check them all at once, print the time."""
    scenario = scenario_named("workshop")
    with tempfile.TemporaryDirectory() as made:
        jobs = []
        begun = time.perf_counter()
        for k in range(JOBS):
            rig = replace(scenario.rig, seed=k + 1)
            text = job_text(scenario, truth(rig))
            if k % 2:
                rig = replace(rig, cam=replace(rig.cam, advance_deg=rig.cam.advance_deg - 4))
            jobs.append(str(job_folder(Path(made) / f"job-{k:03d}", text, rig)))
        size = sum(file.stat().st_size for file in Path(made).rglob("*.csv"))
        print(f"{JOBS} jobs recorded, {size / 1e6:.0f} MB, in {time.perf_counter() - begun:.1f} s")
        begun = time.perf_counter()
        done = subprocess.run([sys.executable, "-m", "acquire", "check", *jobs], capture_output=True, text=True, check=False)
        print(f"checked in {time.perf_counter() - begun:.2f} s, exit code {done.returncode}: {done.stdout.splitlines()[-1]}")


if __name__ == "__main__":
    main()
