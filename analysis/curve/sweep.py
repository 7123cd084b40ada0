"""One sweep over one valve, from its capture to its lift curve: what can be read, where the lobe is, and what must be refused."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from analysis.base.errors import DataError, placed
from analysis.base.quantity import Quantity
from analysis.base.quantization import codes_apart
from analysis.base.samples import Bools, Capture, Floats, Header
from analysis.crank.lag import stated_lag
from analysis.crank.motion import CountError, follow
from analysis.crank.readings import Readings, find_jumps, read_channel, without_spikes
from analysis.curve.corners import corner
from analysis.curve.lift_curve import Curve, make_curve
from analysis.curve.lobe_period import lobe_centers
from analysis.curve.points import Points, peak_position, points_around, profile, upright
from analysis.job import Rig
from analysis.tdc.stop import TdcFound

LEAST_READINGS = 30
# What passes of one lobe may differ by (root mean square): a lifter that bleeds down makes a tenth of it.
DISAGREE_MM = 0.3
# A lobe that comes round further off two turns than this (deg) is late by no lag.
LOST_DEG = 4.0
# A nose that is clipped leaves its level at more than this share of the flank's velocity, and a course from rest fits so much worse.
CLIPPED, CLIPPED_WORSE = 0.08, 1.5
# No nose is level over more degrees of the crank, with a dwell or without (common practice).
LEVEL_DEG, LEVEL_SHARE = 50.0, 0.9
# What readings on a level may scatter by; more is another trouble, such as passes that lie apart.
QUIET_MM = 0.03
# A hand on a bar turns no faster (common practice).
FASTEST_DEG_S = 400.0
# A reading that moved so far (mm), and came back by less than this share of it, did not come back.
HELD_MM, HELD_SHARE = 1.0, 0.1
# A nose that dwells longer is none.
FROZEN_DEG = 90.0
# A lag from which on readings are placed anew, seconds.
PLACED_S = 0.002
SWEEP_AGAIN = "Unit or zero was switched, or the plunger stuck or lost the valve: set it right and sweep again, hands off"


@dataclass(frozen=True)
class Sweep:
    """A capture's channel, what it is said to stand on, and TDC as a count of this capture (and how it was found)."""

    capture: Capture
    channel: int
    stood_on: str
    tdc_count: Quantity
    tdc: TdcFound
    forward: int

    @property
    def header(self) -> Header:
        """The capture's header."""
        return self.capture.header

    @property
    def cpr(self) -> int:
        """Counts a turn."""
        return self.header.board.cpr

    @cached_property
    def codes_apart(self) -> int:
        """In steps of how many counts the indicator's codes come; more than 1 if it resolves less than the board says."""
        return codes_apart(self.capture.samples.lift[self.channel])

    @property
    def step_mm(self) -> float:
        """The indicator's step, as its codes show it."""
        return self.header.board.steps_mm[self.channel] * self.codes_apart


@dataclass(frozen=True)
class Swept:
    """What a sweep came to.

    `valve`: "intake" or "exhaust", whose lobe was found. `peak_deg`: roughly, crank degrees from overlap TDC; `overlap_tdc`: a
    position (counts in the direction of rotation) of that. `flipped` if the indicator read the wrong way round. `readings`: shape
    (m,), placed on the crank without the lag where that is long; `good`: shape (m,), those that are no outliers. `count_errors`: what
    the index pulses show.
    """

    sweep: Sweep
    valve: str
    peak_deg: float
    overlap_tdc: float
    flipped: bool
    curve: Curve
    readings: Readings
    good: Bools
    count_errors: tuple[CountError, ...]


def read_sweep(rig: Rig, sweep: Sweep, foot_mm: float | None = None) -> Swept:
    """From capture to curve. Intake and exhaust are told apart by where the lobe peaks. `foot_mm`: see `make_curve`.

    Raises DataError if the readings jump, if there is too little forward motion, no lobe, no base circle, or a lobe not covered.
    """
    with placed(sweep.capture.path):
        readings, errors = _placed(rig, sweep)
        good = _good(sweep, readings)
        lobe = _find_lobe(sweep, readings, good)
        curve = make_curve(_points(lobe, sweep, readings, good), lobe.peak_deg, sweep.step_mm, stated_lag(rig), foot_mm=foot_mm)
        if abs(lag_s := curve.lag.seconds) >= PLACED_S:
            # A long lag under a hand that speeds up and slows down is not speed x lag: place each reading where the crank was then.
            readings, _ = _placed(rig, sweep, lag_s)
            lobe = _find_lobe(sweep, readings, good)
            points = _points(lobe, sweep, readings, good)
            curve = make_curve(points, lobe.peak_deg, sweep.step_mm, stated_lag(rig), placed_s=lag_s, foot_mm=foot_mm)
        _refuse_disagreement(curve, sweep, readings)
        _refuse_clipped(curve, sweep.step_mm)
        return Swept(sweep, *lobe, curve, readings, good, errors)


