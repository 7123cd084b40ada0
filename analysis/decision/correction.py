"""What to change: by how many crank degrees the camshaft is to be advanced or retarded, and what becomes of everything then.

How late a camshaft stands is read from every line of the card that turning it moves, weighted by generalized least squares with
the covariance of decision/effects.py. A duration, a lift or the angle between lobes on one shaft no turning can change: those that
are off point to the parts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from types import MappingProxyType

import numpy as np

from analysis.base.quantity import Quantity, linear_combination
from analysis.base.samples import Floats
from analysis.decision.card import VALVES
from analysis.decision.effects import Widths, by_phase, by_place, scatter, tolerated
from analysis.decision.verdict import Line, Verdict, judge, judge_lateness
from analysis.job import Job

EXPLAINED = (
    "To advance is to turn the camshaft further in its direction of rotation against the crank: every event comes earlier. "
    "To retard is the other way: every event comes later."
)
_SMALLEST_DEG = 0.1  # where any amount can be set: nobody sets finer


@dataclass(frozen=True)
class Move:
    """What one camshaft wants. `late`: crank degrees by which it stands late (negative: early), and `verdict` on that.

    `advance_deg`: what to advance it by (negative: retard; 0: leave it). `position_deg` is the timing set's mark for it, in the
    job's degrees, None where any amount can be set; `teeth` by how many teeth the wheel must go besides. `cylinders`: those of
    which `late` is the mean.
    """

    camshaft: str
    valves: tuple[str, ...]
    late: Quantity
    u95: float
    verdict: Verdict
    advance_deg: float
    position_deg: float | None = None
    teeth: int = 0
    cylinders: tuple[int, ...] = ()

    @property
    def left_deg(self) -> float:
        """How late it stands after the change."""
        return self.late.value - self.advance_deg


@dataclass(frozen=True)
class Correction:
    """What to change. `moves`, one for each camshaft; `after`, the card's lines as they become; `unmoved`, lines that are outside
    and that no turning changes.
    """

    moves: tuple[Move, ...]
    after: tuple[Line, ...]
    unmoved: tuple[Line, ...]

    @property
    def wanted(self) -> bool:
        """Whether anything is to be turned."""
        return any(move.advance_deg != 0.0 for move in self.moves)

    def advance_of(self, valve: str) -> float:
        """By how many crank degrees the lobe of a valve is advanced."""
        return sum(move.advance_deg for move in self.moves if valve in move.valves)


def correct(
    job: Job, lines: Sequence[Line], turn: bool = True, others: Mapping[int, Sequence[Line]] = MappingProxyType({})
) -> Correction | None:
    """What to change, from the card's lines as compared; None if none of them says where the camshaft stands.

    `turn`: False where something else than the camshaft's place explains the lines, so that nothing is to be turned. `others`: the
    lines of further cylinders. A camshaft turns as a whole: where all cylinders say the same of it within the tolerance of the
    centerline, their mean counts, else the first.
    """
    cylinders = {job.measure.cylinder: lines, **others}
    moves = tuple(move for name, valves in _camshafts(job) if (move := _move(job, cylinders, name, valves)) is not None)
    if not moves or not (turn or all(move.advance_deg == 0.0 for move in moves)):
        return None
    turned = np.zeros(len(lines))
    movable = np.zeros(len(lines), dtype=bool)
    for move in moves:
        effect = _effect(lines, move.valves)
        turned += move.advance_deg * effect
        movable |= effect != 0
    after = tuple(_after(job, line, float(by)) for line, by in zip(lines, turned, strict=True))
    unmoved = tuple(line for line, moves_it in zip(lines, movable, strict=True) if line.verdict == "outside" and not moves_it)
    return Correction(moves, after, unmoved)


def _camshafts(job: Job) -> tuple[tuple[str, tuple[str, ...]], ...]:
    if job.timing_set.camshafts == 1:
        return (("camshaft", VALVES),)
    return tuple((f"{valve} camshaft", (valve,)) for valve in VALVES)


def _effect(lines: Sequence[Line], valves: tuple[str, ...]) -> Floats:
    """What a crank degree of lateness of the lobes of some valves does to each line."""
    asked = [line.asked for line in lines]
    if valves == VALVES:
        return np.array([by_phase(a) for a in asked])
    return np.array([by_place(a, valves[0]) if a.valve else 0.0 for a in asked])


def _move(job: Job, cylinders: Mapping[int, Sequence[Line]], name: str, valves: tuple[str, ...]) -> Move | None:
    each = {c: late for c, lines in cylinders.items() if (late := _late(job, lines, _effect(lines, valves))) is not None}
    if not each:
        return None
    alike = _agreeing(job, each)
    late = linear_combination(*((1 / len(alike), found) for found in alike.values()))
    u95, verdict = late.u95, judge_lateness(job, late)
    if verdict == "within":
        return Move(name, valves, late, u95, verdict, 0.0, _fitted(job), cylinders=tuple(alike))
    advance, position, teeth = _nearest(job, late.value)
    return Move(name, valves, late, u95, verdict, advance, position, teeth, tuple(alike))


def _agreeing(job: Job, late: Mapping[int, Quantity]) -> dict[int, Quantity]:
    """All cylinders if none of them stands elsewhere than the first, else the first alone."""
    (first, base), *others = late.items()
    alike = all(judge_lateness(job, other - base) != "outside" for _, other in others)
    return dict(late) if alike else {first: base}


def _late(job: Job, lines: Sequence[Line], effect: Floats) -> Quantity | None:
    """By how much the lines that `effect` moves stand late."""
    used = [k for k, line in enumerate(lines) if effect[k] != 0 and line.measured is not None and line.verdict != "inconclusive"]
    if not used:
        return None
    asked = [lines[k].asked for k in used]
    measured = [lines[k].measured for k in used]
    widths: Widths = replace(tolerated(job.specification.tolerance), camshaft=0.0)
    pull = np.linalg.solve(scatter(asked, measured, widths), effect[used])
    weight = pull / float(pull @ effect[used])
    return linear_combination(
        *((float(w), q - a.value) for w, q, a in zip(weight, measured, asked, strict=True) if q is not None)
    )


def _fitted(job: Job) -> float | None:
    return job.timing_set.position_deg if job.timing_set.positions_deg else None


def _nearest(job: Job, late: float) -> tuple[float, float | None, int]:
    """The change that comes nearest: crank degrees of advance, the mark, and teeth. The fewest teeth, where two come as near."""
    timing = job.timing_set
    tooth = 720.0 / timing.teeth if timing.teeth else 0.0
    if not timing.positions_deg:
        return round(late / _SMALLEST_DEG) * _SMALLEST_DEG, None, 0
    factor = 2.0 if timing.positions_in == "cam" else 1.0
    marks = [(factor * (mark - timing.position_deg), mark) for mark in timing.positions_deg]
    choices = [(by + k * tooth, mark, k) for (by, mark), k in product(marks, (0, 1, -1, 2, -2) if tooth else (0,))]
    return min(choices, key=lambda choice: (round(abs(late - choice[0]), 6), abs(choice[2])))


def _after(job: Job, line: Line, by: float) -> Line:
    """A line as it becomes. What turning does not change, and what could not be compared, stays."""
    if line.measured is None or by == 0.0 or line.verdict == "inconclusive":
        return line
    moved = line.measured - by
    low, high = line.limits
    verdict = judge(moved.value, line.u95, low, high, job.specification.tolerance.guard_band_factor)
    return replace(line, measured=moved, verdict=verdict)
