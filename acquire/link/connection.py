"""One connection to one board, from the greeting to the end. `acquire.link.reconnect` is the face of it.

Reading it has the outcomes of `acquire.link.outcomes`. Nothing that came in is dropped: if the reader is slow, a megabyte is kept and
then the port pauses; what a serial port then loses for want of room shows as a gap in the board's numbers.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from typing import Final, NamedTuple, TypeAlias

from acquire.link.outcomes import Batch, Broken, Ended, Idle, Outcome
from acquire.link.pipe import Pipe
from acquire.link.transport import open_pipe
from acquire.wire import HELLO, Command, Counters, Decoder, Event, Hello, encode_command
from analysis.base.errors import DeviceError, LinkError, LobetraceError, UsageError
from analysis.base.samples import Board

_log = logging.getLogger(__name__)

Clock: TypeAlias = Callable[[], float]
Opener: TypeAlias = Callable[[str, int, Pipe], Awaitable[None]]

HELLO_WITHIN: Final = 3.0  # seconds, firmware-notes/wire-format.md section 5
_ASK_EVERY: Final = 0.5  # seconds a board has to answer; one that is still starting does not hear the first time
_SEND_WITHIN: Final = 2.0
_CLOSE_WITHIN: Final = 1.0


class Leftover(NamedTuple):
    """What a close left undone: bytes that had come in and were never read, and bytes that the board never took."""

    unread: int
    unsent: int


class Link:
    """One connection to one board, greeted. Made by `connect`; read by one task at a time."""

    def __init__(self, url: str, pipe: Pipe) -> None:
        self.url = url
        self._pipe = pipe
        self._decoder = Decoder()
        self._ahead: list[Event] = []  # came in the same bytes as the first hello
        self._hello: Hello | None = None
        self._end: Ended | Broken | None = None
        self._closed = False
        self._reading = False
        self._late = 0
        self._ask_again = pipe.clock()

    @property
    def hello(self) -> Hello:
        """What the board said when it was greeted."""
        assert self._hello is not None
        return self._hello

    @property
    def board(self) -> Board:
        """What the last hello said: a command or a new start may have changed it."""
        return self._decoder.board or self.hello.board

    @property
    def counters(self) -> Counters:
        """What came in so far, and what was wrong with it."""
        return self._decoder.counters

    @property
    def next_seq(self) -> int:
        """The number expected of the board's next frame."""
        return self._decoder.next_seq

    async def read(self, idle_after: float) -> Outcome:
        """What comes next; waits at most `idle_after` seconds for it. Cancelling it loses nothing."""
        if self._reading:
            raise UsageError("two tasks read one link", where=self.url, do="Let one task read, and hand on what it reads")
        self._reading = True
        try:
            async with asyncio.timeout(idle_after):
                while (outcome := self._take()) is None:
                    await self._pipe.stirred()
                return outcome
        except TimeoutError:
            return self._take() or Idle(idle_after)  # it may have come in the very moment
        finally:
            self._reading = False

    async def send(self, command: Command) -> None:
        """Tell the board. LinkError if the link is over, or the board does not take it within two seconds."""
        line = encode_command(command)
        if self._closed or self._pipe.over:
            raise LinkError(f"the link is over: {command.word!r} was not sent", where=self.url, do="Connect again")
        self._pipe.write(line)
        try:
            async with asyncio.timeout(_SEND_WITHIN):
                await self._pipe.drained()
        except TimeoutError:
            raise LinkError(
                f"the board does not take {command.word!r}", where=self.url, do="Check that it runs, then connect again"
            ) from None
        if self._pipe.over:
            raise LinkError(f"the link was lost while {command.word!r} was sent", where=self.url, do="Connect again")

    async def close(self) -> Leftover:
        """Release the port, within about a second, also if cancelled. Says what was lost; a second call does nothing."""
        if self._closed:
            return Leftover(0, 0)
        self._closed = True
        unsent = await self._pipe.close(_CLOSE_WITHIN)
        return Leftover(len(self._pipe.take()) + self._decoder.held, unsent)

    def _take(self) -> Outcome | None:
        """What can be said without waiting."""
        if self._end:
            return self._end
        if self._closed:
            self._end = Ended("closed by us")
            return self._end
        arrived, over = self._pipe.arrived, self._pipe.over
        data = self._pipe.take()
        try:
            events = self._ahead + self._decoder.feed(data)
            if over:
                events += self._decoder.finish()
        except DeviceError as error:
            self._end = Broken(type(error)(error.what, where=self.url, do=error.do))
            return self._end
        self._ahead = []
        self._ask_if_behind()
        if data or events:
            return Batch(tuple(events), len(data), arrived)
        if over:
            self._end = self._how_it_ended()
        return self._end

    def _ask_if_behind(self) -> None:
        """Frames with old numbers: repeated ones, or the board has started again and its hello was damaged. A hello tells."""
        late, self._late = self._late, self._decoder.counters.late
        if self._late != late and self._pipe.clock() >= self._ask_again:
            self._pipe.write(encode_command(HELLO))
            self._ask_again = self._pipe.clock() + _ASK_EVERY

    def _how_it_ended(self) -> Ended | Broken:
        if self._pipe.error is None:
            return Ended("closed by the other side")
        # pyserial's own words here ("multiple access on port?") mislead: the port was ours alone.
        what = "the link was lost: the cable was pulled or the board lost its power"
        error = LinkError(what, where=self.url, do="Check plug and power; the position of the crank may have to be found again")
        error.__cause__ = self._pipe.error
        return Broken(error)

    async def _greet(self, within: float) -> None:
        """Ask until a hello comes."""
        try:
            async with asyncio.timeout(within):
                while self._hello is None:
                    self._pipe.write(encode_command(HELLO))
                    await self._listen(_ASK_EVERY)
        except TimeoutError:
            raise self._no_hello(within) from None

    async def _listen(self, seconds: float) -> None:
        """Wait so long for a hello. Anything else stays in its place."""
        try:
            async with asyncio.timeout(seconds):
                while self._hello is None:
                    match self._take():
                        case Batch(events=events):
                            self._ahead += events
                            self._find_hello()
                        case Broken(error=error):
                            raise error
                        case Ended():
                            raise LinkError("the other side closed before the board said hello", where=self.url, do="Try again")
                        case _:
                            await self._pipe.stirred()
        except TimeoutError:
            return

    def _find_hello(self) -> None:
        for i, event in enumerate(self._ahead):
            if isinstance(event, Hello):
                self._hello, self._ahead = event, self._ahead[i + 1 :]
                return

    def _no_hello(self, within: float) -> DeviceError:
        if self._decoder.counters.received:
            what = "what answers here is not a lobetrace board, or not at this baud rate"
            return DeviceError(what, where=self.url, do="Check the baud rate, and that this is the board's port")
        what = f"nothing answered within {within:g} s: this is not a lobetrace board, or not this baud rate"
        return DeviceError(what, where=self.url, do="Check power and cable, and that this is the board's port")


