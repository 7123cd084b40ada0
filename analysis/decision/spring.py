"""What full lift leaves of the valve spring and of the retainer's way, and the spring's loads."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.base.quantity import Quantity
from analysis.decision.verdict import Verdict, judge
from analysis.job import Job
from analysis.lobe.result import Lobe


@dataclass(frozen=True)
class Margin:
    """A length that must not fall below its limit: `kind` is "coil bind" or "retainer to seal"."""

    kind: str
    valve: str
    measured: Quantity
    u95: float
    limit_mm: float
    verdict: Verdict
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Loads:
    """A valve spring's loads in newtons: on the seat, and at full lift."""

    valve: str
    seat_n: float
    open_n: Quantity


def margins(job: Job, lobe: Lobe) -> tuple[Margin, ...]:
    """Coil bind and retainer margins at full lift, as far as the job gives the spring's and the retainer's lengths."""
    valve, clearance, lift = lobe.swept.valve, job.clearance, lobe.peak_lift
    spring, gap = job.spring.of(valve), clearance.of(valve).retainer_gap_mm
    found = []
    if spring.installed_height_mm is not None and spring.coil_bind_mm is not None:
        left = -lift + (spring.installed_height_mm - spring.coil_bind_mm)
        found.append(_margin("coil bind", valve, left, clearance.coil_bind_limit_mm, job))
    if gap is not None:
        found.append(_margin("retainer to seal", valve, -lift + gap, clearance.retainer_limit_mm, job))
    return tuple(found)


def _margin(kind: str, valve: str, left: Quantity, limit: float, job: Job) -> Margin:
    u95 = left.u95
    return Margin(
        kind, valve, left, u95, limit, judge(left.value, u95, limit, math.inf, job.specification.tolerance.guard_band_factor)
    )


def loads(job: Job, lobe: Lobe) -> Loads | None:
    """Loads from the two on the spring's card, linear in height; None without them or the installed height."""
    spring = job.spring.of(lobe.swept.valve)
    rate, height, card, load = spring.rate_n_per_mm, spring.installed_height_mm, spring.closed_height_mm, spring.closed_load_n
    if rate is None or height is None or card is None or load is None:
        return None
    seat = load + rate * (card - height)
    return Loads(lobe.swept.valve, seat, (lobe.peak_lift * rate + seat).labelled("N"))
