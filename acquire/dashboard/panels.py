"""What stands in each panel, as lines of text in roles: pure functions of a snapshot and a size."""

from __future__ import annotations

import math
import textwrap
from typing import Final

from acquire.dashboard.lines import Line, plain
from acquire.dashboard.snapshot import (
    DISCONNECTED,
    ENDED,
    ERROR,
    FAILED,
    LIVE,
    STALLED,
    WAITING,
    WARNING,
    Asked,
    LinkState,
    Message,
    Snapshot,
)
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from analysis.base.safety import STOP as STOP_CAUTIONS
from analysis.base.safety import cautions

# Each state has a shape, a word and a role.
STATES: Final = {
    WAITING: ("○", "WAITING for the board", "warn"),
    LIVE: ("●", "LIVE", "good"),
    STALLED: ("◐", "STALLED: nothing comes", "alarm"),
    DISCONNECTED: ("✕", "DISCONNECTED: trying again", "alarm"),
    ENDED: ("■", "ENDED", "strong"),
    FAILED: ("‼", "FAILED", "alarm"),
}
_WAYS: Final = {1: ("▶ FORWARD", "good"), -1: ("◀ BACKWARD", "warn"), 0: ("■ STANDING", "dim")}
_PLAYED: Final = ("A capture is played as it was recorded. Nothing is recorded anew.",)
_UNSEEN: Final = ("? NOT SEEN", "warn")  # without frames nobody knows whether it stands


def head(picture: Snapshot, width: int) -> list[Line]:
    """Where we are in the procedure, and on what engine."""
    where = "Replay" if picture.played else f"{picture.number}/{picture.of}"
    left = f" {where}  {picture.place.title} "
    engine = f" {picture.job.engine.name or 'engine without a name'}, cylinder {picture.job.measure.cylinder} "
    room = width - len(left)
    right = engine if len(engine) <= room else ""
    return [((left + " " * max(0, room - len(right)) + right, "title"),)]


def angle_words(picture: Snapshot) -> tuple[str, str]:
    """Number and word of the crank angle: "17.0" and "BTDC". The word is empty while TDC is not known."""
    if picture.deg is None:
        return "---.-", ""
    off = round(abs(picture.deg), 1)
    if not picture.tdc_known:
        return f"{picture.deg:.1f}", "DEG"
    word = "TDC" if off == 0 else "ATDC" if picture.deg > 0 else "BTDC"
    return f"{off:.1f}", word


def lift_words(picture: Snapshot) -> tuple[str, str]:
    """Number and unit of the lift."""
    unit = picture.job.measure.units
    if picture.lift_mm is None:
        return "-.---", unit
    value = picture.lift_mm / 25.4 if unit == "in" else picture.lift_mm
    return f"{value + 0.0:.{4 if unit == 'in' else 3}f}", unit


def banner(picture: Snapshot) -> list[Line]:
    """Which way the crank goes, and what must be done about it."""
    if picture.place.step in (CAUTIONS, DONE):
        return [()]
    seen = picture.link.state in (LIVE, ENDED)
    way, role = _WAYS[picture.way] if seen else _UNSEEN
    line: list[tuple[str, str]] = [(f" {way} ", role)]
    if picture.armed:
        line.append((" rest, then turn: the first turn begins the recording ", "strong"))
    elif picture.place.step == STOP_OUT:
        line.append((" THE STOP MUST COME OUT BEFORE YOU TURN ON ", "alarm"))
    elif picture.back_up and picture.way < 0:
        line.append((" BACK UP past the mark and come again ", "alarm"))
    elif picture.back_up:
        line.append((f" SLACK: {picture.to_go_deg:.1f} deg on until it is taken up; readings do not count yet ", "warn"))
    elif seen and picture.place.step in (ZERO, SWEEP) and picture.way > 0:
        line.append((" slack taken up, readings count", "good"))
    if not picture.tdc_known and picture.place.step in (ZERO, SWEEP):
        line.append(("  TDC: turn on until the index pulse", "warn"))
    return [line]


def need_line(asked: Asked) -> Line:
    """One need with a box."""
    box, role = ("[x]", "good") if asked.met else ("[ ]", "plain")
    return ((f" {box} ", role), (_need(asked), role))


def needs_in_a_row(picture: Snapshot) -> list[Line]:
    """All needs on one line."""
    line: list[tuple[str, str]] = []
    for asked in picture.needs:
        box, role = ("[x]", "good") if asked.met else ("[ ]", "plain")
        line += [(f" {box} ", role), (_need(asked), role)]
    return [line]


def _need(asked: Asked) -> str:
    if asked.said and not asked.met:
        return f"{asked.text}: press Enter"
    if asked.least == 1 and not asked.unit:
        return asked.text
    have = min(asked.have, 9999)
    places = 0 if asked.least >= 5 or not asked.unit else 1
    unit = f" {asked.unit}" if asked.unit else ""
    return f"{asked.text} {math.floor(have * 10**places) / 10**places:.{places}f}/{asked.least:g}{unit}"


def do(picture: Snapshot, width: int, *, short: bool = False) -> list[Line]:
    """What a person does now; `short`, on one line: the first thing, and once that has been said to be done, the next."""
    what = _PLAYED if picture.played else picture.place.do
    lines = [line for text in what for line in _wrapped(text, width, "plain")]
    first = int(len(lines) > 1 and any(asked.said and asked.met for asked in picture.needs))
    return lines[first : first + 1] if short else lines


