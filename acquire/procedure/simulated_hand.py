"""A simulated engine for the guided procedure: a rig in another process, whose hand does what the step in hand asks for."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Callable, Coroutine, Mapping
from types import MappingProxyType
from typing import IO, Any, Final

from acquire.procedure.session import MOVED, Happened, Moved, Place
from acquire.procedure.station import Station
from acquire.procedure.steps import RIG, STEPS, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from analysis.base.errors import LinkError
from analysis.job import Job
from analysis.tdc.carrying import fires_after

_PHASES: Final = {RIG: "check", STOP: "stop", TRAVEL: "travel", STOP_OUT: "past"}
_RESTS_S: Final = 3.0  # longer than the hand rests within a phase
_LOOK_S: Final = 0.5


class SimulatedHand:
    """Starts the rig; `asks` is for `Setup.asks`. Raises LinkError if the simulator does not start."""

    def __init__(self, job: Job, scenario: str, seed: int, pace: float) -> None:
        self._job = job
        self._advanced: dict[str, float] = {}  # crank degrees by which the lobes of each valve were advanced
        command = [sys.executable, "-m", "acquire", "simulate", "--scenario", scenario, "--seed", str(seed)]
        command += ["--pace", str(pace), "--phases", "-", "--json"]
        # Its own words would be written across the screen.
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        line = _pipe(self._process.stdout).readline()
        if not line:
            self._process.wait()
            raise LinkError("the simulator did not start", do=f"Try: lobetrace simulate --scenario {scenario}")
        self.url = str(json.loads(line)["url"])
        self._asked = ""
        self._seen, self._moved = 0, True

    def asks(self, place: Place, said: bool) -> None:
        """A step was begun, or its sentence said: the hand does its part."""
        self._ask(phase_for(self._job, place, said, self._advanced))

    def moves(self, happened: Happened) -> None:
        """The hand moves the timing set, where that is what happened."""
        if happened.what == MOVED:
            for valve, deg in Moved.read(happened.reason).advanced_deg.items():
                self._advanced[valve] = self._advanced.get(valve, 0.0) + deg

    def watch(self, station: Callable[[], Station]) -> Callable[[], Coroutine[Any, Any, None]]:
        """A worker that has the hand go on where it rests and the step is not over. LinkError if the simulator dies."""

        async def go_on() -> None:
            while True:
                await asyncio.sleep(_LOOK_S)
                if self._process.poll() is not None:
                    raise LinkError("the simulator has ended", do="Quit, and begin again: what is recorded stays")
                if (recording := station().recording) is None:
                    continue
                # At a high pace a whole turn falls between two looks: the count tells, not the rest.
                self._moved |= recording.crank != self._seen
                self._seen = recording.crank
                if self._asked and self._moved and recording.progress().crank.still_s > _RESTS_S:
                    self._ask(self._asked)

        return go_on

    def end(self) -> None:
        """Stop the simulator."""
        self._process.terminate()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()

    def _ask(self, phase: str) -> None:
        self._asked, self._moved = phase, False
        try:
            pipe = _pipe(self._process.stdin)
            pipe.write(phase + "\n")
            pipe.flush()
        except OSError:
            pass  # `watch` tells that it has died


def phase_for(job: Job, place: Place, said: bool, advanced: Mapping[str, float] = MappingProxyType({})) -> str:
    """The simulator's phase in which a hand does what a place asks for; empty for nothing yet.

    `advanced`: crank degrees by which the lobes of each valve were advanced since; of both in one sweep, those of the intake.
    """
    if STEPS[place.step].asks and not said:
        return ""
    if place.step not in (ZERO, SWEEP):
        return _PHASES.get(place.step, "")
    after = fires_after(job, place.cylinder, job.measure.cylinder) if place.cylinder else 0.0
    after = round(after - advanced.get("intake" if place.valve == "both" else place.valve, 0.0), 3) % 720.0
    return f"{place.valve}@{after:g}" if after else place.valve


def _pipe(pipe: IO[str] | None) -> IO[str]:
    assert pipe is not None
    return pipe
