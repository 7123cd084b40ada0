"""The decision as the largest thing on a result screen: what to turn the camshaft by, else the word of the verdict."""

from __future__ import annotations

from typing import Final

from acquire.dashboard.bigtext import HEIGHT, big
from acquire.dashboard.decided import ROLES
from acquire.dashboard.text_lines import Line, wrapped
from analysis.decision.correction import Move
from analysis.decision.decide import Decision
from analysis.decision.verdict import Verdict, overall

_WORDS: Final[dict[Verdict, str]] = {
    "within": "WITHIN",
    "outside": "OUT",
    "cannot tell": "INCONCLUSIVE",
    "inconclusive": "INCONCLUSIVE",
    "not compared": "NOT MEASURED",
}
_TWICE: Final = (152, 40)  # columns and lines from which on letters are twice as large, as those of the readings


def large_decision(decision: Decision, valve: str, width: int, height: int) -> list[Line]:
    """The moves that are wanted, in large letters where they take at most half of `height` lines, and each as a line below; where
    none is, the verdict on the lobe of `valve`, or on the job if that is empty or "both".
    """
    correction = decision.correction
    moves = [] if correction is None else [move for move in correction.moves if move.advance_deg]
    if not moves:
        verdict = _verdict(decision, valve)
        return _large(_WORDS[verdict], ROLES[verdict], width, height) if decision.verdicts else []
    drawn = [_large(_turn(move), "strong", width, height) for move in moves]
    fit = 2 * sum(len(lines) + 2 for lines in drawn) <= height or (len(moves) == 1 and height > 3 * HEIGHT)
    lines: list[Line] = []
    for move, large in zip(moves, drawn, strict=True):
        which = f"{move.camshaft}: " if len(moves) > 1 else ""
        lines += [*(large if fit else ()), *wrapped(which + said(move), width, "strong")]
    return lines


def said(move: Move) -> str:
    """ "RETARD 3 crank degrees: position -4"."""
    text = f"{_turn(move)} crank degrees"
    if move.position_deg is not None:
        text += f": position {move.position_deg:+g}"
    if move.teeth:
        text += f", and {abs(move.teeth)} {'tooth' if abs(move.teeth) == 1 else 'teeth'} {'onward' if move.teeth > 0 else 'back'}"
    return text


def _turn(move: Move) -> str:
    return f"{'ADVANCE' if move.advance_deg > 0 else 'RETARD'} {abs(move.advance_deg):g}"


def _verdict(decision: Decision, valve: str) -> Verdict:
    if valve not in ("intake", "exhaust"):
        return decision.verdict
    return overall([line.verdict for line in decision.lines if line.asked.valve == valve and line.measured is not None])


def _large(text: str, role: str, width: int, height: int) -> list[Line]:
    scale = 2 if width >= _TWICE[0] and height >= _TWICE[1] else 1
    rows = big(text, scale)
    if len(rows[0]) + 1 > width or len(rows) + 2 > height:
        return [((f" {text}", role),)]
    return [((" " + row, role),) for row in rows]
