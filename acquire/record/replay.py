"""A recorded capture as a live source: the same outcomes as a link gives, at real pace or faster. The one who reads cannot tell."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncGenerator, Awaitable, Callable, Iterator
from typing import Final

import numpy as np

from acquire.link.outcomes import Batch, Ended, Outcome
from acquire.wire import Damage, Event, Fault, Heartbeat, Hello, Index, Sample
from acquire.wire.frames import wrap_i32, wrap_u32
from analysis.base.errors import CaptureError, UsageError
from analysis.base.samples import STILL, Capture, Floats

TICK_S: Final = 0.02
_LINE: Final = 32  # bytes of a line, about: a capture does not keep the line itself


async def replay(
    capture: Capture,
    *,
    speed: float = 1.0,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
) -> AsyncGenerator[Outcome, None]:
    """The capture's frames as batches, `speed` times as fast as they came; then `Ended`. The first event is the board's hello.

    Sequence numbers are those of the capture; faults and index pulses come at their board time, gaps before their row.
    Raises UsageError for a speed that is not above 0, CaptureError for a capture without rows.
    """
    if not speed > 0:
        raise UsageError(f"a speed of {speed:g} gets nowhere", do="Give a number above 0")
    if not capture.samples.crank.size:
        raise CaptureError("this capture holds no rows to play", where=capture.path, do="Choose another capture")
    due = _due(capture) / speed
    events = _events(capture)
    began, done = clock(), 0
    while done < due.size:
        upto = int(np.searchsorted(due, clock() - began, side="right"))
        if upto > done:
            batch: list[Event] = []
            for _ in range(done, upto):
                batch += next(events)
            yield Batch(tuple(batch), _LINE * len(batch), clock())
            done = upto
        await sleep(TICK_S)
    yield Ended("the capture is over")


def _due(capture: Capture) -> Floats:
    """Seconds from the first row to each row, shape (n,). Where the board started again its clock goes on from the row before."""
    step = np.diff(capture.samples.time_us, prepend=capture.samples.time_us[0]).astype(np.float64)
    step[1:][np.diff(capture.samples.origin) != 0] = 0.0
    return np.asarray(np.cumsum(np.maximum(step, 0.0)) * 1e-6)


def _events(capture: Capture) -> Iterator[list[Event]]:
    """For each row the events that come with it: what stands before it, then itself."""
    s, board = capture.samples, capture.header.board
    pulses = sorted(
        (int(origin), int(time_us), wrap_i32(int(crank)))
        for origin, time_us, crank in zip(capture.index.origin, capture.index.time_us, capture.index.crank, strict=True)
    )
    faults, gaps, origin = list(capture.faults), list(capture.gaps), int(s.origin[0])
    still = s.still
    for row in range(s.crank.size):
        seq, time_us = int(s.seq[row]), int(s.time_us[row])
        came: list[Event] = [Hello(board, wrap_u32(seq), wrap_u32(time_us))] if row == 0 else []
        if int(s.origin[row]) != origin:
            origin = int(s.origin[row])
            came.append(Hello(board, wrap_u32(seq), wrap_u32(time_us), restarted=True))
        while gaps and gaps[0].row <= row:
            gap = gaps.pop(0)
            came.append(Damage(gap.lost, gap.refused, 0))
        while pulses and pulses[0][:2] <= (origin, time_us):
            _, at, crank = pulses.pop(0)
            came.append(Index(wrap_u32(seq), wrap_u32(at), crank))
        while faults and faults[0].time_us <= time_us:
            fault = faults.pop(0)
            came.append(Fault(wrap_u32(seq), wrap_u32(fault.time_us), fault.word, fault.number))
        kind = Heartbeat if still[row] else Sample
        age = tuple(int(column[row]) for column in s.age_us)
        lift = tuple(wrap_i32(int(column[row])) for column in s.lift)
        came.append(
            kind(wrap_u32(seq), wrap_u32(time_us), wrap_i32(int(s.crank[row])), int(s.flags[row]) & (STILL - 1), age, lift)
        )
        yield came
