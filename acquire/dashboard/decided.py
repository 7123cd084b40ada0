"""The verdict in words and what to change, as the result steps show them first: the words of the sheet."""

from __future__ import annotations

from acquire.dashboard.text_lines import Line, wrapped
from analysis.decision.decide import Decision
from analysis.decision.verdict import Verdict, overall
from analysis.report.sentences import WORD, headline, story

ROLES: dict[Verdict, str] = {
    "within": "good",
    "outside": "bad",
    "cannot tell": "warn",
    "not compared": "dim",
    "inconclusive": "warn",
}
_EXPLAINED = "Advance: camshaft turned onward, events earlier. Retard: back, events later."


def decided(decision: Decision, valve: str, width: int) -> list[Line]:
    """The verdict on the lobe of `valve`, or on the whole job if that is empty or "both"; then likely cause and correction."""
    lines: list[Line] = []
    if decision.verdicts:
        whole = valve not in ("intake", "exhaust")
        mine = [line.verdict for line in decision.lines if line.asked.valve == valve and line.measured is not None]
        verdict = decision.verdict if whole else overall(mine)
        said = headline(decision) if whole else f"{valve.capitalize()} lobe: {WORD[verdict]}."
        lines += wrapped(said, width, ROLES[verdict])
    sentences = list(story(decision))
    correction = decision.correction
    if correction is not None and correction.wanted:
        sentences.append(_EXPLAINED)
    for sentence in sentences:
        lines += wrapped(sentence, width, "plain")
    return lines
