"""A whole recorded byte stream -> arrays: the same answer as `acquire.decoder`, for a million frames a second.

The stream is taken in blocks of whole lines. `acquire.parse_bulk` reads a block at once; `_Sequencer` does for whole stretches
between two hellos what the decoder does frame by frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from acquire.decoder import Counters, Damage, Event, has_restarted
from acquire.frames import HALF, U32, Heartbeat, Hello, Sample
from acquire.parse_bulk import Block, parse_block
from analysis.samples import Board, Bools, Ints

_BLOCK: Final = 1 << 21  # bytes: large enough for numpy, small enough for the cache


@dataclass(frozen=True)
class Stream:
    """Everything a byte stream held, raw as on the wire. n samples and heartbeats of c channels (the most that any hello named).

    `seq`, `time_us`, `crank`, `flags`: shape (n,). `still`: shape (n,), where a row was a heartbeat.
    `age_us`, `lift`: shape (c, n), 0 where a board had fewer channels.
    `others` holds each other event with the row it stands before.
    """

    seq: Ints
    time_us: Ints
    crank: Ints
    flags: Ints
    still: Bools
    age_us: Ints
    lift: Ints
    others: tuple[tuple[int, Event], ...]
    counters: Counters

    def events(self) -> Iterator[Event]:
        """The same as `Decoder` gives, one by one."""
        rows = np.stack([self.seq, self.time_us, self.crank, self.flags], axis=1).tolist()
        ages, lifts, still = self.age_us.T.tolist(), self.lift.T.tolist(), self.still.tolist()
        channels, done = 0, 0
        for row, other in (*self.others, (len(rows), None)):
            for i in range(done, row):
                shape = Heartbeat if still[i] else Sample
                seq, time_us, crank, flags = rows[i]
                yield shape(seq, time_us, crank, flags, tuple(ages[i][:channels]), tuple(lifts[i][:channels]))
            done = row
            if isinstance(other, Hello):
                channels = len(other.board.steps_mm)
            if other is not None:
                yield other


def decode_stream(data: bytes) -> Stream:
    """Every frame of `data`, every sum checked, as `Decoder.feed(data)` and `Decoder.finish()` would give them.

    DeviceError if a hello of another major version is in it, wherever it stands.
    """
    sequencer, start = _Sequencer(), 0
    while start < len(data):
        end = data.rfind(b"\n", start, start + _BLOCK) + 1 or data.find(b"\n", start) + 1
        if not end:
            break
        sequencer.take(parse_block(data[start:end]))
        start = end
    return sequencer.finish(received=len(data), torn=len(data) - start)


@dataclass
class _Sequencer:
    """What the decoder does frame by frame, for stretches between two hellos. Mirrors the fields of `Decoder`."""

    board: Board | None = None
    next: int = 0
    skipped: int = 0
    refused: int = 0
    frames: int = 0
    lost: int = 0
    late: int = 0
    restarts: int = 0
    told: tuple[int, int, int] = (0, 0, 0)
    rows: int = 0
    most_channels: int = 0
    numbers: list[Ints] = field(default_factory=list)
    still: list[Bools] = field(default_factory=list)
    others: list[tuple[int, Event]] = field(default_factory=list)

    def take(self, block: Block) -> None:
        """The next block."""
        start = 0
        for at, frame in block.odd.items():
            if isinstance(frame, Hello):
                self._stretch(block, start, at)
                self._hello(frame)
                start = at + 1
        self._stretch(block, start, len(block.size))

    def finish(self, *, received: int, torn: int) -> Stream:
        """All of it, the last `torn` bytes having no line end."""
        if self.board is None:
            self.skipped += torn
        else:
            self.refused += torn
        self._tell()
        numbers = np.concatenate([np.zeros((8, 0), np.int64), *self.numbers], axis=1)
        still = np.concatenate([np.zeros(0, np.bool_), *self.still])
        last = 4 + 2 * self.most_channels
        counters = Counters(received, self.skipped, self.refused, self.frames, self.lost, self.late, self.restarts)
        seq, time_us, crank, flags = numbers[:4]
        return Stream(seq, time_us, crank, flags, still, numbers[4:last:2], numbers[5:last:2], tuple(self.others), counters)

    def _tell(self) -> None:
        now = self.lost, self.refused, self.late
        if now != self.told:
            self.others.append((self.rows, Damage(*(new - old for new, old in zip(now, self.told, strict=True)))))
            self.told = now

    def _hello(self, hello: Hello) -> None:
        known = self.board
        restarted = known is not None and has_restarted(known, hello, self.next)
        self._tell()
        self.next = self.next if known is not None and not restarted else hello.seq
        self.board = hello.board
        self.frames += 1
        self.restarts += restarted
        self.most_channels = max(self.most_channels, len(hello.board.steps_mm))
        self.others.append((self.rows, replace(hello, restarted=restarted)))

    def _stretch(self, block: Block, start: int, stop: int) -> None:
        """Lines `start` to `stop` of `block`, none of them a hello."""
        size, channels = block.size[start:stop], block.channels[start:stop]
        if self.board is None:
            self.skipped += int(size.sum())
            return
        numbered = np.flatnonzero((channels == 0) | (channels == len(self.board.steps_mm)))
        refused = size.copy()
        refused[numbered] = 0
        refused_before = np.cumsum(refused)
        seq = block.numbers[0, start + numbered]
        kept = _in_order(seq, self.next)
        accepted = numbered[kept]
        seq = seq[kept]
        late_before = np.flatnonzero(kept) - np.arange(len(accepted))
        lost = (seq - np.concatenate([[self.next], seq[:-1] + 1])) & U32 if len(seq) else seq
        self._rows_and_others(block, start + accepted, np.cumsum(lost), refused_before[accepted], late_before)
        self.lost += int(lost.sum())
        self.refused += int(refused.sum())
        self.late += len(numbered) - len(accepted)
        self.frames += len(accepted)
        if len(seq):
            self.next = int(seq[-1] + 1) & U32

    def _rows_and_others(self, block: Block, lines: Ints, lost: Ints, refused: Ints, late: Ints) -> None:
        """Keep the frames at `lines`, with what was lost, refused and late in this stretch up to each of them."""
        row = block.channels[lines] > 0
        first_row = self.rows
        row_of = first_row + np.cumsum(row) - row
        before = np.array([self.lost, self.refused, self.late])[:, None]
        totals = before + np.stack([lost, refused, late])
        changed = np.any(np.diff(totals, axis=1, prepend=np.array(self.told)[:, None]) != 0, axis=0)
        for i in np.flatnonzero(changed | ~row).tolist():
            if changed[i]:
                now = int(totals[0, i]), int(totals[1, i]), int(totals[2, i])
                self.others.append((int(row_of[i]), Damage(*(new - old for new, old in zip(now, self.told, strict=True)))))
                self.told = now
            if not row[i]:
                self.others.append((int(row_of[i]), block.odd[int(lines[i])]))
        self.rows += int(row.sum())
        self.numbers.append(block.numbers[:, lines[row]])
        self.still.append(block.still[lines[row]])


def _in_order(seq: Ints, expected: int) -> Bools:
    """Which frames are not late or repeated, the first being expected as number `expected`."""
    kept = np.ones(len(seq), np.bool_)
    steps = (seq - np.concatenate([[expected], seq[:-1] + 1])) & U32
    suspects = np.flatnonzero(steps >= HALF)
    at = 0
    while (found := int(np.searchsorted(suspects, at))) < len(suspects):
        at = int(suspects[found])
        wanted = int(seq[at - 1]) + 1 if at else expected
        while at < len(seq) and (int(seq[at]) - wanted) & U32 >= HALF:
            kept[at] = False
            at += 1
        at += 1  # this one is in order; the one behind it was already compared with it
    return kept
