"""`lobetrace simulate`: a rig to try things on, without an engine."""

from __future__ import annotations

import sys
from pathlib import Path

from acquire.cli import say
from acquire.simulator.asked import run_asked
from acquire.simulator.scenarios import SCENARIOS, scenario_named
from acquire.simulator.serve import run as serve
from analysis.errors import UsageError


def run(name: str, seed: int | None, pace: float | None, socket: bool, phases: str, truth: Path | None, as_json: bool) -> None:
    """Serve it until every phase is done and its host has left. Without a name, list what there is."""
    if not name:
        _list(as_json)
        return
    scenario = scenario_named(name, seed)
    if truth is not None and truth.exists():
        raise UsageError("it exists and is not overwritten", where=str(truth), do="Choose another file")

    def tell(url: str) -> None:
        if as_json:
            say.result_json_line({"url": url, "scenario": name, "seed": scenario.rig.seed})
        else:
            say.result(url)
            say.person(f"{scenario.text} Each phase begins when the port is opened; Ctrl-C ends it all.")
            say.person(f"In another terminal: lobetrace capture JOB --port {url} --step ...")

    via = "socket" if socket else "auto"
    if phases == "-":
        run_asked(scenario.rig, sys.stdin, via=via, pace=pace, tell=tell)
        return
    steps = tuple(phases.split(",")) if phases else scenario.phases
    serve(scenario.rig, steps, via=via, pace=pace, tell=tell, truth_path=truth)


def _list(as_json: bool) -> None:
    if as_json:
        say.result_json({"scenarios": [{"name": s.name, "text": s.text, "phases": list(s.phases)} for s in SCENARIOS.values()]})
        return
    for scenario in SCENARIOS.values():
        say.result(f"{scenario.name:<16} {scenario.text} [{','.join(scenario.phases)}]")
    say.person("Serve one with: lobetrace simulate --scenario NAME")