def _placed(rig: Rig, sweep: Sweep, lag_s: float = 0.0) -> tuple[Readings, tuple[CountError, ...]]:
    """The channel's readings where the crank was `lag_s` before each, and what the index pulses show of the count."""
    motion, errors = follow(sweep.capture, sweep.forward, rig.slack_allowance_deg * sweep.cpr / 360.0)
    return read_channel(sweep.capture, sweep.channel, motion, rig.indicator_sign, lag_s), errors


class _Lobe(NamedTuple):
    """Fields as of `Swept`."""

    valve: str
    peak_deg: float
    overlap_tdc: float
    flipped: bool


def _find_lobe(sweep: Sweep, readings: Readings, good: Bools) -> _Lobe:
    """Which lobe the readings show, and where."""
    cpr = sweep.cpr
    seen, flipped = upright(profile(readings, sweep.forward, readings.usable & good, cpr))
    peak = peak_position(seen)
    after_tdc = (peak - sweep.forward * sweep.tdc_count.value) * 360.0 / cpr % 360.0
    valve, peak_deg = ("intake", after_tdc) if after_tdc < 180.0 else ("exhaust", after_tdc - 360.0)
    return _Lobe(valve, peak_deg, peak - peak_deg * cpr / 360.0, flipped)


def _points(lobe: _Lobe, sweep: Sweep, readings: Readings, good: Bools) -> Points:
    """The points of every pass over the lobe."""
    sign = -1 if lobe.flipped else 1
    keep = readings.usable & good
    return points_around(readings, sweep.forward, sign, keep, sweep.cpr, peak_deg=lobe.peak_deg, overlap_tdc=lobe.overlap_tdc)


def _good(sweep: Sweep, readings: Readings) -> Bools:
    """Which readings are no outliers, shape (m,). DataError if they jump, or if too few of them can be used."""
    _refuse_held(sweep, readings)
    _refuse_frozen(sweep, readings)
    jumps = find_jumps(readings, sweep.cpr)
    fast = float(np.quantile(np.abs(readings.speed), 0.75)) * 360.0 / sweep.cpr
    if fast > FASTEST_DEG_S:
        raise DataError(
            f"the crank was turned at {fast:.0f} degrees a second, too fast for the indicator, and by no hand",
            do="Turn the engine by hand, never with the starter, below 100 degrees a second",
        )
    if jumps.size:
        # A slow one goes on to where the crank is once that stands; but a zero is pressed at rest as well.
        at_rest = readings.still[np.searchsorted(readings.time_s, jumps) + 1].all()
        slow = ", each time as the crank came to rest: it may lag by more than a quarter of a second" if at_rest else ""
        raise DataError(
            f"the indicator jumped {jumps.size} times as no lobe can make it, first {jumps[0]:.2f} s after the board's start{slow}",
            do=SWEEP_AGAIN,
        )
    good = without_spikes(readings.lift_mm, sweep.step_mm)
    usable = int((readings.usable & good).sum())
    if usable < LEAST_READINGS:
        raise _too_little_motion(sweep, usable)
    return good


def _refuse_held(sweep: Sweep, readings: Readings) -> None:
    """A lift that only ever grows, or only ever falls, over a whole cycle of the camshaft is no valve's."""
    if not readings.lift_mm.size or np.ptp(readings.position) < 2 * sweep.cpr:
        return
    steps = np.diff(readings.lift_mm)
    up, down = float(steps[steps > 0].sum()), float(-steps[steps < 0].sum())
    if max(up, down) > HELD_MM and min(up, down) < HELD_SHARE * max(up, down):
        raise DataError(
            f"the reading went {'up' if up > down else 'down'} by {max(up, down):.2f} mm and never came back in "
            f"{np.ptp(readings.position) / sweep.cpr:.1f} turns: the indicator holds its greatest or least reading, or its "
            "plunger stuck",
            do="Switch the hold (MAX, MIN) off and see that the plunger follows your finger, then sweep again",
        )


