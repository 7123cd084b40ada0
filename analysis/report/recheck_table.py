"""A re-check as a table in plain text: before, as predicted, as measured again, and how far off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.base.words import MM_PER, Units, fine, in_units, value
from analysis.decision.recheck import Again


def recheck_table(found: Sequence[Again], units: Units) -> Iterator[str]:
    """The lines, at most 78 columns wide; * marks what does not agree."""
    yield f"{'':<26}{'before':>12}{'predicted':>12}{'again':>12}{'off':>8} +/-"
    for each in found:
        is_length = each.before.unit == "mm"
        per = MM_PER[units] if is_length else 1.0
        off, u95 = each.difference / per, each.u95 / per
        places = fine(u95, units if is_length else each.before.unit)
        off = round(off, places) + 0.0
        numbers = "".join(f"{value(q, units):>12}" for q in (each.before, each.before.moved(each.predicted), each.after))
        mark = "" if each.verdict == "within" else " *"
        yield f"{in_units(each.name, units, each.before.unit):<26}{numbers}{off:>+8.{places}f} {u95:.{places}f}{mark}"
