"""The live screen on a simulated board in another process, over a real pseudo-terminal."""

from __future__ import annotations

import asyncio
import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from acquire.cli.demo_job import job_text
from acquire.cli.versus import versus
from acquire.dashboard.app import Dashboard
from acquire.dashboard.hand import SimulatedHand
from acquire.dashboard.launch import setup_for
from acquire.dashboard.road import IDLE_S, Road
from acquire.dashboard.station import Station
from acquire.link import stream
from acquire.session import Place, Plan, places
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import truth
from acquire.steps import DONE, SAID
from analysis.job import parse_job

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")


class Clock:
    """The loop's own time."""

    def __call__(self) -> float:
        return asyncio.get_running_loop().time()


def test_the_whole_procedure_ends_with_results_that_hold_the_truth(tmp_path: Path) -> None:
    scenario = SCENARIOS["workshop"]
    text = job_text(scenario, truth(scenario.rig))
    job = parse_job(text)
    hand = SimulatedHand("workshop", scenario.rig.seed, pace=40.0)
    try:
        seen, result = asyncio.run(
            asyncio.wait_for(_walk(tmp_path, hand, replace(setup_for(job, tmp_path, Plan(), "lobetrace 0"), asks=hand.asks)), 240)
        )
    finally:
        hand.end()
    assert tuple(seen) == places(Plan())
    known = truth(scenario.rig, [(mm, job.measure.checking_at) for mm in job.measure.checking_lifts_mm])
    rows = versus(result, known, scenario.rig.board.latch)
    assert len(rows) > 30
    # 95 % intervals: of this many a few may miss, none by much.
    assert sum(row.inside for row in rows) >= 0.85 * len(rows)
    assert [row for row in rows if abs(row.off) > 2.5 * row.measured.u95] == []


async def _walk(folder: Path, hand: SimulatedHand, setup):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN202
    """Say what is asked for as a person would, with the key; nothing else moves it on."""
    clock = Clock()
    station = Station(setup, clock)
    road = Road(station, lambda: stream(hand.url, idle_after=IDLE_S), clock=clock)
    app = Dashboard(road, extra=(("simulator", hand.watch(lambda: station)),))
    seen: list[Place] = []
    async with app.run_test(size=(120, 36)) as pilot:
        while True:
            at = station.session.at
            if not seen or seen[-1] != at:
                seen.append(at)
            if at.step == DONE and station.result is not None and len(station.result.lobes) == 2 and station.result.captures:
                break
            taking = station.taking
            asked = station.facts().get(SAID) == 0.0 and any(need.key == SAID for need in _needs(station))
            if asked and taking is not None and taking.progress().rows:
                await pilot.press("enter")
            await pilot.pause(0.05)
        await app.finish()
    assert not [message for message in station.messages if message.kind == "error"], list(station.messages)
    with suppress(ValueError):
        seen.remove(Place("nowhere"))
    return seen, station.result


def _needs(station: Station):  # type: ignore[no-untyped-def]  # noqa: ANN202
    from acquire.session import needs

    return needs(station.session)
