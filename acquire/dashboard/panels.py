"""What stands in each panel, as lines of text in roles: pure functions of a snapshot and a size."""

from __future__ import annotations

import math
import textwrap
from dataclasses import replace
from typing import Final

from acquire.dashboard.snapshot import Asked, Snapshot
from acquire.dashboard.text_lines import Line, wrapped
from acquire.procedure.link_state import DISCONNECTED, ENDED, FAILED, LIVE, STALLED, WAITING, LinkState
from acquire.procedure.messages import ERROR, RECORDER, WARNING, Failure, Message
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from analysis.base.angles import label
from analysis.base.foreign import shown
from analysis.base.safety import STOP as STOP_CAUTIONS
from analysis.base.safety import cautions
from analysis.base.words import reading

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
PAUSED: Final = " ‖ PAUSED: Space goes on "
_PLAYED: Final = ("A recorded capture is being replayed. Nothing is recorded.",)
_TURNING: Final = ("↻ TURNING: this way is taken as the direction of rotation", "plain")
_UNSEEN: Final = ("? NOT SEEN", "warn")  # without frames nobody knows whether it stands


def head(picture: Snapshot, width: int, *, paused: bool = False) -> list[Line]:
    """Where we are in the procedure, and on what engine; of a held picture, that it is held."""
    where = "Replay" if picture.played else f"{picture.number}/{picture.of}"
    left = f" {where}  {picture.place.title} "
    engine = f" {shown(picture.job.engine.name) or 'engine without a name'}, cylinder {picture.cylinder} "
    room = width - len(left)
    if paused:
        return [((left, "title"), (f"{PAUSED:>{max(0, room)}}", "alarm"))]
    right = engine if len(engine) <= room else ""
    return [((left + " " * max(0, room - len(right)) + right, "title"),)]


def angle_words(picture: Snapshot) -> tuple[str, str]:
    """Number and word of the crank angle: "17.0" and "BTDC". The word is empty while TDC is not known."""
    if picture.deg is None:
        return "---.-", ""
    if not picture.tdc_known:
        return f"{picture.deg:.1f}", "DEG"
    number, word = label(picture.deg, "overlap").split()
    return number, word


def lift_words(picture: Snapshot) -> tuple[str, str]:
    """Number and unit of the lift."""
    unit = picture.job.measure.units
    if picture.lift_mm is None:
        return "-.---", unit
    return reading(picture.lift_mm, unit), unit


def banner(picture: Snapshot) -> list[Line]:
    """Which way the crank goes, and what must be done about it."""
    if picture.place.step in (CAUTIONS, DONE):
        return [()]
    seen = picture.link.state in (LIVE, ENDED)
    unknown = picture.way != 0 and not picture.forward  # nothing tells forward from backward yet
    way, role = _UNSEEN if not seen else _TURNING if unknown else _WAYS[picture.way]
    line: list[tuple[str, str]] = [(f" {way} ", role)]
    if any(isinstance(each, Failure) and each.worker == RECORDER for each in picture.messages) and not picture.link.file:
        line.append((" NOTHING IS RECORDED: make room, then press r to do the step again ", "alarm"))
    elif picture.armed:
        line.append((" rest, then turn: recording begins with the first turn ", "strong"))
    elif picture.place.step == STOP_OUT:
        line.append((" REMOVE THE PISTON STOP BEFORE TURNING THE CRANK ", "alarm"))
    elif picture.back_up and picture.way < 0:
        line.append((" BACK UP past the mark and come forward again ", "alarm"))
    elif picture.back_up:
        line.append((f" TAKING UP SLACK: {picture.to_go_deg:.1f} deg to go; readings ignored until then ", "warn"))
    elif seen and picture.place.step in (ZERO, SWEEP) and picture.way > 0:
        line.append((" slack taken up, recording readings", "good"))
    if not picture.tdc_known and picture.place.step in (ZERO, SWEEP):
        line.append(("  TDC not located yet: keep turning to the index pulse", "warn"))
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
    places = 0 if asked.least >= 5 or not asked.unit else 1 if asked.least >= 0.1 else 3
    unit = f" {asked.unit}" if asked.unit else ""
    return f"{asked.text} {math.floor(have * 10**places) / 10**places:.{places}f}/{asked.least:g}{unit}"


