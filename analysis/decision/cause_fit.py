"""Which causes explain the lines of the card, and which of those are likely.

What a cause leaves of each line is held against a yardstick: half the line's tolerance together with the measurement's standard
uncertainty and the card's rounding. A cause EXPLAINS the lines if it leaves none of them off by more than `EXPLAINED` yardsticks
and reads every line that a rival reads which explains them. Its cost is the sum of squares of what it leaves, and `PRICE` for each
number that was fitted. The cheapest is the likely one, and all that cost no more than `ALIKE` above it are said beside it.

Another camshaft than the card's explains nearly anything; its price is all the durations and lifts that it must happen to have. So
it is what is left where nothing else explains the lines, and it is said first where no more than one number speaks for its rival.
No cause has a probability: what was not tested cannot be weighed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np
from scipy import optimize

from analysis.base.quantity import Quantity
from analysis.base.samples import Floats
from analysis.decision.card import Asked
from analysis.decision.cause import Cause, Fit, Otherwise, Scene, Shift
from analysis.decision.effects import ROUNDING_DEG, ROUNDING_MM, by_phase, by_place
from analysis.decision.reinterpret import values

EXPLAINED: Final = 3.0
PRICE: Final = 4.0
ALIKE, ALIKE_OPEN = 6.0, 8.0
# A line that a cause cannot read costs as much as one that it leaves off by four yardsticks.
UNREAD: Final = 16.0
MOST_LATE_DEG: Final = 30.0
_TRIED: Final = 25  # values of a cause's own number, before the best is refined


def yardstick(lines: Sequence[Asked], measured: Sequence[Quantity | None]) -> Floats:
    """By how much a line is off by right, mm or degrees. Shape (lines,)."""
    rounding = [ROUNDING_MM if a.is_length else ROUNDING_DEG for a in lines]
    u = [0.0 if q is None else q.u for q in measured]
    return np.asarray(np.sqrt(np.square([a.tolerance / 2 for a in lines]) + np.square(u) + np.square(rounding)))


def asked(lines: Sequence[Asked]) -> Floats:
    """What the card asks for. Shape (lines,)."""
    return np.array([a.value for a in lines], dtype=np.float64)


def likely(scene: Scene, table: Sequence[Cause], specified: Cause, sticks: Floats) -> list[Fit]:
    """The likely causes of a table, the likeliest first, one of each kin; none where the card explains the lines as it stands.

    `specified` is the entry that changes nothing; `sticks` the yardsticks.
    """
    shifts = _shifts(scene)
    fits = [fit for cause in table for fit in _fits(scene, cause, sticks, shifts)]
    other = _other_lobes(scene, fits, specified, sticks)
    fits = [fit for fit in fits if not fit.otherwise.open_ended or other.issuperset(fit.otherwise.about or scene.valves)]
    explaining = _reading_all([fit for fit in fits if _explains(fit, sticks)])
    kept = [fit for fit in explaining if not any(_simpler(other, fit, specified) for other in explaining)]
    if not kept:
        return []
    best = min(fit.cost for fit in kept)
    near = [fit for fit in kept if fit.cost <= best + (ALIKE_OPEN if fit.otherwise.open_ended else ALIKE)]
    if any(fit.cause is specified and fit.shift is None for fit in near):
        return []
    found: dict[str, Fit] = {}
    for fit in sorted(near, key=lambda fit: (not (fit.otherwise.open_ended and fit.cost <= best + PRICE), fit.cost)):
        found.setdefault(fit.otherwise.kin or f"{fit.cause.code} {fit.about}", fit)
    return list(found.values())


def _explains(fit: Fit, sticks: Floats) -> bool:
    off = np.abs(fit.left) / sticks
    read = ~np.isnan(off)
    return bool(read.any()) and bool(np.all(off[read] <= EXPLAINED))


def _other_lobes(scene: Scene, fits: Sequence[Fit], specified: Cause, sticks: Floats) -> set[str]:
    """The valves of which a duration or a lift is not the card's as it stands: only their lobes may be others."""
    plain = next((fit.left / sticks for fit in fits if fit.cause is specified and fit.shift is None), None)
    if plain is None:
        return set()
    return {
        a.valve
        for a, off in zip(scene.card, plain, strict=True)
        if (a.kind == "duration" or a.is_length) and not abs(off) <= EXPLAINED
    }