def _refuse_frozen(sweep: Sweep, readings: Readings) -> None:
    """A reading that stays the same to the last digit over more of a turn than any nose dwells, off the base circle."""
    lift, position = readings.lift_mm, readings.position
    if not lift.size:
        return
    begins = np.flatnonzero(np.diff(lift, prepend=np.nan) != 0)
    ends = np.append(begins[1:], lift.size) - 1
    way = np.abs(position[ends] - position[begins]) * 360.0 / sweep.cpr
    for run in np.flatnonzero(way > FROZEN_DEG):
        stood = lift[begins[run]]
        # A level that comes back is a clipped nose, or a base circle after the zero was moved.
        once = ((way > FROZEN_DEG / 6) & (np.abs(lift[begins] - stood) < HELD_MM)).sum() == 1
        rest = np.concatenate((lift[: begins[run]], lift[ends[run] + 1 :]))
        if once and rest.size and abs(stood - np.median(rest)) > HELD_MM:
            raise DataError(
                f"the reading stood still at {stood:.2f} mm while the crank turned {way[run]:.0f} degrees, with the valve open: the "
                "indicator stopped (switched off, held, or its cable came loose) or its plunger stuck",
                do="Check the indicator's battery, its hold key and its cable, and sweep again",
            )


def _refuse_disagreement(curve: Curve, sweep: Sweep, readings: Readings) -> None:
    """A switched unit leaves no jump where the lift is small, but a lobe of another size."""
    count = np.maximum(np.bincount(curve.points.pass_), 1)
    off = float(np.sqrt(np.bincount(curve.points.pass_, weights=curve.residual**2) / count).max())
    if off > DISAGREE_MM:
        _refuse_lost_counts(sweep, readings)
        raise DataError(
            f"the passes over the lobe do not agree: one lies {off:.2f} mm off the others on the average", do=SWEEP_AGAIN
        )


def _refuse_lost_counts(sweep: Sweep, readings: Readings) -> None:
    """Where the lobe does not come round after two turns, it is the count that is not what it was."""
    use = readings.usable
    centers = lobe_centers(sweep.forward * readings.position[use], readings.lift_mm[use])
    off = (np.diff(centers) + sweep.cpr) % (2 * sweep.cpr) - sweep.cpr
    off_deg = float(np.abs(off).max()) * 360.0 / sweep.cpr if off.size else 0.0
    if off_deg > LOST_DEG:
        raise DataError(
            f"the lobe came round {off_deg:.0f} degrees off two turns of the crank: counts were lost, or the encoder slipped "
            "on its coupling",
            do="Check the encoder's cable and coupling, find TDC again, and sweep again",
        )


def _refuse_clipped(curve: Curve, step_mm: float) -> None:
    """A nose that is level and ends in corners on both sides, or is level over more than any lobe has, is the indicator at the end
    of its travel. Where readings lie degrees apart they show no corner.
    """
    deg, lift = curve.pooled.deg, curve.pooled.lift_mm
    top = float(np.quantile(lift, 0.995))
    high = deg[lift > top - 2 * step_mm]
    middle, fastest = float(high[0] + high[-1]) / 2, float(np.abs(curve.slope).max())
    up, down = deg < middle, deg >= middle
    ends = corner(-deg[up][::-1], -lift[up][::-1], step_mm, -top), corner(deg[down], -lift[down], step_mm, -top)
    cornered = all(end is not None and end.velocity > CLIPPED * fastest and end.worse > CLIPPED_WORSE for end in ends)
    level_deg = _level_deg(deg, lift > top - 2 * step_mm - min(4 * curve.noise_mm, QUIET_MM))
    if cornered or level_deg > LEVEL_DEG:
        raise DataError(
            f"the lift stands at {top:.2f} mm over {max(level_deg, float(np.ptp(high))):.0f} degrees of the nose"
            f"{' and leaves it all at once on both sides' if cornered else ', longer than any lobe does'}: the indicator came to "
            "the end of its travel and clipped the lobe",
            do="Set the indicator with less preload, or take one with more travel, and sweep again",
        )


def _level_deg(deg: Floats, high: Bools) -> float:
    """Over how many degrees the readings stay as high as marked; 0 where others lie between them."""
    first, last = np.flatnonzero(high)[[0, -1]]
    return float(deg[last] - deg[first]) if high[first : last + 1].mean() > LEVEL_SHARE else 0.0


def _too_little_motion(sweep: Sweep, readings: int) -> DataError:
    toward = np.diff(sweep.capture.samples.crank) * sweep.forward
    if not toward.any():
        return DataError("the crank did not move", do="Turn the engine two turns in its direction of rotation")
    if -toward[toward < 0].sum() > toward[toward > 0].sum():
        return DataError(
            "the crank was turned backward only, and the slack side of the timing drive says nothing about events",
            do="Turn in the direction of rotation; if this was it, write the other direction in job.toml",
        )
    return DataError(
        f"only {readings} readings were taken in the direction of rotation with the slack taken up",
        do="Turn at least two whole turns in the direction of rotation",
    )
