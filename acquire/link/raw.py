"""The bytes of a port as they come, whoever sends them: for bringing a board up, when there may be no hello yet.

`reconnect` gives frames and wants a board that answers; here a port is enough. Hello is asked for until something sound comes.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncGenerator, Awaitable, Callable
from contextlib import aclosing
from dataclasses import dataclass
from typing import Final

from acquire.link.connection import Clock, Opener
from acquire.link.outcomes import Broken, Ended, broken_by
from acquire.link.pipe import Pipe
from acquire.link.transport import open_pipe
from acquire.wire import HELLO, encode_command
from acquire.wire.fields import RefusedError
from acquire.wire.frames import LONGEST_LINE
from acquire.wire.parse import read_line
from analysis.base.errors import DeviceError, LinkError, LobetraceError

ASK_EVERY: Final = 1.0  # seconds
TRY_EVERY: Final = 0.5
_CLOSE_WITHIN: Final = 1.0
_ESCAPED: Final = {ord("\\"): "\\\\", ord("\r"): "\\r", ord("\n"): "\\n", ord("\t"): "\\t"}


@dataclass(frozen=True)
class Opened:
    """The port is open: at first, or again."""


@dataclass(frozen=True)
class Raw:
    """A line with its line end, or as much of one as is told at once; empty if nothing came for a while."""

    data: bytes
    arrived: float


async def raw_lines(
    url: str,
    baud: int = 115200,
    *,
    clock: Clock = time.monotonic,
    sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
    opener: Opener = open_pipe,
    ask_every: float = ASK_EVERY,
) -> AsyncGenerator[Opened | Raw | Ended | Broken, None]:
    """Every byte of `url`, line by line, connecting again after each end, until the caller stops: use it under `aclosing`.

    Each `ask_every` seconds in which nothing sound has come, hello is asked for. UsageError if `url` is no address.
    """
    while True:
        pipe = Pipe(clock)
        try:
            await opener(url, baud, pipe)
        except LobetraceError as error:
            yield broken_by(error)
        else:
            try:
                yield Opened()
                async with aclosing(_lines(pipe, ask_every)) as lines:
                    async for line in lines:
                        yield line
            finally:
                await pipe.close(_CLOSE_WITHIN)
            yield _end(url, pipe)
        await sleep(TRY_EVERY)


async def _lines(pipe: Pipe, ask_every: float) -> AsyncGenerator[Raw, None]:
    rest, asked, sound = b"", -ask_every, False
    while True:
        if not sound and pipe.clock() - asked >= ask_every:
            pipe.write(encode_command(HELLO))
            asked = pipe.clock()
        try:
            async with asyncio.timeout(ask_every):
                await pipe.stirred()
        except TimeoutError:
            sound = False
        over, arrived = pipe.over, pipe.arrived
        data = pipe.take()
        *lines, rest = (rest + data).split(b"\n")
        lines = [line + b"\n" for line in lines]
        if rest and (over or not data or len(rest) >= LONGEST_LINE):  # nobody may ever end it
            lines.append(rest)
            rest = b""
        sound = sound or any(not why_refused(line) for line in lines)
        for line in lines or ([] if data or over else [b""]):
            yield Raw(line, arrived)
        if over:
            return


def _end(url: str, pipe: Pipe) -> Ended | Broken:
    if pipe.error is None:
        return Ended("closed by the other side")
    error = LinkError("the link was lost", where=url, do="Check plug and power")
    error.__cause__ = pipe.error
    return Broken(error)


def escaped(data: bytes) -> str:
    """Bytes so that each can be seen: printable characters as they are, all others as \\r, \\n, \\t or \\xNN."""
    return "".join(_ESCAPED.get(byte) or (chr(byte) if 32 <= byte < 127 else f"\\x{byte:02x}") for byte in data)


def why_refused(line: bytes) -> str:
    """Why a line, with its b"\\n", is no sound frame; empty if it is one."""
    if not line.endswith(b"\n"):
        return "it has no line end"
    try:
        read_line(line[:-1])
    except RefusedError as error:
        return str(error)
    except DeviceError as error:
        return error.what
    return ""
