"""How long `lobetrace check` takes on a hundred recorded jobs, half of them with something wrong; prints figures, decides nothing."""

from __future__ import annotations

import os
import shutil
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

JOBS, RECORDED = 100, 10  # each recorded job is copied to make up the number


def main() -> None:
    """Record the jobs, check them all at once, print the time."""
    scenario = scenario_named("workshop")
    with tempfile.TemporaryDirectory() as made:
        jobs = []
        for k in range(RECORDED):
            rig = replace(scenario.rig, seed=k + 1)
            text = job_text(scenario, truth(rig))
            if k % 2:
                rig = replace(rig, cam=replace(rig.cam, advance_deg=rig.cam.advance_deg - 4))
            first = job_folder(Path(made) / f"job-{k}", text, rig)
            copies = [Path(made) / f"job-{k}-{copy}" for copy in range(1, JOBS // RECORDED)]
            for copy in copies:
                shutil.copytree(first, copy)
            jobs += [str(first), *map(str, copies)]
        size = sum(file.stat().st_size for file in Path(made).rglob("*.csv"))
        print(f"{JOBS} jobs, {size / 1e6:.0f} MB of captures")
        begun = time.perf_counter()
        done = subprocess.run([sys.executable, "-m", "acquire", "check", *jobs], capture_output=True, text=True, check=False)
        wall = time.perf_counter() - begun
        print(f"checked in {wall:.2f} s on {os.cpu_count()} processors, load before and meanwhile {os.getloadavg()[0]:.1f}")
        print(f"exit code {done.returncode}: {done.stdout.splitlines()[-1]}")


if __name__ == "__main__":
    main()
