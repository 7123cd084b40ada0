"""The board of the rig: encoder edges and indicator readings -> frames of firmware-notes/wire-format.md, and when each left."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from acquire.wire import (
    encode_fault,
    encode_index,
    sealed,
    wrap_i32,
    wrap_u32,
)
from analysis.base.samples import CRANK_SUSPECT, DROPPED, LIFT_SUSPECT, SILENT, Bools, Floats, Ints

HEARTBEAT_S = 0.2
_BY_TIME_PER_S = 200
_FAULT_S = 1.0  # each fault word at most once in this time
_BITS_PER_BYTE = 10  # 8 data bits, start and stop
_SAMPLE, _HEARTBEAT, _INDEX = 0, 1, 2
_LETTER = "SB"


class Sent(NamedTuple):
    """A line, and the instant (seconds since the board's start) at which its last byte leaves."""

    at_s: float
    line: bytes


@dataclass(frozen=True)
class BenchBoard:
    """The board's settings.

    `resets`: it starts anew whenever its port is opened, as many boards do whose reset hangs on DTR through a capacitor.
    `per_s`: most samples a second (0: every edge; by time: 200). At most `buffer_bytes` wait for the line.
    The `start_` values are what its counters say when it starts: set them near 2^32 or 2^31 to see them run over.
    """

    name: str = "bench-a"
    boot: int = 57
    latch: str = "edge"
    per_s: int = 0
    baud: int = 115200
    buffer_bytes: int = 256
    start_seq: int = 0
    start_time_us: int = 5012
    start_count: int = 0
    resets: bool = False

    @property
    def most_per_s(self) -> int:
        """Samples a second at most; 0: every edge."""
        return self.per_s or (_BY_TIME_PER_S if self.latch == "time" else 0)

    @property
    def byte_s(self) -> float:
        """For how long a byte takes the line."""
        return _BITS_PER_BYTE / self.baud

    def clock(self, seconds: float) -> int:
        """The board's microseconds at `seconds` after its start, on the wire."""
        return wrap_u32(self.start_time_us + round(seconds * 1e6))


@dataclass(frozen=True, eq=False)
class Crank:
    """What the encoder gave the board, in seconds and counts.

    Edges (instant, count just taken), the count before the first of them, index pulses, and when illegal steps were noticed.
    """

    time: Floats
    count: Ints
    before: int
    index_time: Floats
    index_count: Ints
    noticed: Floats

    def at(self, time: Floats) -> Ints:
        """The count at any instant."""
        taken = np.searchsorted(self.time, time, side="right")
        return np.concatenate([[self.before], self.count])[taken]


@dataclass(frozen=True, eq=False)
class Latched:
    """n rows: instant of the crank latch, whether a heartbeat, crank count; shape (c, n): age (s), lift, over-range."""

    time: Floats
    beat: Bools
    crank: Ints
    age: Floats
    lift: Ints
    over: Bools


@dataclass(frozen=True)
class Counters:
    """What goes on from phase to phase: next sequence number, sticky flags, fault numbers, and when the line is free.

    What happened before `cleared_s` sets no sticky flag any more: the host has said `zero` since.
    """

    seq: int = 0
    sticky: int = 0
    illegal: int = 0
    dropped: int = 0
    free_s: float = 0.0
    cleared_s: float = -math.inf


def latch_times(board: BenchBoard, crank: Crank, begin: float, end: float) -> tuple[Floats, Bools]:
    """When the board latches between two instants, and which of it are heartbeats."""
    if board.latch == "time":
        time = np.arange(begin, end, 1 / board.most_per_s)
        return time, np.zeros(time.size, dtype=bool)
    edges = crank.time
    if board.per_s and edges.size:
        edges = edges[np.unique(np.floor(edges * board.per_s), return_index=True)[1]]
    marks = np.concatenate([[begin], edges, [end]])
    beats = np.floor(np.diff(marks) / HEARTBEAT_S - 1e-9).astype(np.int64).clip(0)
    gap = np.repeat(np.arange(beats.size), beats)
    within = np.arange(gap.size) - np.repeat(np.cumsum(beats) - beats, beats) + 1
    time = np.concatenate([edges, marks[gap] + HEARTBEAT_S * within])
    beat = np.arange(time.size) >= edges.size
    order = np.argsort(time, kind="stable")
    return time[order], beat[order]


@dataclass
class _Line:
    """The serial line and what is numbered on it. Frames that do not fit into the buffer are dropped, counted and flagged."""

    board: BenchBoard
    seq: int
    free_s: float
    dropped: int
    dropped_just_now: bool = False
    fault_last: dict[str, float] = field(default_factory=dict)
    fault_due: dict[str, int] = field(default_factory=dict)

    def offer(self, now: float, line: bytes) -> Sent | None:
        self.seq += 1
        per_byte = self.board.byte_s
        if max(0.0, self.free_s - now) / per_byte + len(line) > self.board.buffer_bytes:
            self.dropped += 1
            self.fault_due["busy"] = self.dropped
            self.dropped_just_now = True
            return None
        self.free_s = max(self.free_s, now) + len(line) * per_byte
        return Sent(self.free_s, line)

    def faults(self, now: float) -> Iterator[Sent]:
        for word in [w for w in self.fault_due if now - self.fault_last.get(w, -_FAULT_S) >= _FAULT_S]:
            line = encode_fault(wrap_u32(self.seq), self.board.clock(now), word, wrap_i32(self.fault_due[word]))
            if sent := self.offer(now, line):
                del self.fault_due[word]
                self.fault_last[word] = now
                yield sent


def frames(board: BenchBoard, crank: Crank, rows: Latched, counters: Counters) -> tuple[list[Sent], Counters]:
    """All lines of one phase in order of time, and the counters afterwards."""
    flags, sticky = _flags(crank, rows, counters)
    line = _Line(board, counters.seq, counters.free_s, counters.dropped)
    kinds = np.concatenate([rows.beat.astype(np.int64), np.full(crank.index_time.size, _INDEX)])
    times = np.concatenate([rows.time, crank.index_time])
    which = np.concatenate([np.arange(rows.time.size), np.arange(crank.index_time.size)])
    order = np.lexsort((kinds, times))
    clock = (board.start_time_us + np.rint(times * 1e6).astype(np.int64)).astype(np.uint32).tolist()  # as the wire wraps
    readings = _readings(rows)
    cranks, flag, pulses = rows.crank.astype(np.int32).tolist(), flags.tolist(), crank.index_count.astype(np.int32).tolist()
    silent = np.where(rows.age > 1.0, np.rint(rows.age * 1e3), 0).astype(np.int64).T
    quiet: list[bool] = np.any(silent, axis=1).tolist()
    noticed, seen = crank.noticed.tolist(), 0
    sent: list[Sent] = []
    for k, now, kind, i in zip(order.tolist(), *(column[order].tolist() for column in (times, kinds, which)), strict=True):
        while seen < len(noticed) and noticed[seen] <= now:
            seen += 1
            line.fault_due["crank-step"] = counters.illegal + seen
        if kind != _INDEX and quiet[i]:
            line.fault_due |= {f"lift{c}-silent": int(ms) for c, ms in enumerate(silent[i], 1) if ms}
        if line.fault_due:
            sent.extend(line.faults(now))
        seq = wrap_u32(line.seq)
        if kind == _INDEX:
            text = encode_index(seq, clock[k], pulses[i])
        else:
            mark = flag[i] | DROPPED if line.dropped_just_now else flag[i]
            text = sealed(f"{_LETTER[kind]},{seq},{clock[k]},{cranks[i]},{mark},{readings[i]}".encode("ascii"))
        if went := line.offer(now, text):
            sent.append(went)
            line.dropped_just_now = line.dropped_just_now and kind == _INDEX
    after = replace(counters, seq=line.seq, sticky=sticky, illegal=counters.illegal + len(noticed))
    return sent, replace(after, dropped=line.dropped, free_s=line.free_s)


def _readings(rows: Latched) -> list[str]:
    """Age (us) and lift of each channel of all rows, as a line ends with them. Shape (n,)."""
    age, lift = np.rint(rows.age * 1e6).astype(np.int64).T.tolist(), rows.lift.astype(np.int32).T.tolist()
    return [",".join([f"{a},{n}" for a, n in zip(ages, lifts, strict=True)]) for ages, lifts in zip(age, lift, strict=True)]


def _flags(crank: Crank, rows: Latched, counters: Counters) -> tuple[Ints, int]:
    """Flag words of all rows but for bit 0, and what of them sticks."""
    flags = np.full(rows.time.size, counters.sticky, dtype=np.int64)
    noticed = crank.noticed[crank.noticed >= counters.cleared_s]
    if noticed.size:
        flags |= np.where(rows.time >= noticed[0], CRANK_SUSPECT, 0)
    for c in range(rows.lift.shape[0]):
        flags |= np.where(np.logical_or.accumulate(rows.over[c] & (rows.time >= counters.cleared_s)), LIFT_SUSPECT[c], 0)
    sticky = int(np.bitwise_or.reduce(flags)) if flags.size else counters.sticky
    for c in range(rows.lift.shape[0]):
        flags |= np.where(rows.age[c] > 1.0, SILENT[c], 0)
    return flags, sticky
