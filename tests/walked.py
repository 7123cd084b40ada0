"""The guided procedure walked by a simulated hand, without a port, a loop or a clock that runs: stations as they stand in a step."""

from __future__ import annotations

import asyncio
import itertools
from collections import deque
from collections.abc import AsyncGenerator, Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from acquire.link.outcomes import Batch, Outcome
from acquire.link.reconnect import Connected
from acquire.procedure.headers import header_for
from acquire.procedure.saved_session import write_session
from acquire.procedure.session import MET, Happened, Place, Plan, is_met, needs, places
from acquire.procedure.setup import Setup, setup_for
from acquire.procedure.simulated_hand import phase_for
from acquire.procedure.station import Station
from acquire.procedure.steps import CAUTIONS, RIG, STOP, SWEEP, TRAVEL, ZERO
from acquire.procedure.workers import Workers
from acquire.record.recorder import Recorder
from acquire.simulator.asked import in_short_turns
from acquire.simulator.phases import REST, State, start
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario
from acquire.wire import Event, Hello
from analysis.base.samples import Board
from analysis.job import Job, parse_job
from tests.recorded import demo_job, events_of

BLOCK = 400  # events that come at once
LARGE = 4 * BLOCK  # where only the end counts
RESTS = 2  # seconds for which the hand rests before it does the same again


class Clock:
    """Stands still unless it is moved."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


worked = lru_cache(maxsize=512)(events_of)  # walks that begin alike share them


class Engine:
    """A simulated rig that does what the procedure asks for; its events come in blocks."""

    def __init__(self, rig: Rig, job: Job) -> None:
        self.rig = rig = in_short_turns(rig)
        self.job = job
        self._state: State = start(rig)
        self._asked: deque[str] = deque()
        self._doing = ""
        self._rests = 0
        self.busy = REST  # the phase in hand
        self._events: deque[Event] = deque()
        self.board: Board | None = None  # what the board said it is

    def asks(self, place: Place, said: bool) -> None:
        """What `Setup.asks` is for."""
        self._doing = phase_for(self.job, place, said)
        self._asked.clear()
        if self._doing:
            self._asked.append(self._doing)

    def more(self, count: int = BLOCK) -> list[Event]:
        """The next events: of the phase in hand, of the next, or of a rest."""
        while not self._events:
            if not self._asked and self._doing and self._rests >= RESTS:
                self._asked.append(self._doing)  # the step is not over: the hand goes on
            phase = self._asked.popleft() if self._asked else REST
            self._rests = self._rests + 1 if phase == REST else 0
            self.busy = phase
            self._state, hello, events = worked(self.rig, phase, self._state)
            if self.board is None:  # one hello a connection: those of later phases are answers nobody asked for
                self.board = hello.board
                self._events.append(hello)
            self._events.extend(events)
        return [self._events.popleft() for _ in range(min(count, len(self._events)))]

    def whole(self, place: Place) -> list[Event]:
        """All of what the hand does at a place when it is asked once."""
        self._events.clear()
        self.asks(place, True)
        events = self.more()
        while self._events:
            events += self.more(LARGE)
        return events

    def starts_again(self, boot: int) -> None:
        """The board lost its power: it counts anew."""
        rig = replace(self.rig, board=replace(self.rig.board, boot=boot))
        fresh = start(rig)
        self.rig, self.board = rig, None
        self._state = replace(
            fresh, crank_deg=self._state.crank_deg, driven_deg=self._state.driven_deg, phases=self._state.phases
        )
        self._events.clear()


async def nothing() -> AsyncGenerator[Connected | Outcome, None]:
    """A source that never gives anything."""
    await asyncio.Event().wait()
    yield Batch((), 0, 0.0)


class Walk:
    """A station with an engine at its other end."""

    def __init__(self, folder: Path, scenario: Scenario, plan: Plan | None = None, job: Job | None = None) -> None:
        self.clock = Clock()
        self.folder = folder
        self.text = demo_job(scenario)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "job.toml").write_text(self.text, encoding="utf-8")
        self.job = job or parse_job(self.text)
        self.engine = Engine(scenario.rig, self.job)
        self.plan = plan or Plan()
        self.begin()

    def begin(self) -> None:
        """A station on the job's folder as it is."""
        setup: Setup = replace(setup_for(self.job, self.folder, self.plan, "lobetrace 0"), asks=self.engine.asks)
        self.station = Station(setup, self.clock)
        self.station.watch.where = "a simulated board"
        self.workers = Workers(self.station, nothing, clock=self.clock)
        if self.engine.board is not None:  # a new connection begins with a hello
            self.station.take(Batch((Hello(self.engine.board, 0, 0),), 0, self.clock.now))

    def jump(self, place: Place, *, swept: bool = False) -> None:
        """Stand at a place as if everything before it had been done: what finds TDC is recorded, and, if `swept`, what was swept."""
        before = list(itertools.takewhile(lambda p: p != place, places(self.station.session.plan)))
        for done in before:
            write_session(self.folder, Happened(MET, done, "up" if done.step == RIG else ""), "2030-01-02T03:04:05+00:00")
            if done.step in (STOP, TRAVEL) or (swept and done.step == SWEEP):
                self._record(done)
        self.engine.asks(Place(CAUTIONS), False)
        self.begin()
        if place.step != CAUTIONS:
            self.feed()
            self.speak()

    def sweep(self, valve: str) -> None:
        """Stand in the sweep of a valve, whose recording has begun."""
        self.jump(Place(ZERO, valve))
        self.to(Place(SWEEP, valve))

    def _record(self, place: Place) -> None:
        """The capture of a place, without a look at it."""
        events = [event for _ in range(2) for event in self.engine.whole(place)]
        assert self.engine.board is not None
        header = header_for(self.station.setup, place, self.engine.board, "before")
        with Recorder.in_folder(self.folder / "captures", header) as recorder:
            recorder.add(events)

    def feed(self, blocks: int = 1, size: int = BLOCK) -> None:
        """Let so many blocks of events come."""
        for _ in range(blocks):
            self.clock.now += 0.05 * size / BLOCK
            events = tuple(self.engine.more(size))
            self.station.take(Batch(events, 32 * len(events), self.clock.now))
            self.station.look()

    def speak(self) -> None:
        """Say what the step asks for."""
        self.station.say_so()
        self.station.look()

    def until(self, done: Callable[[], bool], most: int = 2000, size: int = BLOCK) -> None:
        """Walk until something holds. Says everything at once, and works a result out where the step waits for nothing else."""
        for _ in range(most):
            if done():
                return
            if not self.station.said:
                self.speak()
            self.feed(size=size)
            if self._waits_for_a_result():
                self.workers.settle()
                self.station.look()
        raise AssertionError(f"never got there: {self.station.session.at}, {self.station.facts()}, {list(self.station.messages)}")

    def _waits_for_a_result(self) -> bool:
        facts = self.station.facts()
        return {need.key for need in needs(self.station.session) if not is_met(need, facts)} in ({"events"}, {"found"})

    def to(self, place: Place) -> None:
        """Walk to a place; nothing has been said there yet."""
        self.until(lambda: self.station.session.at == place, size=LARGE)
