"""Bytes -> events: what a stream of lines means (firmware-notes/wire-format.md section 5). No I/O, no asyncio, no clock.

Theory of operation
-------------------
`Decoder.feed` cuts what it is given at line ends and keeps the last piece, never more than one line. Each line goes the same way:

    line ── sound? ──no──> refused += its bytes
             │ yes
           hello? ──yes──> the board is known; the next number is the hello's; Hello
             │ no
           board known? ──no──> skipped += its bytes
             │ yes
           channels as the hello said? ──no──> refused += its bytes
             │ yes
           ahead = (seq - next) modulo 2^32
             0                     the frame
             1 ... 2^31 - 1        lost += ahead; the frame
             2^31 ... 2^32 - 1     late += 1; no frame

What was refused, lost or late since the event before comes out as one `Damage` in front of the next event, in its place.
Nearly every line is a sample, so a shortcut for samples of this board is tried first. It says yes or nothing: what it does not
know goes the long way, which alone decides what is sound, and a test gives both the same lines.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, NamedTuple, TypeAlias

from acquire.wire.frames import HALF, LONGEST_LINE, U32, Frame, Hello, LatchedFrame, Numbered, Sample
from acquire.wire.parse import parse_line, usual_sample_1, usual_sample_2
from analysis.base.errors import DeviceError
from analysis.base.samples import Board


class Damage(NamedTuple):
    """What went wrong since the event before: frames `lost` (by their numbers), bytes `refused`, frames `late` or repeated."""

    lost: int
    refused: int
    late: int


Event: TypeAlias = Frame | Damage


@dataclass(frozen=True)
class Counters:
    """What a decoder has seen since it was made or reset.

    Bytes: `received`, `skipped` before the first hello, `refused` after it.
    Frames: `frames` handed out (hellos too), `lost`, `late`. `restarts` counts hellos that told of a new start of the board.
    """

    received: int = 0
    skipped: int = 0
    refused: int = 0
    frames: int = 0
    lost: int = 0
    late: int = 0
    restarts: int = 0


def has_restarted(known: Board, hello: Hello, expected: int) -> bool:
    """Whether a board that was known has started again: another boot number, or a sequence that went back; without boot numbers,
    any sequence that was not expected.
    """
    if known.boot and hello.board.boot == known.boot:
        return (hello.seq - expected) & U32 >= HALF
    return hello.board.boot != known.boot or hello.seq != expected


def _of_board(frame: Numbered, board: Board) -> bool:
    """Whether the frame has the channels that the hello named."""
    return not isinstance(frame, LatchedFrame) or len(frame.lift) == len(board.steps_mm)


def _no_sample(_line: bytes) -> Sample | None:
    """Before the first hello no line is a sample."""
    return None


_USUAL: Final[dict[int, Callable[[bytes], Sample | None]]] = {1: usual_sample_1, 2: usual_sample_2}  # by channels


class Decoder:
    """Bytes in, events out. Holds at most one line. After a DeviceError it stays failed until `reset`.

    `board` is what the last hello said, None before the first. Counters of the wire are handed on raw, not unwrapped.
    """

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget everything, a failure included: the next bytes are those of a new connection."""
        self.board: Board | None = None
        self._failure: DeviceError | None = None
        self._next = 0
        self._partial = b""
        self._overlong = False  # in a line already refused for its length: everything up to its end is refused with it
        self._usual: Callable[[bytes], Sample | None] = _no_sample
        self._received = self._skipped = self._refused = self._frames = self._lost = self._late = self._restarts = 0
        self._told = (0, 0, 0)  # lost, refused and late when the last Damage was told ...
        self._untold = False  # ... and whether any has grown since

    @property
    def counters(self) -> Counters:
        """The counts so far."""
        return Counters(self._received, self._skipped, self._refused, self._frames, self._lost, self._late, self._restarts)

    @property
    def next_seq(self) -> int:
        """The number expected of the next frame."""
        return self._next

    @property
    def held(self) -> int:
        """Bytes of a line that has not ended yet."""
        return len(self._partial)

    def feed(self, data: bytes) -> list[Event]:
        """The events that `data` completes, in order.

        DeviceError if the board speaks another major version. Events in front of that hello are handed out first: the error then
        comes with the next call.
        """
        if self._failure:
            raise self._failure.with_traceback(None)
        self._received += len(data)
        lines = (self._partial + data).split(b"\n")
        self._partial = lines.pop()
        events: list[Event] = []
        if self._overlong and lines:
            self._refuse(len(lines.pop(0)) + 1)
            self._overlong = False
        if lines:
            self._lines(lines, events)
        if self._overlong or len(self._partial) >= LONGEST_LINE:
            self._refuse(len(self._partial))
            self._partial, self._overlong = b"", True
        if self._failure and not events:
            raise self._failure
        return events

    def finish(self) -> list[Event]:
        """The stream has ended: a line without its end is refused, and what has not been told comes out as a last `Damage`."""
        if self._failure:
            raise self._failure.with_traceback(None)
        self._refuse(len(self._partial))
        self._partial, self._overlong = b"", False
        events: list[Event] = []
        self._tell(events)
        return events

    def _lines(self, lines: list[bytes], events: list[Event]) -> None:
        """Whole lines, one after the other: the hot path."""
        usual = self._usual
        for line in lines:
            sample = usual(line)
            if sample is None:
                if not self._line(line, events):
                    return
                usual = self._usual  # a hello may have changed it
            elif sample[0] == self._next and not self._untold:  # by place: half the cost of a name
                self._next = (sample[0] + 1) & U32
                self._frames += 1
                events.append(sample)
            else:
                self._numbered(sample, events)

    def _line(self, line: bytes, events: list[Event]) -> bool:
        """Any line. False if the decoder has failed on it."""
        try:
            frame = parse_line(line)
        except DeviceError as failure:
            self._failure = failure
            return False
        if isinstance(frame, Hello):
            self._hello(frame, events)
        elif frame is None or self.board is None or not _of_board(frame, self.board):
            self._refuse(len(line) + 1)
        else:
            self._numbered(frame, events)
        return True

    def _hello(self, hello: Hello, events: list[Event]) -> None:
        known = self.board
        restarted = known is not None and has_restarted(known, hello, self._next)
        self._tell(events)
        self._next = self._next if known is not None and not restarted else hello.seq
        self.board, self._usual = hello.board, _USUAL[len(hello.board.steps_mm)]
        self._frames += 1
        self._restarts += restarted
        events.append(replace(hello, restarted=restarted))

    def _numbered(self, frame: Numbered, events: list[Event]) -> None:
        ahead = (frame.seq - self._next) & U32
        if ahead >= HALF:
            self._late += 1
            self._untold = True
            return
        if ahead:
            self._lost += ahead
            self._untold = True
        self._tell(events)
        self._next = (frame.seq + 1) & U32
        self._frames += 1
        events.append(frame)

    def _refuse(self, count: int) -> None:
        if self.board is None:
            self._skipped += count
        elif count:
            self._refused += count
            self._untold = True

    def _tell(self, events: list[Event]) -> None:
        if self._untold:
            now = self._lost, self._refused, self._late
            events.append(Damage(*(new - old for new, old in zip(now, self._told, strict=True))))
            self._told, self._untold = now, False
