"""What moves the lines of a cam card together, and how a good camshaft, rightly fitted and measured, scatters about its card.

The lines of a card do not scatter one by one. What a fit or a grind gets wrong moves them together: the whole camshaft by a phase,
one lobe by its place, a flank by its width, a lift. Each such cause is a column; together with the measurement's own covariance
they make the covariance of the residuals (measured less specified).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.base.quantity import Quantity, covariance
from analysis.base.samples import Floats
from analysis.decision.card import VALVES, Asked
from analysis.job import Tolerance

# What a card's rounding and a reading's leftover put on each line by itself (deg, mm).
ROUNDING_DEG, ROUNDING_MM = 0.15, 0.01


@dataclass(frozen=True)
class Widths:
    """Standard deviations of what moves lines together: `camshaft` phase, one lobe's `place`, a `flank`, a flank at one lift
    (`ramp`), all in crank degrees, and a full `lift` in mm.
    """

    camshaft: float
    place: float
    flank: float
    ramp: float
    lift: float


def tolerated(tolerance: Tolerance) -> Widths:
    """What the job's tolerances say of a good camshaft: each is taken as two standard deviations of its own line."""
    return Widths(
        camshaft=tolerance.centerline_deg / 2,
        place=tolerance.separation_deg / 2,
        flank=tolerance.duration_deg / 4,
        ramp=tolerance.event_deg / 4,
        lift=tolerance.lift_mm / 2,
    )


def loadings(card: Sequence[Asked], widths: Widths, valves: Sequence[str] = VALVES) -> Floats:
    """What each common cause does to each line, by one standard deviation: of the camshaft and of the lobes of some `valves`.

    Shape (lines, causes).
    """
    levels = sorted({(a.valve, a.lift_mm, a.at) for a in card if a.lift_mm and a.valve in valves})
    columns: list[list[float]] = [[widths.camshaft * by_phase(a) for a in card]]
    for valve in valves:
        columns.append([widths.place * by_place(a, valve) for a in card])
        columns.append([widths.flank * by_flank(a) * (a.valve == valve) for a in card])
        columns.append([widths.lift * (a.valve == valve and a.is_length) for a in card])
    for level in levels:
        mine = [(a.valve, a.lift_mm, a.at) == level for a in card]
        columns.append([widths.ramp * by_opening(a) * here for a, here in zip(card, mine, strict=True)])
        columns.append([widths.ramp * by_closing(a) * here for a, here in zip(card, mine, strict=True)])
    return np.array(columns, dtype=np.float64).T


def by_phase(asked: Asked) -> float:
    """What a camshaft that stands a crank degree late does to a line."""
    return {"opens": 1.0, "closes": 1.0, "centerline": 1.0, "advance": -1.0}.get(asked.kind, 0.0)


def by_place(asked: Asked, valve: str) -> float:
    """What one lobe that stands a crank degree late does to a line."""
    if asked.kind == "separation":
        return 0.5 if valve == "intake" else -0.5
    if asked.kind == "advance":
        return -0.5
    return by_phase(asked) if asked.valve == valve else 0.0


def by_flank(asked: Asked) -> float:
    """What flanks that stand a crank degree further out each do to a line of their lobe."""
    return {"opens": -1.0, "closes": 1.0, "duration": 2.0}.get(asked.kind, 0.0)


def by_opening(asked: Asked) -> float:
    """What an opening that comes a crank degree late does to a line of its lift."""
    return {"opens": 1.0, "duration": -1.0}.get(asked.kind, 0.0)


def by_closing(asked: Asked) -> float:
    """What a closing that comes a crank degree late does to a line of its lift."""
    return {"closes": 1.0, "duration": 1.0}.get(asked.kind, 0.0)


def scatter(card: Sequence[Asked], measured: Sequence[Quantity | None], widths: Widths) -> Floats:
    """Covariance of the residuals. Shape (lines, lines)."""
    unread = Quantity(0.0)
    quantities = [q or unread for q in measured]
    of_measurement = np.array([[covariance(a, b) for b in quantities] for a in quantities]).reshape(len(card), len(card))
    common = loadings(card, widths)
    own = [ROUNDING_MM if a.is_length else ROUNDING_DEG for a in card]
    return np.asarray(of_measurement + common @ common.T + np.diag(np.square(own)))
