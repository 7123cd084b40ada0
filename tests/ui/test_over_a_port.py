"""The live screen on a simulated board in another process, over a real pseudo-terminal."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from acquire.cli.versus import versus
from acquire.dashboard.app import Dashboard
from acquire.link.reconnect import stream
from acquire.procedure.session import Place, Plan, Session, places
from acquire.procedure.setup import Setup, setup_for
from acquire.procedure.simulated_hand import SimulatedHand
from acquire.procedure.station import Station
from acquire.procedure.steps import DONE, SAID, STEPS
from acquire.procedure.workers import IDLE_S, Workers
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import truth
from analysis.job import parse_job
from analysis.lobe.result import Measurement
from tests.recorded import demo_job

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


class Clock:
    """The loop's own time."""

    def __call__(self) -> float:
        return asyncio.get_running_loop().time()


class Walked(Station):
    """A station that notes every place it comes to: on a busy machine a step may begin and end between two looks."""

    def __setattr__(self, name: str, value: object) -> None:
        super().__setattr__(name, value)
        if isinstance(value, Session):
            seen = self.__dict__.setdefault("seen", [])
            if seen[-1:] != [value.at]:
                seen.append(value.at)

    @property
    def places(self) -> tuple[Place, ...]:
        """In the order in which it came to them."""
        return tuple(self.__dict__["seen"])


async def test_the_whole_procedure_ends_with_results_that_hold_the_truth(tmp_path: Path) -> None:
    scenario = SCENARIOS["workshop"]
    text = demo_job(scenario)
    job = parse_job(text)
    hand = SimulatedHand(job, "workshop", scenario.rig.seed, pace=400.0)
    setup = replace(setup_for(job, tmp_path, Plan(), "lobetrace 0"), asks=hand.asks)
    try:
        seen, result = await _walk(hand, setup)
    finally:
        hand.end()
    assert seen == places(Plan())
    known = truth(scenario.rig, [(mm, job.measure.checking_at) for mm in job.measure.checking_lifts_mm])
    rows = versus(result, known)
    assert len(rows) > 30
    # 95 % intervals: of this many a few may miss, none by much.
    assert sum(row.inside for row in rows) >= 0.85 * len(rows)
    assert [row for row in rows if abs(row.off) > 2.5 * row.measured.u95] == []


async def _walk(hand: SimulatedHand, setup: Setup) -> tuple[tuple[Place, ...], Measurement]:
    """Say what is asked for as a person would, with the key; nothing else moves it on."""
    clock = Clock()
    station = Walked(setup, clock)
    workers = Workers(station, lambda: stream(hand.url, idle_after=IDLE_S), clock=clock)
    app = Dashboard(workers, extra=(("simulator", hand.watch(lambda: station)),))
    async with app.run_test(size=(120, 36)) as pilot:
        while station.session.at.step != DONE or workers.settled_at != station.session.at:
            asks = STEPS[station.session.at.step].asks
            recording = station.recording
            if asks and not station.facts()[SAID] and recording is not None and recording.progress().rows:
                await pilot.press("enter")
            await pilot.pause(0.05)
        await app.finish()
    assert not [message for message in station.messages if message.kind == "error"], list(station.messages)
    assert station.result is not None
    return station.places, station.result
