"""What a rig really is, from its own laws by root finding. Owes nothing to the analysis that it judges.

Angles are crank degrees from overlap TDC, domain [-360, 360), unless a name says cam. Events hold for turning forward: the
drive's slack is taken up, lash is in (at the valve), and base-circle runout, bleed-down and every fault of encoder and indicator
are left out, since they are errors of measuring.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq

from acquire.simulator.indicator import Indicator
from acquire.simulator.rig import Rig
from analysis.base.errors import UsageError

CHECKING = ((1.27, "lobe"), (0.15, "valve"), (1.0, "valve"))
_BELOW_PEAK_MM = 1.27  # where the equal-lift centerline is taken, at the lobe
_EVENT_MM = 1.27  # and the event midpoint, at the lobe
_GRID = 4001
_PIECES, _NODES = 1024, 8


@dataclass(frozen=True)
class TrueEvent:
    """Opening, closing and duration at a checking lift that holds `at` the "lobe" or the "valve"."""

    lift_mm: float
    at: str
    opens_deg: float
    closes_deg: float
    duration_deg: float


@dataclass(frozen=True)
class TrueLobe:
    """One valve, and what belongs to its channel.

    `centerline_by`: "equal_lift" (1.27 mm below the peak, at the lobe), "event_midpoint" (at 1.27 mm lobe lift), "centroid" (of
    the area under the lift that the indicator sees, at lobe or valve) and "peak" (the middle of a dwell).
    """

    valve: str
    peak_lift_mm: float
    peak_lobe_lift_mm: float
    centerline_by: dict[str, float]
    slack_deg: float
    latency_ms: float
    events: tuple[TrueEvent, ...]


@dataclass(frozen=True)
class TrueCam:
    """Intake against exhaust, by the equal-lift centerlines.

    Separation in cam degrees, advance in crank degrees; overlap in crank degrees at `overlap_lift_mm` at the lobe, negative if
    the valves are never both that far open.
    """

    separation_deg: float
    advance_deg: float
    overlap_deg: float
    overlap_lift_mm: float


@dataclass(frozen=True)
class Truth:
    """The truth of a rig. `direction` is +1 if the count grows in the direction of rotation.

    `tdc_count`: overlap TDC at the board's start on the axis of a count at rest; the crank angle of a resting or time-latched
    count c is direction (c - tdc_count) 360 / cpr, to half a count either way. `tdc_edge_count`: the same for samples latched on
    an edge while turning forward, half a count apart: their angle is direction (c - tdc_edge_count) 360 / cpr exactly (but for
    the encoder's mounting, lost counts and slips). `stop_bias_deg`: middle of the two contacts with the rig's piston stop, which
    is not TDC if the pin is offset.
    """

    seed: int
    cpr: int
    direction: int
    tdc_count: float
    tdc_edge_count: float
    stop_bias_deg: float
    lobes: tuple[TrueLobe, ...]
    cam: TrueCam

    def lobe(self, valve: str) -> TrueLobe:
        """The lobe of "intake" or "exhaust"."""
        return next(lobe for lobe in self.lobes if lobe.valve == valve)

    def tree(self) -> dict[str, Any]:
        """For machines: the fields of this class, with `tdc` grouped as in the results of the analysis."""
        tree = asdict(self)
        tree["tdc"] = {"count": tree.pop("tdc_count"), "edge_count": tree.pop("tdc_edge_count")}
        return tree


def truth(rig: Rig, checking: Sequence[tuple[float, str]] = CHECKING) -> Truth:
    """The truth of `rig`, events at each of the `checking` lifts (mm, "lobe" or "valve").

    Raises UsageError for a lift that the lobe does not reach.
    """
    intake, exhaust = (_lobe(rig, valve, checking) for valve in ("intake", "exhaust"))
    reading = float(rig.encoder.reading(0.0)) + rig.count_offset
    direction = rig.encoder.direction
    opens = crossings(rig, "intake", _EVENT_MM, "lobe")[0]
    closes = crossings(rig, "exhaust", _EVENT_MM, "lobe")[1]
    middle_in, middle_ex = intake.centerline_by["equal_lift"], exhaust.centerline_by["equal_lift"]
    return Truth(
        seed=rig.seed,
        cpr=rig.encoder.cpr,
        direction=direction,
        tdc_count=reading - 0.5,
        tdc_edge_count=reading - 0.5 + 0.5 * direction,
        stop_bias_deg=sum(rig.crank.contacts(rig.stop.depth_mm)) / 2,
        lobes=(intake, exhaust),
        cam=TrueCam((middle_in - middle_ex) / 2, -(middle_in + middle_ex) / 2, closes - opens, _EVENT_MM),
    )


def crossings(rig: Rig, valve: str, lift_mm: float, at: str) -> tuple[float, float]:
    """Crank degrees at which a valve's lift (at the "lobe" or the "valve") passes `lift_mm` first upward and last downward.

    Not brought into [-360, 360), so that closing - opening is the duration.
    """
    lobe_mm = lift_mm if at == "lobe" else (lift_mm + rig.train.lash_mm) / rig.train.ratio
    lobe, nose = rig.cam.lobe(valve), rig.cam.nose_deg(valve)
    cam = np.linspace(*lobe.span_deg, _GRID)
    above = lobe.lift(cam) > lobe_mm
    if lobe_mm <= 0 or not above.any():
        raise UsageError(f"the {valve} lobe never lifts {lift_mm} mm at the {at}", do="Choose a checking lift below its peak.")
    first, last = int(np.argmax(above)), _GRID - 1 - int(np.argmax(above[::-1]))

    def gap(angle: float) -> float:
        return float(lobe.lift(angle)) - lobe_mm

    return nose + 2 * _root(gap, cam[max(first - 1, 0)], cam[first]), nose + 2 * _root(
        gap, cam[last], cam[min(last + 1, _GRID - 1)]
    )


def _root(gap: Callable[[float], float], low: float, high: float) -> float:
    return low if gap(low) == 0 else float(brentq(gap, low, high, xtol=1e-12))


def _domain(angle: float) -> float:
    return (angle + 360.0) % 720.0 - 360.0


def _lobe(rig: Rig, valve: str, checking: Sequence[tuple[float, str]]) -> TrueLobe:
    lobe, nose = rig.cam.lobe(valve), rig.cam.nose_deg(valve)
    peak_mm = float(lobe.lift(lobe.peak_deg))
    equal = crossings(rig, valve, peak_mm - _BELOW_PEAK_MM, "lobe")
    events = crossings(rig, valve, _EVENT_MM, "lobe")
    indicator = _indicator(rig, valve)
    return TrueLobe(
        valve=valve,
        peak_lift_mm=float(rig.train.valve_lift(peak_mm)),
        peak_lobe_lift_mm=peak_mm,
        centerline_by={
            "equal_lift": sum(equal) / 2,
            "event_midpoint": sum(events) / 2,
            "centroid": nose + 2 * _centroid(rig, valve, indicator.where),
            "peak": nose + 2 * lobe.peak_deg,
        },
        slack_deg=rig.train.slack_deg,
        latency_ms=1000 * indicator.latency_s,
        events=tuple(_event(rig, valve, lift_mm, at) for lift_mm, at in checking),
    )


def _indicator(rig: Rig, valve: str) -> Indicator:
    """The indicator that stands on a valve in the sweeps."""
    stands = rig.channels("both")
    return rig.indicators[stands.index(valve) if valve in stands else 0]


def _centroid(rig: Rig, valve: str, at: str) -> float:
    """Of the area under the lift at "lobe" or "valve": cam degrees from the nose."""
    lobe = rig.cam.lobe(valve)
    first, last = lobe.span_deg
    if at == "valve" and rig.train.lash_mm > 0:  # integrate between the kinks that lash makes
        first, last = ((crank - rig.cam.nose_deg(valve)) / 2 for crank in crossings(rig, valve, 0.0, "valve"))
    # By Gauss and Legendre in short pieces, so that where flank, ramp and nose meet costs nothing that anyone could see.
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    edges = np.linspace(first, last, _PIECES + 1)
    cam = (edges[:-1, None] + (edges[1] - edges[0]) * (node + 1.0) / 2).ravel()
    lift = rig.train.valve_lift(lobe.lift(cam)) if at == "valve" else lobe.lift(cam)
    return float(np.average(cam, weights=np.tile(weight, _PIECES) * lift))


def _event(rig: Rig, valve: str, lift_mm: float, at: str) -> TrueEvent:
    opens, closes = crossings(rig, valve, lift_mm, at)
    return TrueEvent(lift_mm, at, _domain(opens), _domain(closes), closes - opens)
