"""What a measurement comes to: the frozen tree that sheet, JSON and dashboard draw. Crank degrees, millimetres, 95 % expanded
uncertainties.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from analysis.base.finding import SAME_LIFT_MM, Finding
from analysis.base.quantity import Number


@dataclass(frozen=True)
class Event:
    """Opening, closing and duration at one checking lift. `at` is "lobe" or "valve": where `lift_mm` holds."""

    lift_mm: float
    at: str
    opens_deg: Number
    closes_deg: Number
    duration_deg: Number


class AtLift(Protocol):
    """What holds at a checking lift: an event, or a line of a card."""

    @property
    def lift_mm(self) -> float: ...  # noqa: D102

    @property
    def at(self) -> str: ...  # noqa: D102


def same_lift(a: AtLift, b: AtLift) -> bool:
    """Whether two hold at one checking lift, in millimetres or in inches: 1.27 mm and 0.05 in are one."""
    return a.at == b.at and abs(a.lift_mm - b.lift_mm) < SAME_LIFT_MM


@dataclass(frozen=True)
class AtRest:
    """What the indicator showed where the valve rests. `zero_mm` is its reading on the base circle; `runout_mm` the level's peak to
    peak along it, `drift_mm` what the zero of the last pass differs by from that of the first; `sank_mm` the most that the lift fell
    while the crank stood (a lifter that bleeds down), 0 if it did not. `covered_deg`: crank degrees of base circle seen.
    """

    zero_mm: Number
    runout_mm: float
    drift_mm: float
    sank_mm: float
    covered_deg: float


@dataclass(frozen=True)
class Lobe:
    """One valve's lobe. `centerline_by` has "equal_lift", "event_midpoint", "centroid" and "peak"; the first is the headline.

    `valve` is what the curve shows ("intake" or "exhaust"); `passes` counts whole forward passes used.
    `slack_deg` and `latency_ms` are None where the data cannot tell.
    """

    cylinder: int
    valve: str
    passes: int
    peak_lift_mm: Number  # at the valve
    peak_lobe_lift_mm: Number
    centerline_deg: Number
    centerline_by: Mapping[str, Number]
    slack_deg: Number | None
    latency_ms: Number | None
    events: tuple[Event, ...]
    at_rest: AtRest | None = None


@dataclass(frozen=True)
class Tdc:
    """True top dead center as a crank count (fractional), and how it was found: "stop", "travel" or "given"."""

    count: Number
    method: str
    touches: int = 0  # stop contacts, both sides together


@dataclass(frozen=True)
class Cam:
    """Intake against exhaust of one cylinder. Separation in cam degrees, advance and overlap in crank degrees; overlap at
    `overlap_lift_mm`, at the lobe.
    """

    cylinder: int
    separation_deg: Number
    advance_deg: Number
    overlap_deg: Number | None
    overlap_lift_mm: float | None


@dataclass(frozen=True)
class Result:
    """Everything `lobetrace analyze` has to say."""

    tdc: Tdc
    lobes: tuple[Lobe, ...]
    cam: Cam | None
    warnings: tuple[Finding, ...] = ()
    captures: tuple[str, ...] = field(default=())  # "name sha256", so that a result can be traced to its data
