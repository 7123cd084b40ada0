"""A rig at work, asked from outside: which lines are due at which instant, and what a command changes. No I/O, no clock.

A phase is computed as a whole when it begins. A command in its middle changes the rest of it: the phase is computed again from
its start with the new setting - the same hand, the same chance - and goes on from the instant of the command.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from acquire.simulator.board import Counters, Sent
from acquire.simulator.board_answers import after_set, channel_test, crank_test, hello_of, settings_of
from acquire.simulator.phases import REST, Recording, State, record_phase, start
from acquire.simulator.rig import Rig
from acquire.wire import (
    Fault,
    Index,
    LatchedFrame,
    encode_fault,
    encode_frame,
    encode_hello,
    encode_settings,
    encode_test,
    parse_command,
    wrap_i32,
    wrap_u32,
)
from acquire.wire.parse import parse_line


class Bench:
    """Serves the phases one after the other; before, between and behind them the crank rests and the board's heart beats.

    The next phase begins with a `hello` that comes while the crank rests, and with the first `hello` of a new host (`connected`)
    at any time. (A host that leaves and is back at once cannot be told from one that stayed, on a pseudo-terminal: hence the
    first.) With `pause_s`, it begins by itself after so many seconds of rest. A deque of phases may be added to while it is served.
    Seconds are the board's, since its start.
    """

    def __init__(self, rig: Rig, phases: Iterable[str], pause_s: float | None = None) -> None:
        self._rig, self._pause_s = rig, pause_s
        self._settings = settings_of(rig)
        self._indexed = rig.encoder.index  # whether there is one to be connected
        self._opened = False
        self._left = phases if isinstance(phases, deque) else deque(phases)
        self._before: State = start(rig)  # where the part in hand began
        self._part = REST
        self._done: Recording | None = None  # the part in hand, once computed
        self._next = 0
        self._ahead = 0  # frames that were asked for since this part was computed: its own numbers lie so far behind
        self._fresh = True
        self._lines = 0
        self._rested_s = 0.0
        self.now_s = 0.0

    @property
    def phase(self) -> str:
        """The phase in hand, or "rest"."""
        return self._part

    @property
    def finished(self) -> bool:
        """Whether every phase has begun."""
        return not self._left

    def connected(self) -> None:
        """A host has opened the port. What the board says while nobody listens is lost."""
        self._fresh = True
        if self._opened and self._rig.board.resets:
            self._restart()
        self._opened = True

    def prepare(self) -> None:
        """Compute the part in hand if it is not yet (some tenths of a second for a whole phase)."""
        if self._done is None:
            self._done = record_phase(self._rig, self._part, self._before)
            self._next = 1  # behind its hello, which is sent only when asked for

    def next_s(self) -> float:
        """When the next line is due."""
        while True:
            self.prepare()
            assert self._done is not None
            if self._next < len(self._done.sent):
                return self._done.sent[self._next].at_s
            self._go_on(self._done.state)

    def take(self, until_s: float, most_bytes: int = 4096) -> bytes:
        """The lines due until an instant, of one part, about `most_bytes` of them at most."""
        lines: list[bytes] = []
        size = 0
        part = self._part
        while size < most_bytes and self.next_s() <= until_s and self._part == part:
            sent = self._sent()[self._next]
            lines.append(_renumbered(sent.line, self._ahead) if self._ahead else sent.line)
            size += len(sent.line)
            self._next += 1
            self.now_s = sent.at_s
        return b"".join(lines)

    def command(self, line: bytes, now_s: float | None = None) -> bytes:
        """What the board answers to a line (without its end) that comes at `now_s` (default: with the line sent last)."""
        self.now_s = max(self.now_s, self.now_s if now_s is None else now_s)
        self._lines += 1
        command = parse_command(line)
        if command is None:
            return self._said([self._not_understood])
        if command.word == "set" and (changed := after_set(self._settings, command.argument)) is None:
            return self._said([self._not_understood])
        if command.word == "settings":
            return self._said([self._tell_settings])
        if command.word == "test":
            return self._said([self._test_crank, *(partial(self._test_channel, c + 1) for c in range(len(self._rig.indicators)))])
        if command.word == "hello" and (self._fresh or self._part == REST):
            self._fresh = False
            self._begin()
        elif command.word == "zero":
            self._change(self._seq(), self._rig, self._zeroed())
        elif command.word in ("latch", "rate"):
            setting = {"latch": command.argument} if command.word == "latch" else {"per_s": int(command.argument)}
            self._change(self._seq(), replace(self._rig, board=replace(self._rig.board, **setting)), self._before)
        elif command.word == "set":
            assert changed is not None
            self._settings = changed
            self._restart()
        return encode_hello(hello_of(self._rig, self._settings), wrap_u32(self._seq()), self._rig.board.clock(self.now_s))

    def _said(self, frames: Sequence[Callable[[int, int], bytes]]) -> bytes:
        """Numbered frames in between, each made by its number and time; all others are numbered on from there."""
        seq, time_us = self._seq(), self._rig.board.clock(self.now_s)
        lines = [frame(wrap_u32(seq + k), time_us) for k, frame in enumerate(frames)]
        self.prepare()
        self._ahead += len(lines)
        return b"".join(lines)

    def _not_understood(self, seq: int, time_us: int) -> bytes:
        return encode_fault(seq, time_us, "command", self._lines)

    def _tell_settings(self, seq: int, time_us: int) -> bytes:
        return encode_settings(replace(self._settings, seq=seq, time_us=time_us))

    def _test_crank(self, seq: int, time_us: int) -> bytes:
        self.prepare()
        assert self._done is not None
        crank = self._done.crank
        count = int(crank.at(np.array([self.now_s]))[0])
        at_index = self._settings.index and bool(np.any((crank.index_count - count) % self._rig.encoder.cpr == 0))
        bad = self._before.counters.illegal + int(np.count_nonzero(crank.noticed <= self.now_s))
        return encode_test(crank_test(seq, time_us, wrap_i32(count), bad, at_index))

    def _test_channel(self, channel: int, seq: int, time_us: int) -> bytes:
        shown = self._shown()
        age, count = (int(n) for n in shown[3 + 2 * channel : 5 + 2 * channel]) if shown else (0, 0)
        return encode_test(channel_test(seq, time_us, channel, self._settings, count, age))

    def _restart(self) -> None:
        """The board starts anew where the crank stands: another boot, its clock, its numbers and its counts from the beginning."""
        before = self._zeroed()
        since = Rig().board.start_time_us - round(self.now_s * 1e6)
        board = replace(self._rig.board, boot=self._rig.board.boot + 1, start_time_us=since)
        encoder = replace(self._rig.encoder, index=self._indexed and self._settings.index)
        counters = Counters(free_s=before.counters.free_s, cleared_s=self.now_s)
        self._lines = 0
        self._change(0, replace(self._rig, board=board, encoder=encoder), replace(before, counters=counters))

    def _sent(self) -> tuple[Sent, ...]:
        self.prepare()
        assert self._done is not None
        return self._done.sent

    def _seq(self) -> int:
        """The number of the next numbered line (u32), without computing a part that has not begun."""
        if self._done is None:
            return wrap_u32(self._before.counters.seq)
        if self._next < len(self._done.sent):
            return wrap_u32(_numbered(self._done.sent[self._next].line) + self._ahead)
        return wrap_u32(self._done.state.counters.seq + self._ahead)

    def _begin(self) -> None:
        """The next phase, from where everything stands."""
        if not self._left:
            return
        state, seq = self._before, self._seq()
        if self._done is not None:
            # Behind a phase that nobody saw the end of, its last state; out of a rest, this instant.
            state = self._done.state if self._part != REST else replace(self._done.state, time_s=self.now_s)
            self.now_s = state.time_s
            seq = seq if self._part == REST else state.counters.seq + self._ahead
        counters = replace(state.counters, seq=seq, free_s=min(state.counters.free_s, state.time_s))
        self._before, self._part, self._done = replace(state, counters=counters), self._left.popleft(), None
        self._rested_s, self._ahead = 0.0, 0

    def _go_on(self, state: State) -> None:
        """What follows a part that is over: rest, or by itself the next phase."""
        self._rested_s += state.time_s - self._before.time_s if self._part == REST else 0.0
        counters = replace(state.counters, seq=state.counters.seq + self._ahead)
        self._before, self._done, self._ahead = replace(state, counters=counters), None, 0
        if self._pause_s is not None and self._left and not self._fresh and self._rested_s >= self._pause_s:
            self._part, self._rested_s = self._left.popleft(), 0.0
        else:
            self._part = REST

    def _change(self, seq: int, rig: Rig, before: State) -> None:
        """Go on from now with another rig or start, the next line numbered `seq`."""
        self._ahead = 0
        if self._done is None:
            self._rig, self._before = rig, replace(before, counters=replace(before.counters, seq=seq))
            return
        for _ in range(2):  # the first time shows which number the next line would have, the second gives it the right one
            self._rig, self._before, self._done = rig, before, None
            sent = self._sent()
            self._next = next((k for k, s in enumerate(sent) if k and s.at_s > self.now_s), len(sent))
            shift = seq - self._seq()
            before = replace(before, counters=replace(before.counters, seq=before.counters.seq + shift))

    def _shown(self) -> list[bytes]:
        """The fields of the newest sample or heartbeat that went out; none if there was none in this part."""
        rows = (s.line for s in reversed(self._sent()[: self._next]) if s.line[:1] in (b"S", b"B"))
        newest = next(rows, None)
        return [] if newest is None else newest.split(b"*")[0].split(b",")

    def _zeroed(self) -> State:
        """The start of the part in hand such that crank and scales are zero now."""
        self.prepare()
        assert self._done is not None
        lift = [int(n) for n in self._shown()[6::2]] or [0] * len(self._rig.indicators)
        scales = [i.per_s == 0 for i in self._rig.indicators]
        zeros = tuple(z + n * scale for z, n, scale in zip(self._before.zeros, lift, scales, strict=True))
        crank = int(self._done.crank.at(np.array([self.now_s]))[0])
        counters = replace(self._before.counters, sticky=0, cleared_s=self.now_s)
        return replace(self._before, off=self._before.off - crank, zeros=zeros, counters=counters)


def _renumbered(line: bytes, by: int) -> bytes:
    frame = parse_line(line[:-1])
    assert isinstance(frame, LatchedFrame | Index | Fault)
    return encode_frame(frame._replace(seq=wrap_u32(frame.seq + by)))


def _numbered(line: bytes) -> int:
    return int(line.split(b",", 2)[1])
