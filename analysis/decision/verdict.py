"""Within, outside, or cannot tell: the decision rule of ISO 14253-1 and JCGM 106:2012 (8.3.2), line by line.

From each limit a guard band is kept: the expanded uncertainty, times the factor that the job states. What lies inside the
limits by more than that is within, what lies outside them by more than that is outside, and what is left straddles a limit.
A number that a finding makes doubtful is not judged: it is inconclusive.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from analysis.base.quantity import Quantity
from analysis.decision.card import Asked, card
from analysis.decision.comparable import Comparable, comparables
from analysis.job import Job
from analysis.lobe.result import Measurement

Verdict = Literal["within", "outside", "cannot tell", "not compared", "inconclusive"]
RULE = (
    "Within: inside the limits by more than the 95 % expanded uncertainty; outside: beyond them by more than it; else it cannot "
    "be told (ISO 14253-1, JCGM 106)."
)
RULE_SCALED = (
    "Within: inside the limits by more than {factor:g} times the 95 % expanded uncertainty; outside: beyond them by more than that; "
    "else it cannot be told (guard band of JCGM 106)."
)


@dataclass(frozen=True)
class Line:
    """One number held against the card. `how` says how it was made comparable, or why it could not be; `doubts` are the codes of
    the findings for which it was not judged.
    """

    asked: Asked
    measured: Quantity | None
    u95: float
    verdict: Verdict
    how: str = ""
    doubts: tuple[str, ...] = ()

    @property
    def difference(self) -> float | None:
        """Measured less specified."""
        return None if self.measured is None else self.measured.value - self.asked.value

    @property
    def limits(self) -> tuple[float, float]:
        """What the card and its tolerance allow."""
        return self.asked.value - self.asked.tolerance, self.asked.value + self.asked.tolerance


def rule(job: Job) -> str:
    """The decision rule in one sentence, as the sheet states it."""
    factor = job.specification.tolerance.guard_band_factor
    return RULE if factor == 1.0 else RULE_SCALED.format(factor=factor)


def judge(value: float, u95: float, low: float, high: float, guard_band_factor: float = 1.0) -> Verdict:
    """Whether `value` with its expanded uncertainty lies within [low, high]. Either limit may be infinite."""
    band = guard_band_factor * u95
    if low + band <= value <= high - band:
        return "within"
    if value < low - band or value > high + band:
        return "outside"
    return "cannot tell"


def compare(job: Job, measured: Measurement) -> tuple[Line, ...]:
    """Every line of the card against what was measured."""
    asked = card(job)
    return tuple(_line(a, found, job) for a, found in zip(asked, comparables(asked, job, measured), strict=True))


def _line(asked: Asked, found: Comparable, job: Job) -> Line:
    if found.quantity is None:
        return Line(asked, None, 0.0, "not compared", found.how)
    u95 = found.quantity.u95
    low, high = asked.value - asked.tolerance, asked.value + asked.tolerance
    verdict = judge(found.quantity.value, u95, low, high, job.specification.tolerance.guard_band_factor)
    return Line(asked, found.quantity, u95, verdict, found.how)


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """One verdict of many: outside if any is; else within if all are; else it cannot be told."""
    seen = set(verdicts)
    if "outside" in seen:
        return "outside"
    return "within" if seen == {"within"} else "cannot tell"


def judge_lateness(job: Job, late: Quantity) -> Verdict:
    """Whether something that ought to come at one place comes so many crank degrees late within the tolerance of a centerline."""
    tolerance = job.specification.tolerance
    bound = tolerance.centerline_deg
    return judge(late.value, late.u95, -bound, bound, tolerance.guard_band_factor)
