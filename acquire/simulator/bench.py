"""A rig at work, asked from outside: which lines are due at which instant, and what a command changes. No I/O, no clock.

A phase is computed as a whole when it begins. A command in its middle changes the rest of it: the phase is computed again from
its start with the new setting - the same hand, the same chance - and goes on from the instant of the command.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from acquire.simulator.board import Sent
from acquire.simulator.phases import REST, Recording, State, record_phase, start
from acquire.simulator.rig import Rig
from acquire.wire import encode_fault, encode_hello, parse_command, wrap_u32


class Bench:
    """Serves the phases one after the other; before, between and behind them the crank rests and the board's heart beats.

    The next phase begins with a `hello` that comes while the crank rests, and with the first `hello` of a new host (`connected`)
    at any time. (A host that leaves and is back at once cannot be told from one that stayed, on a pseudo-terminal: hence the
    first.) With `pause_s`, it begins by itself after so many seconds of rest. A deque of phases may be added to while it is served.
    Seconds are the board's, since its start.
    """

    def __init__(self, rig: Rig, phases: Iterable[str], pause_s: float | None = None) -> None:
        self._rig, self._pause_s = rig, pause_s
        self._left = phases if isinstance(phases, deque) else deque(phases)
        self._before: State = start(rig)  # where the part in hand began
        self._part = REST
        self._done: Recording | None = None  # the part in hand, once computed
        self._next = 0
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
            lines.append(sent.line)
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
            seq = self._seq()
            self._change(seq + 1, self._rig, self._before)
            return encode_fault(wrap_u32(seq), self._rig.board.clock(self.now_s), "command", self._lines)
        if command.word == "hello" and (self._fresh or self._part == REST):
            self._fresh = False
            self._begin()
        elif command.word == "zero":
            self._change(self._seq(), self._rig, self._zeroed())
        elif command.word in ("latch", "rate"):
            setting = {"latch": command.argument} if command.word == "latch" else {"per_s": int(command.argument)}
            self._change(self._seq(), replace(self._rig, board=replace(self._rig.board, **setting)), self._before)
        return encode_hello(self._rig.hello, wrap_u32(self._seq()), self._rig.board.clock(self.now_s))

    def _sent(self) -> tuple[Sent, ...]:
        self.prepare()
        assert self._done is not None
        return self._done.sent

    def _seq(self) -> int:
        """The number of the next numbered line (u32), without computing a part that has not begun."""
        if self._done is None:
            return wrap_u32(self._before.counters.seq)
        if self._next < len(self._done.sent):
            return _numbered(self._done.sent[self._next].line)
        return wrap_u32(self._done.state.counters.seq)

    def _begin(self) -> None:
        """The next phase, from where everything stands."""
        if not self._left:
            return
        state, seq = self._before, self._seq()
        if self._done is not None:
            # Behind a phase that nobody saw the end of, its last state; out of a rest, this instant.
            state = self._done.state if self._part != REST else replace(self._done.state, time_s=self.now_s)
            self.now_s = state.time_s
            seq = seq if self._part == REST else state.counters.seq
        counters = replace(state.counters, seq=seq, free_s=min(state.counters.free_s, state.time_s))
        self._before, self._part, self._done = replace(state, counters=counters), self._left.popleft(), None
        self._rested_s = 0.0

    def _go_on(self, state: State) -> None:
        """What follows a part that is over: rest, or by itself the next phase."""
        self._rested_s += state.time_s - self._before.time_s if self._part == REST else 0.0
        self._before, self._done = state, None
        if self._pause_s is not None and self._left and not self._fresh and self._rested_s >= self._pause_s:
            self._part, self._rested_s = self._left.popleft(), 0.0
        else:
            self._part = REST

    def _change(self, seq: int, rig: Rig, before: State) -> None:
        """Go on from now with another rig or start, the next line numbered `seq`."""
        if self._done is None:
            self._rig, self._before = rig, replace(before, counters=replace(before.counters, seq=seq))
            return
        for _ in range(2):  # the first time shows which number the next line would have, the second gives it the right one
            self._rig, self._before, self._done = rig, before, None
            sent = self._sent()
            self._next = next((k for k, s in enumerate(sent) if k and s.at_s > self.now_s), len(sent))
            shift = seq - self._seq()
            before = replace(before, counters=replace(before.counters, seq=before.counters.seq + shift))

    def _zeroed(self) -> State:
        """The start of the part in hand such that crank and scales are zero now."""
        self.prepare()
        assert self._done is not None
        shown = (s.line for s in reversed(self._done.sent[: self._next]) if s.line[:1] in b"SB")
        newest = next(shown, b"*").split(b"*")[0].split(b",")
        lift = [int(n) for n in newest[6::2]] or [0] * len(self._rig.indicators)
        scales = [i.per_s == 0 for i in self._rig.indicators]
        zeros = tuple(z + n * scale for z, n, scale in zip(self._before.zeros, lift, scales, strict=True))
        crank = int(self._done.crank.at(np.array([self.now_s]))[0])
        counters = replace(self._before.counters, sticky=0, cleared_s=self.now_s)
        return replace(self._before, off=self._before.off - crank, zeros=zeros, counters=counters)


def _numbered(line: bytes) -> int:
    return int(line.split(b",", 2)[1])