def link(state: LinkState, width: int, *, paused: bool = False) -> list[Line]:
    """How the link does."""
    shape, word, role = STATES[state.state]
    word = word if width >= 100 else word.split(":")[0]
    line: list[tuple[str, str]] = [(f" {shape} {word} ", role)]
    if paused:
        line.append((" ‖ PAUSED ", "alarm"))
    age = "no frame yet" if state.age_s is None else f"newest {_age(state.age_s)}"
    line.append((f" {state.frames_s:.0f} frames/s  lost {state.lost}  {age} ", "bad" if state.lost else "plain"))
    line.append((f" ◉ {state.file}: {state.rows} rows" if state.file else " not recording", "strong" if state.file else "dim"))
    return [line]


def _age(seconds: float) -> str:
    return f"{round(seconds * 10) / 10:.1f} s" if seconds < 60 else f"{seconds / 60:.0f} min"


def news(picture: Snapshot, width: int, usual: int) -> int:
    """How many lines the messages need: the usual, or what a fresh error takes to be read as a whole."""
    if not picture.messages or picture.messages[-1].kind != ERROR:
        return usual
    return max(usual, min(4, len(_message(picture.messages[-1], width))))


def messages(picture: Snapshot, width: int, height: int) -> list[Line]:
    """The newest messages, the newest last. One that is too long for all the lines is cut at its end."""
    lines: list[Line] = []
    for message in reversed(picture.messages):
        if len(lines) >= height:
            break
        lines = _message(message, width)[: height - len(lines)] + lines
    waits = picture.waiting_for if picture.place.step in (ZERO, SWEEP) and not picture.events else ""
    lines = [*_wrapped(waits, width, "dim")[: height - len(lines)], *lines]
    return [()] * (height - len(lines)) + lines


def _message(message: Message, width: int) -> list[Line]:
    sign, role = {ERROR: ("‼", "bad"), WARNING: ("!", "warn")}.get(message.kind, ("·", "dim"))
    wrapped = textwrap.wrap(message.text, max(20, width - 4)) or [""]
    return [((f" {sign} " if k == 0 else "   ", role), (text, role)) for k, text in enumerate(wrapped)]


def panel(picture: Snapshot, width: int) -> list[Line]:
    """The large panel of a step that has no curve."""
    step = picture.place.step
    if step == CAUTIONS:
        return _cautions(picture.goes_on, width)
    lines: list[Line] = [()] + [need_line(asked) for asked in picture.needs]
    if step == RIG:
        lines += _rig(picture, width)
    elif step in (STOP, TRAVEL):
        lines += _touches(picture, width)
    elif step == STOP_OUT:
        lines += [
            (),
            *_wrapped(STOP_CAUTIONS[-1], width, "warn"),
            *_wrapped("Say so with Enter once the stop is out.", width, "strong"),
        ]
    elif step in (RESULT, DONE):
        from acquire.dashboard.verdict import verdict

        lines = verdict(picture, width)
    if picture.waiting_for and step == TRAVEL:
        lines += [(), *_wrapped(picture.waiting_for, width, "dim")]
    return lines


def _cautions(goes_on: str, width: int) -> list[Line]:
    lines: list[Line] = []
    for text in cautions("stop"):
        wrapped = textwrap.wrap(text, width - 5)
        lines += [((" ! " if k == 0 else "   ", "warn"), (part, "plain")) for k, part in enumerate(wrapped)]
    then = f" It goes on where it was left: {goes_on}." if goes_on else ""
    return [*lines, (), *_wrapped(f"Press Enter once you have read them.{then}", width, "strong")]


def _rig(picture: Snapshot, width: int) -> list[Line]:
    direction = picture.job.rig.direction
    said = "is found from how you turn" if direction == "auto" else f"is to count {direction}, says the job"
    return [(), *_wrapped(f"Running direction {said}. Indicator at the {picture.job.rig.indicator_at}.", width, "dim")]


def _touches(picture: Snapshot, width: int) -> list[Line]:
    touches = picture.touches
    if picture.place.step == TRAVEL or touches is None:
        lines: list[Line] = [()]
    else:
        spread = [
            f"spread {deg:.2f} deg" if len(side) > 1 else ""
            for deg, side in zip(touches.spread_deg, (touches.low, touches.high), strict=True)
        ]
        lines = [
            (),
            ((" ◀ lower count  ", "strong"), (_marks(touches.low), "accent"), (f"  {spread[0]}", "dim")),
            ((" ▶ higher count ", "strong"), (_marks(touches.high), "accent"), (f"  {spread[1]}", "dim")),
        ]
        if touches.why:
            lines += _wrapped(touches.why, width, "bad")
        elif not math.isnan(touches.tdc):
            lines += [
                plain(f" arc not swept {touches.unswept_deg:.1f} deg; its middle is top dead center, at count {touches.tdc:.1f}")
            ]
    if picture.tdc is not None:
        from analysis.base.words import plus_minus

        lines += [((f" top dead center at count {plus_minus(picture.tdc.count)}", "good"),)]
    return lines


def _marks(touches: tuple[int, ...]) -> str:
    if not touches:
        return "none yet"
    count = "1 touch, at" if len(touches) == 1 else f"{len(touches)} touches, the last at"
    return f"{'● ' * min(len(touches), 12)}{count} {touches[-1]}"


def _wrapped(text: str, width: int, role: str) -> list[Line]:
    return [((f" {line}", role),) for line in textwrap.wrap(text, max(20, width - 2))]