async def connect(
    url: str,
    baud: int = 115200,
    *,
    hello_timeout: float = HELLO_WITHIN,
    clock: Clock = time.monotonic,
    opener: Opener = open_pipe,
) -> Link:
    """Open `url` for us alone and greet the board there.

    `url`: a device (/dev/ttyUSB0, COM3), socket://HOST:PORT or rfc2217://HOST:PORT. `clock` times arrivals. UsageError if
    `url` is no address; LinkError if the port cannot be had or is lost; DeviceError if no lobetrace board answers, or one
    of another major version. Whatever happens, cancelling included, the port is released unless a link is returned.
    """
    pipe = Pipe(clock)
    link = Link(url, pipe)
    try:
        _log.debug("opening %s at %d baud", url, baud)
        await opener(url, baud, pipe)
        await link._greet(hello_timeout)
    except BaseException as error:
        _log.debug("no board at %s: %s", url, error)
        pipe.abort()
        await pipe.close(_CLOSE_WITHIN)
        raise
    _log.info("a board answers at %s: %s, %d counts a turn", url, link.board.name, link.board.cpr)
    return link


async def probe(
    url: str, baud: int = 115200, *, hello_timeout: float = HELLO_WITHIN, opener: Opener = open_pipe
) -> Hello | LobetraceError:
    """Who is there: the hello, or the error whose sentence says why there is none. The port is free again afterwards."""
    try:
        link = await connect(url, baud, hello_timeout=hello_timeout, opener=opener)
    except LobetraceError as error:
        return error
    await link.close()
    return link.hello
