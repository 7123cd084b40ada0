"""What stands in each panel, as lines of text in roles: pure functions of a snapshot and a size."""

from __future__ import annotations

import math
import textwrap
from typing import Final

from acquire.dashboard.snapshot import Asked, Snapshot
from acquire.dashboard.text_lines import Line, plain, wrapped
from acquire.procedure.link_state import DISCONNECTED, ENDED, FAILED, LIVE, STALLED, WAITING, LinkState
from acquire.procedure.messages import ERROR, WARNING, Message
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from analysis.base.foreign import shown
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
_PLAYED: Final = ("A recorded capture is being replayed. Nothing is recorded.",)
_UNSEEN: Final = ("? NOT SEEN", "warn")  # without frames nobody knows whether it stands


def head(picture: Snapshot, width: int) -> list[Line]:
    """Where we are in the procedure, and on what engine."""
    where = "Replay" if picture.played else f"{picture.number}/{picture.of}"
    left = f" {where}  {picture.place.title} "
    engine = f" {shown(picture.job.engine.name) or 'engine without a name'}, cylinder {picture.cylinder} "
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
    places = 0 if asked.least >= 5 or not asked.unit else 1
    unit = f" {asked.unit}" if asked.unit else ""
    return f"{asked.text} {math.floor(have * 10**places) / 10**places:.{places}f}/{asked.least:g}{unit}"


def do(picture: Snapshot, width: int, *, short: bool = False) -> list[Line]:
    """What a person does now; `short`, only the first thing, and once that has been said to be done, the next."""
    what = _PLAYED if picture.played else picture.place.do
    if short:
        first = int(len(what) > 1 and any(asked.said and asked.met for asked in picture.needs))
        what = what[first : first + 1]
    return [line for text in what for line in wrapped(text, width, "plain")]


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
    lines = [*wrapped(waits, width, "dim")[: height - len(lines)], *lines]
    return [()] * (height - len(lines)) + lines


def _message(message: Message, width: int) -> list[Line]:
    sign, role = {ERROR: ("‼", "bad"), WARNING: ("!", "warn")}.get(message.kind, ("·", "dim"))
    parts = textwrap.wrap(message.text, max(20, width - 4)) or [""]
    return [((f" {sign} " if k == 0 else "   ", role), (text, role)) for k, text in enumerate(parts)]


def panel(picture: Snapshot, width: int) -> list[Line]:
    """The large panel of a step that has no curve."""
    step = picture.place.step
    if step == CAUTIONS:
        return _cautions(picture, width)
    lines: list[Line] = [()] + [need_line(asked) for asked in picture.needs]
    if step == RIG:
        lines += _rig(picture, width)
    elif step in (STOP, TRAVEL):
        lines += _contacts(picture, width)
    elif step == STOP_OUT:
        lines += [
            (),
            *wrapped(STOP_CAUTIONS[-1], width, "warn"),
            *wrapped("Press Enter once the piston stop is out.", width, "strong"),
        ]
    elif step in (RESULT, DONE):
        from acquire.dashboard.verdict import verdict

        lines = verdict(picture, width)
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


def _contacts(picture: Snapshot, width: int) -> list[Line]:
    contacts = picture.contacts
    if picture.place.step == TRAVEL or contacts is None:
        lines: list[Line] = [()]
    else:
        spread = [
            f"spread {deg:.2f} deg" if len(side) > 1 else ""
            for deg, side in zip(contacts.spread_deg, (contacts.low, contacts.high), strict=True)
        ]
        lines = [
            (),
            ((" ◀ lower count  ", "strong"), (_marks(contacts.low), "accent"), (f"  {spread[0]}", "dim")),
            ((" ▶ higher count ", "strong"), (_marks(contacts.high), "accent"), (f"  {spread[1]}", "dim")),
        ]
        if contacts.why:
            lines += wrapped(contacts.why, width, "bad")
        elif not math.isnan(contacts.tdc):
            lines += [
                plain(
                    f" arc not swept {contacts.unswept_deg:.1f} deg; its middle is top dead center, at count {contacts.tdc:.1f}"
                )
            ]
    if picture.tdc is not None:
        from analysis.base.words import plus_minus

        lines += [((f" top dead center at count {plus_minus(picture.tdc.count)}", "good"),)]
    return lines


def _marks(contacts: tuple[int, ...]) -> str:
    if not contacts:
        return "none yet"
    count = "1 contact, at" if len(contacts) == 1 else f"{len(contacts)} contacts, the last at"
    return f"{'● ' * min(len(contacts), 12)}{count} {contacts[-1]}"
