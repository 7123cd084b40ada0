"""Events of the wire -> rows and notes of a capture, in order. No I/O."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final, NamedTuple, TypeAlias

from acquire.wire import Damage, Event, Fault, Heartbeat, Hello, Index, LatchedFrame
from analysis.base.errors import CaptureError
from analysis.base.samples import STILL, Board
from analysis.capture.text import hello_fields

_WIRE_FLAGS: Final = STILL - 1  # what lies above is the recorder's own

Row: TypeAlias = tuple[int, ...]


class Remark(NamedTuple):
    """A note that has no place yet: it stands behind whatever came before it."""

    kind: str
    fields: dict[str, Any]


Entry: TypeAlias = Row | Remark


class Entries:
    """What each event becomes in a capture of `board`. Remembers the last row's number, and what the board last said it is."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._last_seq: int | None = None

    def of(self, events: Iterable[Event], at: str) -> Iterator[Entry]:
        """Rows and remarks, in order. `at` is the wall clock, for a new start of the board. CaptureError if another board answers."""
        for event in events:
            match event:
                case LatchedFrame():
                    self._last_seq = event.seq
                    yield row_of(event)
                case Index():
                    yield Remark("index", event._asdict())
                case Fault():
                    yield Remark("fault", event._asdict())
                case Damage():
                    yield self.gap(event.lost, event.refused, event.late)
                case Hello() if event.restarted or event.board != self._board:
                    yield self.start(event.board, at, same_count=not event.restarted)
                case _:
                    pass  # a hello that says nothing new; a frame of a later minor version

    def start(self, board: Board, at: str, *, same_count: bool) -> Remark:
        """The link is back, or the board has started again. CaptureError if another board answers: its counts mean other things."""
        if _measure(board) != _measure(self._board):
            raise CaptureError(
                f"another board answers now ({board.name!r}, {board.cpr} counts a turn), which cannot go into the same capture",
                where=at,
                do="Connect the board again that the capture began with, or begin a new capture",
            )
        self._board = board
        return Remark("start", {"hello": hello_fields(board), "at": at, "same_count": same_count})

    def gap(self, lost: int, refused: int, late: int = 0) -> Remark:
        """Frames lost, bytes refused and frames out of order since what came before."""
        return Remark("gap", {"lost": lost, "bytes": refused, "late": late, "after_seq": self._last_seq})


def row_of(event: LatchedFrame) -> Row:
    """A frame as a row of a capture."""
    still = STILL if isinstance(event, Heartbeat) else 0
    if len(event.lift) == 1:  # as most are, and rows come by the ten thousand
        return (event.seq, event.time_us, event.crank, event.flags & _WIRE_FLAGS | still, event.age_us[0], event.lift[0])
    readings = [n for pair in zip(event.age_us, event.lift, strict=True) for n in pair]
    return (event.seq, event.time_us, event.crank, event.flags & _WIRE_FLAGS | still, *readings)


def _measure(board: Board) -> tuple[object, ...]:
    return board.cpr, board.steps_mm, board.units
