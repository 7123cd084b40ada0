"""Starts the live screen: on a port, on a simulated engine, or on a capture that is played again."""

from __future__ import annotations

import asyncio
import os
import sys
import time
from collections.abc import AsyncGenerator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from acquire.dashboard.app import Dashboard
from acquire.dashboard.form import SetupForm
from acquire.dashboard.second import Second
from acquire.link.discovery import boards, only_port
from acquire.link.outcomes import Outcome
from acquire.link.reconnect import Connected, stream
from acquire.link.transport import open_pipe
from acquire.procedure.session import Choice, Happened, Place, Plan
from acquire.procedure.setup import Setup, setup_for
from acquire.procedure.simulated_hand import SimulatedHand
from acquire.procedure.station import Station
from acquire.procedure.workers import IDLE_S, Workers
from acquire.record.replay import replay
from analysis.base.errors import UsageError
from analysis.base.samples import Capture
from analysis.job import Job, entry
from analysis.job.folder import free, make_job
from analysis.job.template import Units
from analysis.job.write import written_job


@dataclass(frozen=True)
class Look:
    """How the screen looks and sounds, and the second screen beside it."""

    light: bool = False
    bell: bool = True
    second: Second | None = None


@dataclass(frozen=True)
class Simulated:
    """The rig to simulate."""

    scenario: str
    seed: int
    pace: float = 1.0


def live(
    job: Job,
    folder: Path,
    port: str,
    plan: Plan,
    software: str,
    look: Look,
    simulated: Simulated | None = None,
    choice: Choice | None = None,
) -> Place:
    """The guided procedure on the board at `port` (the job's if empty), or on a simulated one; where the person has left it.

    `choice`: what is to be measured, if not what the plan or the procedure so far says. Raises UsageError without a port or a
    terminal, LinkError if the simulator does not start.
    """
    _needs_terminal()
    hand = SimulatedHand(job, simulated.scenario, simulated.seed, simulated.pace) if simulated else None
    try:
        url = hand.url if hand else port or job.rig.port or asyncio.run(only_port(job.rig.baud, str(folder)))
        setup = setup_for(job, folder, plan, software)
        station = Station(_with_hand(setup, hand) if hand else setup, time.monotonic)
        station.watch.where = url
        if choice is not None:
            station.choose(choice)

        def source() -> AsyncGenerator[Connected | Outcome, None]:
            opener = partial(open_pipe, dtr=job.rig.dtr, rts=job.rig.rts)
            return stream(url, job.rig.baud, idle_after=IDLE_S, opener=opener)

        extra = (("simulator", hand.watch(lambda: station)),) if hand else ()
        _run(Dashboard(Workers(station, source), extra=extra, light=look.light, bell=look.bell, second=look.second))
        return station.session.at
    finally:
        if hand:
            hand.end()


def set_up(folder: Path | None, units: Units, like: Job | None = None, *, light: bool = False) -> Path | None:
    """The set-up form for a new job; its folder once it is saved, None if the form was left.

    `folder`: where it is made, None to ask. `like`: a job whose engine, rig and cam card are copied. UsageError without a terminal.
    """
    _needs_terminal()
    texts, rest = (entry.blank(units), {}) if like is None else entry.like(like, units)
    copied = frozenset(name for name, text in texts.items() if text) if like is not None else frozenset()
    if folder is None:
        texts[entry.FOLDER] = str(free(Path("job")))
    _follow_the_window()
    form = SetupForm(texts, _saved, _boards, folder=folder, rest=rest, settled=copied, light=light)
    return form.run()


def _saved(folder: Path, job: Job) -> Path:
    return make_job(folder, written_job(job))


async def _boards() -> list[tuple[str, str]]:
    return [(port, hello.board.name) for port, hello in await boards()]


def _with_hand(setup: Setup, hand: SimulatedHand) -> Setup:
    """A simulated hand does what is asked for, and has moved the timing set as often as the procedure says."""

    def write(happened: Happened) -> None:
        hand.moves(happened)
        setup.write(happened)

    for happened in setup.written:
        hand.moves(happened)
    return replace(setup, asks=hand.asks, write=write)


def play(job: Job, capture: Capture, found_by: list[Capture], speed: float, look: Look) -> None:
    """A recorded capture as if it were live. Nothing is recorded. Errors as of `acquire.record.replay.replay`."""
    _needs_terminal()
    setup = Setup(job, Plan("stop", ("intake", "exhaust")), replayed=capture.header, found_by=found_by)
    station = Station(setup, time.monotonic)

    def source() -> AsyncGenerator[Connected | Outcome, None]:
        return replay(capture, speed=speed)

    _run(Dashboard(Workers(station, source), light=look.light, bell=look.bell, second=look.second))


def _run(app: Dashboard) -> None:
    _follow_the_window()

    async def whole() -> None:
        try:
            await app.run_async()
        finally:
            await app.finish()

    asyncio.run(whole())


def _follow_the_window() -> None:
    for fixed in ("COLUMNS", "LINES"):  # where a shell exports them, a screen would not follow its window
        os.environ.pop(fixed, None)


def _needs_terminal() -> None:
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise UsageError("the live screen needs a terminal", do="Run it in one; without, use: lobetrace capture JOB --step ...")
