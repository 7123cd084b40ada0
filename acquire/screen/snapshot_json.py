"""What the page is told, as JSON values: pure functions of a snapshot. Words and roles are those of the live screen."""

from __future__ import annotations

import re
from typing import Any, Final

import numpy as np

from acquire.dashboard import panels, tracing
from acquire.dashboard.decided import decided
from acquire.dashboard.snapshot import Asked, Snapshot
from acquire.dashboard.stop_panel import behind_and_ahead, next_move
from acquire.dashboard.text_lines import Line
from acquire.procedure.steps import CAUTIONS, CONTACTS, DONE, RESULT, STOP, STOP_OUT, SWEEP, ZERO
from analysis.base.foreign import harmless, shown
from analysis.base.safety import STOP as STOP_CAUTIONS
from analysis.base.safety import cautions
from analysis.base.samples import Floats
from analysis.decision.decide import Decision
from analysis.live.trace import CELLS
from analysis.report.sentences import change

COLUMNS: Final = 360  # of the curve: two crank degrees each, finer than a phone's screen draws it
_SENTENCE: Final = re.compile(r"(?<=[.!])\s+(?=[A-Z])")
_MESSAGES: Final = 3
_WHOLE: Final = 1 << 16  # columns: the page breaks the lines


def picture_json(picture: Snapshot) -> dict[str, Any]:
    """Everything but the curve. `cursor` is the crank on it, in degrees from overlap TDC, or None."""
    step = picture.place.step
    link = picture.link
    shape, word, role = panels.STATES[link.state]
    reads = step not in (CAUTIONS, RESULT, DONE)
    return {
        "where": "Replay" if picture.played else f"{picture.number}/{picture.of}",
        "title": picture.place.title,
        "engine": shown(picture.job.engine.name) or "engine without a name",
        "readings": _readings(picture) if reads else None,
        "banner": [[text.strip(), role] for text, role in (panels.banner(picture)[0] if reads else ())],
        "do": _do(picture),
        "needs": [_need(asked) for asked in picture.needs],
        "panel": [["".join(text for text, _ in line).strip(), line[0][1]] for line in _panel(picture) if line],
        "messages": [[harmless(message.text), message.kind] for message in picture.messages[-_MESSAGES:]],
        "link": {"shape": shape, "word": word, "role": role, "file": link.file, "rows": link.rows, "lost": link.lost},
        "cursor": None if picture.cursor is None else round(picture.cursor, 1),
        "sounds": _sounds(picture),
    }


def curve_json(picture: Snapshot) -> dict[str, Any] | None:
    """The lift in mm from the base circle, `COLUMNS` cells from -360 crank degrees on (None where nothing was seen), or None.

    `bottom` and `top` bound the picture; `label` is what stands at `top`. `marks`: [deg, mm] of the specification's events.
    """
    curve = picture.curve
    if curve is None:
        return None
    units = picture.job.measure.units
    low, high, bottom, top = tracing.drawn(curve, units)
    return {
        "valve": curve.valve,
        "low": _cells(np.fmin.reduce(low.reshape(COLUMNS, CELLS // COLUMNS), axis=1)),
        "high": _cells(np.fmax.reduce(high.reshape(COLUMNS, CELLS // COLUMNS), axis=1)),
        "bottom": bottom,
        "top": top,
        "label": f"{top / 25.4:.2f} in" if units == "in" else f"{top:.0f} mm",
        "marks": [[round(deg, 1), round(mm, 3)] for deg, mm in curve.marks],
        "axis": [[deg, word] for deg, word in tracing.AXIS] if picture.tdc_known else [],
    }


def _do(picture: Snapshot) -> list[str]:
    """What to do, a sentence each, the next move first: what has been confirmed is done."""
    said = " ".join("".join(text for text, _ in line).strip() for line in panels.do(picture, _WHOLE))
    sentences = _SENTENCE.split(said)
    if picture.place.step == STOP and picture.said and not picture.played:
        return [next_move(picture), *sentences[1:]]
    return sentences[1:] if len(sentences) > 1 and any(asked.said and asked.met for asked in picture.needs) else sentences


def _readings(picture: Snapshot) -> list[dict[str, str]]:
    """The crank's angle, and the lift; at the piston stop the contacts of both sides, which are counted there."""
    angle, word = panels.angle_words(picture)
    lift, unit = panels.lift_words(picture)
    crank = {"name": "crank degrees" if picture.tdc_known else "crank degrees, TDC not known yet", "number": angle, "word": word}
    if picture.place.step == STOP and picture.contacts is not None:
        met = "  ".join(f"{min(picture.counts.contacts[k], 99)}/{CONTACTS}" for k in behind_and_ahead(picture))
        return [crank, {"name": "contacts turning backward, turning forward", "number": met, "word": ""}]
    name = "lift from the base circle" if picture.zeroed else "reading of the indicator"
    return [crank, {"name": name, "number": lift, "word": unit}]


def _need(asked: Asked) -> dict[str, Any]:
    """A need as the live screen says it. What a person must confirm is confirmed there."""
    words = f"{asked.text}: press Enter on the live screen" if asked.said and not asked.met else panels.need_line(asked)[1][0]
    counted = asked.least > 1
    return {"text": words, "met": asked.met, "share": round(min(1.0, asked.have / asked.least), 3) if counted else None}


def _panel(picture: Snapshot) -> list[Line]:
    """What a step says beside its needs, a paragraph a line."""
    step = picture.place.step
    if step == CAUTIONS:
        then = f"It continues where it was left: {picture.goes_on}." if picture.goes_on else ""
        return [*(((text, "warn"),) for text in cautions("stop")), *([((then, "plain"),)] if then else [])]
    if step == STOP_OUT:
        return [((STOP_CAUTIONS[-1], "warn"),)]
    if step == STOP and picture.contacts is not None and picture.contacts.why:
        return [((picture.contacts.why, "bad"),)]
    if step in (RESULT, DONE):
        valve = "" if step == DONE else picture.place.valve
        waits = picture.waiting_for or "The result is being worked out."
        return _decided(picture.decision, valve) if picture.decision is not None else [((waits, "dim"),)]
    return []


def _decided(decision: Decision, valve: str) -> list[Line]:
    """The verdict and what follows; what is to be changed stands out."""
    moves = {sentence.replace("+/-", "±") for sentence in change(decision)}
    lines = [("".join(text for text, _ in line).strip(), line[0][1]) for line in decided(decision, valve, _WHOLE)]
    return [((text, "strong" if text in moves else role),) for text, role in lines]


def _sounds(picture: Snapshot) -> dict[str, Any]:
    """Values that change where the page sounds a tone: contacts grow, slack is taken up, another place comes."""
    contacts = picture.contacts
    measures = picture.place.step in (ZERO, SWEEP)
    return {
        "contacts": 0 if contacts is None or picture.place.step != STOP else len(contacts.low) + len(contacts.high),
        "slack": bool(measures and picture.back_up),
        "place": "/".join(map(str, picture.place)),
    }


def _cells(cells: Floats) -> list[float | None]:
    return [None if np.isnan(mm) else round(mm, 2) for mm in cells.tolist()]
