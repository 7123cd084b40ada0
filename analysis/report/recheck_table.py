"""A re-check as a table in plain text: before, as predicted, as measured again, and how far off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.base.words import fine, value
from analysis.decision.recheck import Again


def recheck_table(found: Sequence[Again]) -> Iterator[str]:
    """The lines, at most 78 columns wide; * marks what does not agree."""
    yield f"{'':<26}{'before':>12}{'predicted':>12}{'again':>12}{'off':>8} +/-"
    for each in found:
        places = fine(each.u95, each.before.unit)
        numbers = "".join(f"{value(q):>12}" for q in (each.before, each.before.moved(each.predicted), each.after))
        mark = "" if each.verdict == "within" else " *"
        yield f"{each.name:<26}{numbers}{each.difference:>+8.{places}f} {each.u95:.{places}f}{mark}"
