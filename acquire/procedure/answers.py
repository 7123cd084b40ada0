"""What a person types where the procedure asks: which cylinders are measured, and how far the timing set was moved."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from acquire.procedure.session import Choice, Moved
from analysis.base.errors import UsageError
from analysis.decision.correction import Correction

_FURTHEST_DEG: Final = 90.0  # further no timing set is moved


def moved_by(correction: Correction, text: str) -> Moved:
    """How the timing set was moved, from crank degrees of advance as a person writes them, one number for each camshaft. The mark is
    known where it was moved as the correction asks. UsageError for anything else.
    """
    try:
        by = [float(word) for word in text.replace(",", " ").split()]
    except ValueError:
        by = []
    if len(by) != len(correction.moves) or not all(abs(deg) <= _FURTHEST_DEG for deg in by):
        many = "one number" if len(correction.moves) == 1 else f"{len(correction.moves)} numbers"
        raise UsageError(f"{text!r} are no degrees of advance", do=f"Write {many}, such as -4 for four degrees of retard")
    advanced = {valve: deg for move, deg in zip(correction.moves, by, strict=True) for valve in move.valves}
    if not any(by):
        raise UsageError("nothing was moved", do="Go on, or say by how many degrees it was moved")
    as_asked = all(deg == move.advance_deg for move, deg in zip(correction.moves, by, strict=True))
    marks = {move.position_deg for move in correction.moves}
    return Moved(advanced, marks.pop() if as_asked and len(marks) == 1 else None)


def to_measure(text: str, firing_order: Sequence[int], own: int, valves: Sequence[str]) -> Choice:
    """What a person asks for: "all", "1,3,4,2", "3 exhaust". In firing order from the job's own cylinder on; `valves` if none is
    named. UsageError for a cylinder or a word that there is not.
    """
    asked = text.replace(",", " ").lower().split()
    named = [word for word in asked if word in ("intake", "exhaust")]
    numbers = {int(word) for word in asked if word.isdecimal()}
    unknown = [word for word in asked if word not in (*named, "all") and not word.isdecimal()]
    unknown += [str(number) for number in sorted(numbers - set(firing_order))]
    if unknown:
        order = ", ".join(map(str, firing_order))
        raise UsageError(f"there is no cylinder or valve {unknown[0]!r}", do=f"Choose all, or of the cylinders {order}")
    if "all" in asked or not numbers:
        numbers = set(firing_order) if "all" in asked else {own}
    first = list(firing_order).index(own)
    order_from_own = (*firing_order[first:], *firing_order[:first])
    one_sweep = tuple(valves) == ("both",)
    return Choice(
        tuple(each for each in order_from_own if each in numbers),
        tuple(valves) if one_sweep or not named else tuple(valve for valve in ("intake", "exhaust") if valve in named),
        own,
    )