def _reading_all(fits: Sequence[Fit]) -> list[Fit]:
    """Those that read every line that any of them reads."""
    if not fits:
        return []
    read = np.any([~np.isnan(fit.left) for fit in fits], axis=0)
    return [fit for fit in fits if not np.isnan(fit.left[read]).any()]


def _simpler(other: Fit, fit: Fit, specified: Cause) -> bool:
    """Whether `other` is `fit` with less to it, and no dearer: the same with the camshaft in its place, or the card as it stands in
    place of another reading, the camshaft standing off in the same way or not at all. A reading that costs nothing by itself must
    gain by what a number costs.
    """
    if other is fit:
        return False
    if other.otherwise is fit.otherwise:
        return other.shift is None and other.cost <= fit.cost
    plain = other.cause is specified and fit.cause is not specified
    free = fit.otherwise.between is None and not fit.otherwise.freedoms
    less = other.shift is None or other.shift is fit.shift or fit.otherwise.open_ended
    return plain and less and other.cost <= fit.cost + PRICE * free


def _shifts(scene: Scene) -> list[Shift]:
    """How a camshaft can stand off: the whole of it, or one of two."""
    found = [Shift("camshaft", (), np.array([by_phase(a) for a in scene.card]))]
    if scene.job.timing_set.camshafts == 2:
        found += [Shift(f"{v} camshaft", (v,), np.array([by_place(a, v) for a in scene.card])) for v in scene.valves]
    return [shift for shift in found if shift.effect.any()]


def _fits(scene: Scene, cause: Cause, sticks: Floats, shifts: Sequence[Shift]) -> Iterator[Fit]:
    """Each reading of a cause at its best, without and with a camshaft that stands off besides."""
    for otherwise in cause.readings(scene):
        tried = {x: _residual(scene, otherwise, x) for x in _grid(otherwise)}
        if all(np.isnan(residual).all() for residual in tried.values()):
            continue
        for shift in (None, *shifts) if otherwise.late_besides else (None,):
            fit = _best(scene, cause, otherwise, tried, sticks, shift)
            if abs(fit.late) <= MOST_LATE_DEG:
                yield fit


def _grid(otherwise: Otherwise) -> list[float]:
    return [0.0] if otherwise.between is None else np.linspace(*otherwise.between, _TRIED).tolist()


def _residual(scene: Scene, otherwise: Otherwise, x: float) -> Floats:
    lines = otherwise.card(x)
    return values(lines, scene.lobes, otherwise.reading(x)) - asked(lines)


def _best(
    scene: Scene, cause: Cause, otherwise: Otherwise, tried: Mapping[float, Floats], sticks: Floats, shift: Shift | None
) -> Fit:
    """The cause's own number by least squares, first among those `tried`, then between its neighbours."""
    columns = [takes for takes in (otherwise.takes, None if shift is None else shift.effect[:, None]) if takes is not None]
    takes = np.hstack(columns) if columns else np.zeros((sticks.size, 0))
    price = PRICE * (otherwise.freedoms + (otherwise.between is not None) + (shift is not None))

    def at(x: float, residual: Floats) -> Fit:
        left, taken = _taken(residual, takes, sticks)
        cost = price + float(np.nansum((left / sticks) ** 2)) + UNREAD * int(np.isnan(left).sum())
        return Fit(cause, otherwise, x, left, cost, shift, 0.0 if shift is None else float(taken[-1]))

    first = min((at(x, residual) for x, residual in tried.items()), key=lambda fit: fit.cost)
    if otherwise.between is None:
        return first
    low, high = otherwise.between
    step = (high - low) / (_TRIED - 1)
    found = optimize.minimize_scalar(
        lambda x: at(x, _residual(scene, otherwise, x)).cost,
        bounds=(max(low, first.value - step), min(high, first.value + step)),
        method="bounded",
        options={"xatol": 1e-3 * step},
    )
    return min(first, at(float(found.x), _residual(scene, otherwise, float(found.x))), key=lambda fit: fit.cost)


def _taken(residual: Floats, takes: Floats, sticks: Floats) -> tuple[Floats, Floats]:
    """What is left of the residuals, and how much of each column was taken off, by least squares over the lines that are read."""
    read = ~np.isnan(residual)
    if not takes.shape[1] or not read.any():
        return residual, np.zeros(takes.shape[1])
    taken, *_ = np.linalg.lstsq(takes[read] / sticks[read, None], residual[read] / sticks[read])
    return np.asarray(residual - takes @ taken), np.asarray(taken)
