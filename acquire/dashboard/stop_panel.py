"""The panel of the piston stop: which side to go to, and the contacts of both sides drawn large."""

from __future__ import annotations

import math
from typing import Final

from acquire.dashboard.bigtext import big
from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.text_lines import Line, plain, wrapped
from acquire.procedure.steps import CONTACTS
from analysis.base.words import one_sign, plus_minus

_TWICE: Final = (152, 26)  # columns and lines from which on digits are twice as large


def stop_panel(picture: Snapshot, needs: list[Line], width: int, height: int) -> list[Line]:
    """The next move first, then both sides, then `needs` and what the contacts come to."""
    contacts = picture.contacts
    lines: list[Line] = wrapped(next_move(picture), width, "strong")
    if contacts is None:
        return [*lines, *needs]
    scale = 2 if width >= _TWICE[0] and height >= _TWICE[1] else 1
    counted, spreads, last = picture.counts.contacts, contacts.spread_deg, (contacts.low, contacts.high)
    sides = [
        (
            (" ◀ contacts turning backward", " ▶ contacts turning forward")[ahead],
            big(f"{min(counted[k], 99)}/{CONTACTS}", scale),
            "good" if counted[k] >= CONTACTS else "strong",
            f" last at count {last[k][-1]}, spread {spreads[k]:.2f} deg" if last[k] else " none yet",
        )
        for ahead, k in enumerate(behind_and_ahead(picture))
    ]
    half = width // 2
    (left, near, near_role, under_left), (right, far, far_role, under_right) = sides
    lines += [((f"{left:<{half}}", "strong"), (right, "strong"))]
    lines += [((f" {a:<{half - 1}}", near_role), (f" {b}", far_role)) for a, b in zip(near, far, strict=True)]
    lines += [((f"{under_left:<{half}}", "dim"), (under_right, "dim")), *needs]
    if contacts.why:
        return [*lines, *wrapped(contacts.why, width, "bad")]
    if picture.tdc is not None:
        return [*lines, ((f" top dead center at count {one_sign(plus_minus(picture.tdc.count))}", "good"),)]
    if not math.isnan(contacts.tdc):
        lines.append(
            plain(f" arc not swept {contacts.unswept_deg:.1f} deg; top dead center is its middle, at count {contacts.tdc:.1f}")
        )
    return lines


def behind_and_ahead(picture: Snapshot) -> tuple[int, int]:
    """Which side of the stop, the lower count or the higher, is met turning backward, and which turning forward: the lower lies
    behind, unless the encoder counts down as the engine turns forward.
    """
    return (0, 1) if picture.forward >= 0 else (1, 0)


def next_move(picture: Snapshot) -> str:
    """Which way to turn now, and how far."""
    contacts, counted = picture.contacts, picture.counts.contacts
    if not picture.said and not picture.played:
        return "Fit the piston stop, then press Enter."
    if contacts is not None and min(counted) >= CONTACTS and not contacts.agree and not contacts.why:
        return "The contacts of a side lie apart. Meet the stop on both sides again, without force."
    if picture.armed or picture.way == 0:
        return "Turn slowly, either way, until the piston touches the stop."
    if picture.way > 0:
        return "Go on FORWARD until the piston touches the stop, then turn BACKWARD."
    return "Go on BACKWARD until the piston touches the stop, then turn FORWARD."
