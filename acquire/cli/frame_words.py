"""Boards and frames in words, one line each, for people who watch a link."""

from __future__ import annotations

from typing import Final

from acquire.wire import Damage, Event, Fault, Heartbeat, Hello, Index, Sample, SelfTest, Settings
from analysis.base.foreign import shown
from analysis.base.samples import CRANK_SUSPECT, DROPPED, LIFT_SUSPECT, SILENT, Board

_BY_TIME: Final = 64  # firmware-notes/wire-format.md section 2.6


def of_board(board: Board) -> str:
    """What a board is."""
    steps = " and ".join(_step(mm, unit) for mm, unit in zip(board.steps_mm, board.units, strict=True))
    index = "with index" if board.index else "no index"
    counts = f"{board.cpr} counts a turn, {index}, latched by {board.latch}"
    return f"{shown(board.name)}: {counts}, indicator {steps}, wire format {board.version}"


def of_event(event: Event, board: Board) -> str:
    """What came. `board` is the one that sent it; times are its own seconds."""
    match event:
        case Hello():
            return f"hello     {'the board has started again: ' if event.restarted else ''}{of_board(event.board)}"
        case Sample() | Heartbeat():
            word = "sample   " if isinstance(event, Sample) else "standing "
            lifts = ", ".join(
                f"lift {lift * step:.4f} mm {age / 1000:.1f} ms old"
                for lift, age, step in zip(event.lift, event.age_us, board.steps_mm, strict=True)
            )
            degrees = event.crank * 360.0 / board.cpr
            said = "".join(f"; {words}" for words in _flags(event.flags))
            return f"{word} {event.seq} at {_s(event.time_us)}: count {event.crank} = {degrees:.2f} deg, {lifts}{said}"
        case Index():
            return f"index     {event.seq} at {_s(event.time_us)}: at count {event.crank}"
        case Fault():
            return f"fault     {event.seq} at {_s(event.time_us)}: {event.word} {event.number}"
        case Damage():
            return f"damage    {event.lost} frames lost, {event.refused} bytes refused, {event.late} frames out of order"
        case Settings():
            return f"settings  {event.seq} at {_s(event.time_us)}: {of_settings(event)}"
        case SelfTest():
            return f"self-test {event.seq} at {_s(event.time_us)}: {event.of}: {of_test(event)}"
        case _:
            return f"unknown   {event.seq}: of kind {event.kind}, which this version does not know"


def of_settings(settings: Settings) -> str:
    """What the owner has set."""
    index = "with index" if settings.index else "no index"
    used = zip(settings.kinds, settings.steps_mm, settings.units, strict=True)
    channels = [
        f"channel {c} {kind}, {_step(step, unit)}" for c, (kind, step, unit) in enumerate(used, 1) if c <= settings.channels
    ]
    return f"{shown(settings.board)}: {settings.cpr} counts a turn, {index}; {'; '.join(channels)} a count"


def of_test(test: SelfTest) -> str:
    """What an input says at this moment."""
    levels = ", ".join(f"{name} {'high' if level else 'low'}" for name, level in test.levels)
    text = f"{levels}; count {test.count}, {test.bad} bad"
    if test.got is None or test.age_us is None:
        return text
    unit = "characters" if test.kind == "ascii" else "bits"
    newest = f"newest frame {test.got} {unit} {shown(test.raw)!r}" if test.got else "no frame yet"
    return f"{text}; {newest}, reading {test.age_us / 1e6:.2f} s old"


def _step(step_mm: float, unit: str) -> str:
    return f"{step_mm / (25.4 if unit == 'in' else 1.0):g} {unit}"


def _s(time_us: int) -> str:
    return f"{time_us * 1e-6:.6f} s"


def _flags(flags: int) -> list[str]:
    """The bits that are set, in words."""
    words = {
        DROPPED: "frames dropped before it",
        CRANK_SUSPECT: "illegal crank steps",
        SILENT[0]: "channel 1 silent",
        SILENT[1]: "channel 2 silent",
        LIFT_SUSPECT[0]: "channel 1 doubtful",
        LIFT_SUSPECT[1]: "channel 2 doubtful",
        _BY_TIME: "latched by time",
    }
    return [text for bit, text in words.items() if flags & bit]
