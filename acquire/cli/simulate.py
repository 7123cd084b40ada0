"""`lobetrace simulate`: a rig to try things on, without an engine."""

from __future__ import annotations

import sys
from pathlib import Path

from acquire.cli import say
from acquire.cli.output_file import write
from acquire.simulator.asked import run_asked
from acquire.simulator.phases import PHASES
from acquire.simulator.scenario_file import scenario_of
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.serve import run as serve
from acquire.simulator.truth import truth as truth_of
from analysis.base.errors import UsageError


def run(name: str, seed: int | None, pace: float | None, socket: bool, phases: str, truth: Path | None, as_json: bool) -> None:
    """Serve it until every phase is done and its host has left. Without a name, list what there is."""
    if not name:
        _list(as_json)
        return
    scenario = scenario_of(name, seed)
    asked = phases == "-"
    steps = scenario.phases if asked or not phases else tuple(phase.strip() for phase in phases.split(","))
    if unknown := [phase for phase in steps if phase not in PHASES]:
        raise UsageError(f"there is no phase {unknown[0]!r}", do=f"Choose of: {', '.join(PHASES)}")
    if truth is not None:
        if truth.exists():
            raise UsageError("it exists and is not overwritten", where=str(truth), do="Choose another file")
        write(truth, say.json_file({"truth": truth_of(scenario.rig).tree()}, "truth"))

    def tell(url: str) -> None:
        if as_json:
            say.result_json_line({"url": url, "scenario": name, "seed": scenario.rig.seed}, "simulate")
        else:
            say.result(url)
            say.person(f"{scenario.text} Each phase begins when the port is opened; Ctrl-C ends it all.")
            say.person(f"In another terminal: lobetrace capture JOB --port {url} --step ...")

    via = "socket" if socket else "auto"
    if asked:
        run_asked(scenario.rig, sys.stdin, via=via, pace=pace, tell=tell)
        return
    serve(scenario.rig, steps, via=via, pace=pace, tell=tell)


def _list(as_json: bool) -> None:
    if as_json:
        told = [{"name": s.name, "text": s.text, "phases": list(s.phases)} for s in SCENARIOS.values()]
        say.result_json({"scenarios": told}, "scenarios")
        return
    for scenario in SCENARIOS.values():
        say.result(f"{scenario.name:<16} {scenario.text} [{','.join(scenario.phases)}]")
    say.person("Serve one with: lobetrace simulate --scenario NAME")