def do(picture: Snapshot, width: int) -> list[Line]:
    """What a person does now."""
    what = _PLAYED if picture.played else picture.place.do
    return [line for text in what for line in wrapped(text, width, "strong")]


def link(state: LinkState, width: int) -> list[Line]:
    """How the link does."""
    shape, word, role = STATES[state.state]
    word = word if width >= 100 else word.split(":")[0]
    line: list[tuple[str, str]] = [(f" {shape} {word} ", role)]
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
    lines = [*wrapped(waits, width, "dim")[: height - len(lines)], *lines]
    return [()] * (height - len(lines)) + lines


def _message(message: Message, width: int) -> list[Line]:
    sign, role = {ERROR: ("‼", "bad"), WARNING: ("!", "warn")}.get(message.kind, ("·", "dim"))
    parts = textwrap.wrap(message.text, max(20, width - 4)) or [""]
    return [((f" {sign} " if k == 0 else "   ", role), (text, role)) for k, text in enumerate(parts)]


def panel(picture: Snapshot, width: int, height: int = 24) -> list[Line]:
    """The large panel of a step that has no curve; `height` lines of it are in sight."""
    step = picture.place.step
    if step == CAUTIONS:
        return _cautions(picture, width)
    lines: list[Line] = [()] + [need_line(asked) for asked in picture.needs]
    if step == RIG:
        lines += _rig(picture, width)
    elif step == STOP:
        from acquire.dashboard.stop_panel import stop_panel

        told = [asked for asked in picture.needs if not asked.text.startswith("contacts at")]
        return stop_panel(picture, needs_in_a_row(replace(picture, needs=tuple(told))) if told else [], width, height)
    elif step == TRAVEL:
        lines += _travel(picture)
    elif step == STOP_OUT:
        lines += [
            (),
            *wrapped(STOP_CAUTIONS[-1], width, "warn"),
            *wrapped("Press Enter once the piston stop is out.", width, "strong"),
        ]
    elif step in (RESULT, DONE):
        from acquire.dashboard.verdict_view import verdict

        lines = verdict(picture, width, height)
    if picture.waiting_for and step == TRAVEL:
        lines += [(), *wrapped(picture.waiting_for, width, "dim")]
    return lines


def _cautions(picture: Snapshot, width: int) -> list[Line]:
    lines: list[Line] = []
    for text in cautions("stop"):
        parts = textwrap.wrap(text, width - 5)
        lines += [((" ! " if k == 0 else "   ", "warn"), (part, "plain")) for k, part in enumerate(parts)]
    then = f" It continues where it was left: {picture.goes_on}." if picture.goes_on else ""
    lines += [(), *wrapped(f"Press Enter once you have read them.{then}", width, "strong")]
    if picture.job.engine.cylinders > 1:
        lines += wrapped(f"To be measured: {picture.to_measure}. Press c to choose others.", width, "plain")
    return lines


def _rig(picture: Snapshot, width: int) -> list[Line]:
    direction = picture.job.rig.direction
    said = "is taken from how you turn" if direction == "auto" else f"counts {direction}, as job.toml says"
    return [(), *wrapped(f"The direction of rotation {said}. Indicator at the {picture.job.rig.indicator_at}.", width, "dim")]


def _travel(picture: Snapshot) -> list[Line]:
    if picture.tdc is None:
        return [()]
    from analysis.base.words import one_sign, plus_minus

    return [(), ((f" top dead center at count {one_sign(plus_minus(picture.tdc.count))}", "good"),)]
