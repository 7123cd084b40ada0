"""`lobetrace demo`: the whole job on a simulated rig in another process, over a real port, beside what the simulator knows."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from acquire.cli import say
from acquire.cli.capture import capture
from acquire.cli.demo_job import job_text
from acquire.cli.report import decided
from acquire.cli.versus import row_json, table, versus
from acquire.procedure.limits import Limits
from acquire.procedure.session import Place
from acquire.procedure.steps import STOP, SWEEP
from acquire.simulator.scenarios import Scenario, scenario_named
from acquire.simulator.truth import truth
from analysis.base.errors import LinkError
from analysis.job import Job, load_job
from analysis.job.folder import free, make_job
from analysis.lobe.result_json import result_json
from analysis.report.sentences import headline, story
from analysis.report.sheet import sheet

SCENARIO, WRONG = "workshop", "wrong-job"
# The simulated hand touches the stop four times on each side, and then turns the camshaft three and a half times for each valve.
PHASES = {
    "stop": (Place(STOP), Limits(contacts=7)),
    "intake": (Place(SWEEP, "intake"), Limits(passes=3)),
    "exhaust": (Place(SWEEP, "exhaust"), Limits(passes=3)),
}


def run(chosen: Path | None, seed: int | None, as_json: bool, *, wrong: bool = False) -> None:
    """Make the job, record three captures, analyze them, print the sheet and what it is worth. `wrong`: of an engine that is not as
    the job says; then what is said of it comes last instead.
    """
    folder = chosen or free(Path("demo-job"))
    scenario = scenario_named(WRONG if wrong else SCENARIO, seed)
    make_job(folder, job_text(scenario, truth(scenario.as_the_job_says)))
    job = load_job(folder)
    with _simulator(scenario) as url:
        for phase, (place, limits) in PHASES.items():
            say.person(f"Recording {phase} ...")
            capture(folder, job, place, url, limits)
    decision = decided(folder)
    job, result = decision.job, decision.measured
    rows = versus(result, truth(scenario.rig, _checked(job)))
    if as_json:
        told = {"job": str(folder), "result": result_json(result), "truth": [row_json(row) for row in rows]}
        say.result_json(told, "demo")
        return
    say.result(sheet(result, job))
    if wrong:
        say.result(f"WHAT IS WRONG WITH IT: {scenario.text}")
        say.result("\n".join(f"  {line}" for line in ("", "AND WHAT IS SAID", headline(decision), *story(decision))))
    else:
        say.result("COMPARED WITH THE SIMULATOR'S TRUE VALUES")
        say.result(table(rows))
    say.result(f"\nThe job is in {folder}: job.toml and captures/. Read it again with: lobetrace analyze {say.quoted(folder)}")


def _checked(job: Job) -> list[tuple[float, str]]:
    return [(mm, job.measure.checking_at) for mm in job.measure.checking_lifts_mm]


@contextmanager
def _simulator(scenario: Scenario) -> Iterator[str]:
    """The scenario served by a process of its own; its port: a socket, where a host that leaves and comes back at once is noticed."""
    command = [sys.executable, "-m", "acquire", "simulate", "--scenario", scenario.name, "--seed", str(scenario.rig.seed)]
    command += ["--phases", ",".join(PHASES), "--fast", "--socket", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            line = process.stdout.readline()
            if not line:
                raise LinkError("the simulator did not start", do="Try: lobetrace simulate --scenario " + scenario.name)
            yield str(json.loads(line)["url"])
        finally:
            process.terminate()
