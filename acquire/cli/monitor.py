"""`lobetrace monitor`: what a port says, as text: frames and how the link does, or the bytes themselves."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from contextlib import aclosing

from acquire.cli import say
from acquire.cli.frame_words import of_board, of_event
from acquire.cli.until_told import until_told
from acquire.link.connection import Clock, Opener
from acquire.link.health import HealthWatch
from acquire.link.raw import Opened, Raw, escaped, raw_lines, why_refused
from acquire.link.reconnect import Batch, Broken, Connected, Ended, Idle, Outcome, stream
from acquire.link.transport import open_pipe
from acquire.wire import Event, LatchedFrame
from analysis.base.errors import DeviceError, LinkError, VersionError
from analysis.base.samples import Board

_HEALTH_S = 1.0
_SAMPLE_S = 0.1  # a person reads no faster
_IDLE_S = 0.5

Say = Callable[[str], None]


def run(port: str, baud: int, raw: bool, every: bool, seconds: float | None) -> None:
    """Show it until `seconds` have passed or Ctrl-C. Raises LinkError if the port cannot be had at all, VersionError for a
    board of another major version, and DeviceError if no board answered.
    """
    if seconds is None:
        say.person("Ctrl-C ends it.")
    watch = RawMonitor(port, baud) if raw else FrameMonitor(port, baud, every=every)
    asyncio.run(until_told(watch.read(), seconds))
    watch.end()


class FrameMonitor:
    """Frames in words, to `out`; how the link does, to `health`. Samples are thinned to what a person can read unless `every`."""

    def __init__(
        self,
        url: str,
        baud: int,
        *,
        every: bool = False,
        out: Say = say.result,
        health: Say = say.person,
        clock: Clock = time.monotonic,
        opener: Opener = open_pipe,
    ) -> None:
        self._url, self._baud, self._every, self._out, self._health = url, baud, every, out, health
        self._clock, self._opener = clock, opener
        self._watch = HealthWatch(clock)
        self._board: Board | None = None
        self._next_sample, self._next_health = clock(), clock() + _HEALTH_S

    async def read(self) -> None:
        """Show what comes, connecting again after each loss, until cancelled."""
        found = stream(self._url, self._baud, idle_after=_IDLE_S, clock=self._clock, opener=self._opener)
        async with aclosing(found) as outcomes:
            async for outcome in outcomes:
                self._take(outcome)

    def end(self) -> None:
        """The last word on the link. DeviceError if no board ever answered."""
        if self._board is None:
            raise DeviceError("no board answered", where=self._url, do="See what comes there with --raw")
        self._health(f"link: {self._watch.now().line()}")

    def _take(self, outcome: Connected | Outcome) -> None:
        match outcome:
            case Connected():
                again = {None: "", True: "again, and has gone on counting; ", False: "again, from the start or unknown; "}
                self._health(f"link: a board answers {again[outcome.same_count]}{of_board(outcome.hello.board)}")
                self._board = outcome.hello.board
            case Batch():
                self._watch.came(outcome.events, outcome.arrived)
                for event in outcome.events:
                    self._show(event)
            case Idle():
                pass
            case Ended() | Broken():
                self._gone(outcome)
                return
        if self._clock() >= self._next_health:
            self._next_health = self._clock() + _HEALTH_S
            self._health(f"link: {self._watch.now().line()}")

    def _show(self, event: Event) -> None:
        board = getattr(event, "board", None) or self._board
        assert board is not None  # the link tells of a board before it hands out anything of it
        self._board = board
        if isinstance(event, LatchedFrame) and not self._every:
            if self._clock() < self._next_sample:
                return
            self._next_sample = self._clock() + _SAMPLE_S
        self._out(of_event(event, board))

    def _gone(self, outcome: Ended | Broken) -> None:
        if isinstance(outcome, Broken) and isinstance(outcome.error, VersionError):
            raise outcome.error  # trying again changes nothing
        if self._board is None and isinstance(outcome, Broken) and isinstance(outcome.error, LinkError):
            raise outcome.error  # never had: a wrong name more likely than a loose plug
        self._watch.gone()
        self._health(f"link: {_why(outcome)}; trying again")


class RawMonitor:
    """Bytes line by line, escaped, to `out`, and behind each that is no sound frame why not; how the link does, to `health`."""

    def __init__(
        self,
        url: str,
        baud: int,
        *,
        out: Say = say.result,
        health: Say = say.person,
        clock: Clock = time.monotonic,
        opener: Opener = open_pipe,
    ) -> None:
        self._url, self._baud, self._out, self._health, self._clock, self._opener = url, baud, out, health, clock, opener
        self._bytes = self._sound = self._unsound = 0
        self._opened = False
        self._next_health = clock() + _HEALTH_S

    async def read(self) -> None:
        """Show what comes, opening again after each loss, until cancelled."""
        async with aclosing(raw_lines(self._url, self._baud, clock=self._clock, opener=self._opener)) as lines:
            async for line in lines:
                self._take(line)

    def end(self) -> None:
        """The last word. DeviceError if nothing came at all."""
        if not self._bytes:
            raise DeviceError("nothing came", where=self._url, do="Check power, the wire from the board's TX, and the baud rate")
        self._health(self._line())

    def _take(self, came: Opened | Raw | Ended | Broken) -> None:
        match came:
            case Opened():
                self._opened = True
                self._health(f"link: {self._url} is open at {self._baud} baud")
            case Raw(data=data):
                if data:
                    self._show(data)
            case Ended() | Broken():
                if isinstance(came, Broken) and not self._opened:
                    raise came.error
                self._health(f"link: {_why(came)}; trying again")
        if self._clock() >= self._next_health:
            self._next_health = self._clock() + _HEALTH_S
            self._health(self._line())

    def _show(self, data: bytes) -> None:
        self._bytes += len(data)
        why = why_refused(data)
        self._sound += not why
        self._unsound += bool(why)
        self._out(f"{escaped(data)}  <- {why}" if why else escaped(data))

    def _line(self) -> str:
        line = f"link: {self._bytes} bytes, {self._sound} lines sound, {self._unsound} not"
        if self._unsound and not self._sound:
            line += "; if these should be frames, try another baud rate"
        return line


def _why(outcome: Ended | Broken) -> str:
    return outcome.why if isinstance(outcome, Ended) else outcome.error.what
