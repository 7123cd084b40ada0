"""`lobetrace board`: a board's settings shown and set in words, and the self-test after wiring, with live levels."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from typing import Any, Final

from acquire.cli import say
from acquire.cli.frame_words import of_board, of_settings
from acquire.cli.status_line import LiveLine
from acquire.cli.until_told import until_told
from acquire.link.connection import Opener
from acquire.link.outcomes import Batch, Broken, Ended
from acquire.link.reconnect import Link, connect
from acquire.link.transport import open_pipe
from acquire.procedure.wiring import CRANK, Wiring
from acquire.wire import SETTINGS, TEST, Command, Event, Fault, Hello, Settings, setting
from analysis.base.errors import DeviceError, LinkError, UsageError

_ANSWER_S: Final = 2.0  # a board's memory is slow: wire-format.md section 3.2 says a second
_TEST_S: Final = 0.1  # ten self-tests a second: section 3.3
_ORDER: Final = ("channels", "kind", "unit", "step", "cpr", "index", "name")  # kind first, then unit, then step
_MARKS: Final = {True: "right", False: "WRONG", None: "open "}


def run(port: str, baud: int, changes: Sequence[str], seconds: float | None, as_json: bool) -> int:
    """Set what is to be set and show the settings; without changes, go on with the self-test until Ctrl-C or for `seconds`.

    Exit code 2 if the self-test found something wrong. UsageError for a change there is not; DeviceError if the board refuses one.
    """
    commands = commands_of(changes)
    owner = Owner(port, baud, LiveLine(sys.stderr, time.monotonic))
    asyncio.run(until_told(owner.work(commands, test=not commands), None if commands else seconds))
    if owner.settings is None:
        raise DeviceError(
            "the board did not tell its settings", where=port, do="See what comes there with: lobetrace monitor PORT"
        )
    if commands:
        owner.tell(as_json)
        return 0
    owner.tell(as_json, tested=True)
    return 2 if owner.wiring and any(right is False for _, right, _ in owner.wiring.verdicts()) else 0


def commands_of(changes: Sequence[str]) -> list[Command]:
    """The commands for words like cpr=2400 or kind2=bcd, in the order in which a board wants them. UsageError for others."""
    found: list[tuple[int, Command]] = []
    for change in changes:
        key, equals, value = change.partition("=")
        base = key.rstrip("12") if key.rstrip("12") in ("kind", "unit", "step") else key
        if not equals or base not in _ORDER:
            raise UsageError(
                f"{change!r} is nothing that can be set",
                do="Say cpr=N, index=yes or no, channels=1 or 2, kind=, unit= or step= (kind2= for channel 2), or name=WORD",
            )
        channel = f" {key[len(base) :] or '1'}" if base in ("kind", "unit", "step") else ""
        found.append((_ORDER.index(base), setting(f"{base}{channel} {value}")))
    return [command for _, command in sorted(found, key=lambda pair: pair[0])]


class Owner:
    """Talks to one board over one connection. `sleep` is what it waits with between two self-tests."""

    def __init__(
        self,
        url: str,
        baud: int,
        live: LiveLine,
        *,
        opener: Opener = open_pipe,
        sleep: Callable[[float], Any] = asyncio.sleep,
    ) -> None:
        self._url, self._baud, self._live, self._opener, self._sleep = url, baud, live, opener, sleep
        self.wiring: Wiring | None = None
        self.settings: Settings | None = None

    async def work(self, commands: Sequence[Command], *, test: bool) -> None:
        """Set one thing after the other, ask for the settings, and then test until cancelled. DeviceError for what is refused."""
        async with self._connected() as link:
            self.wiring = Wiring(link.board)
            for command in commands:
                await self._answered(link, command, Hello)
            await self._answered(link, SETTINGS, Settings)
            assert self.settings is not None
            if not test:
                return
            say.person(of_board(link.board))
            say.person(of_settings(self.settings))
            say.person("Turn the crank slowly by hand, one full turn, mark to mark; then push the indicator. Ctrl-C ends it.")
            try:
                await self._test(link)
            finally:
                self._live.end()

    def tell(self, as_json: bool, *, tested: bool = False) -> None:
        """The result, on stdout."""
        assert self.settings is not None
        assert self.wiring is not None
        if as_json:
            say.result_json({"settings": _fields(self.settings)} | ({"test": self.wiring.numbers()} if tested else {}), "board")
            return
        say.result(of_settings(self.settings))
        for what, right, words in self.wiring.verdicts() if tested else ():
            say.result(f"{_MARKS[right]}  {what:<14} {words}")

    @asynccontextmanager
    async def _connected(self) -> AsyncIterator[Link]:
        link = await connect(self._url, self._baud, opener=self._opener)
        try:
            yield link
        finally:
            await link.close()

    async def _answered(self, link: Link, command: Command, kind: type[Hello] | type[Settings]) -> None:
        """Send, and wait for the answer of its kind. DeviceError if the board does not understand it, or says nothing."""
        words = " ".join(filter(None, command))
        await link.send(command)
        try:
            async with asyncio.timeout(_ANSWER_S):
                while True:
                    for event in await self._read(link):
                        if isinstance(event, Fault) and event.word == "command":
                            raise DeviceError(
                                f"the board refuses {words!r}",
                                where=self._url,
                                do="Its firmware may be of wire format 1.0, or it has not this kind or channel: wire-format.md 3.2",
                            )
                        if isinstance(event, kind) and (command.word != "set" or getattr(event, "restarted", False)):
                            return
        except TimeoutError:
            do = "Check that its firmware speaks wire format 1.1 or later"
            raise DeviceError(f"the board does not answer {words!r}", where=self._url, do=do) from None

    async def _read(self, link: Link) -> Sequence[Event]:
        match await link.read(_TEST_S):
            case Batch(events=events):
                assert self.wiring is not None
                self.wiring.take(events)
                self.settings = self.wiring.settings or self.settings
                return events
            case Broken(error=error):
                raise error
            case Ended():
                raise LinkError("the other side closed", where=self._url, do="Connect the board again")
            case _:
                return ()

    async def _test(self, link: Link) -> None:
        async def ask() -> None:
            while True:
                await link.send(TEST)
                await self._sleep(_TEST_S)

        asking = asyncio.ensure_future(ask())
        try:
            while not asking.done():
                await self._read(link)
                self._live.show(self._line)
            asking.result()
        finally:
            asking.cancel()
            await asyncio.gather(asking, return_exceptions=True)

    def _line(self) -> str:
        """The live line: levels, count, and each channel's reading and raw bits."""
        assert self.wiring is not None
        inputs, board = self.wiring.inputs, self.wiring.board
        parts = [f"turn {self.wiring.turned / board.cpr:.2f}, index {len(self.wiring.index)}x"]
        for of in sorted(inputs, key=lambda of: (of != CRANK, of)):
            newest = inputs[of].newest
            assert newest is not None
            levels = " ".join(f"{name.upper()}{level}" for name, level in newest.levels)
            channel = int(of[2:]) if of in ("ch1", "ch2") else 0
            lift = f" = {newest.count * board.steps_mm[channel - 1]:.3f} mm" if 0 < channel <= len(board.steps_mm) else ""
            raw = "" if newest.got is None else f" raw {newest.raw or '-'} ({newest.got})"
            parts.append(f"{'' if of == CRANK else f'{of} '}{levels} count {newest.count}{lift} bad {newest.bad}{raw}")
        return "  ".join(parts)


def _fields(settings: Settings) -> dict[str, Any]:
    return {
        "counts_per_turn": settings.cpr,
        "index": settings.index,
        "channels": settings.channels,
        "kinds": list(settings.kinds),
        "steps_mm": list(settings.steps_mm),
        "units": list(settings.units),
        "name": settings.board,
    }
