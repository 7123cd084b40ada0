"""One sweep over one valve, from its capture to its lift curve: what can be read, where the lobe is, and what must be refused."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.samples import Bools, Capture, Floats, Header
from analysis.crank.lag import stated_latency
from analysis.crank.motion import Motion, Slip, follow
from analysis.crank.readings import Readings, find_jumps, read_channel, without_spikes
from analysis.curve.bins import Pass, Stretch, gather, passes_around, rough_profile
from analysis.curve.lift_curve import Curve, make_curve
from analysis.job import Rig
from analysis.tdc.stop import TdcFound

LEAST_LIFT_MM = 1.0
LEAST_READINGS = 30
# What passes of one lobe may differ by (root mean square): a lifter that bleeds down makes a tenth of it.
DISAGREE_MM = 0.3
# Heights of the nose that differ by no more than this share of the lift are one.
TIE = 1e-6
# A lag from which on readings are placed anew, seconds.
PLACED_S = 0.002


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

    @property
    def step_mm(self) -> float:
        """One count of the indicator."""
        return self.header.board.steps_mm[self.channel]


@dataclass(frozen=True)
class Swept:
    """What a sweep came to. `peak_deg` is rough; `overlap_tdc` a position (counts in running direction) of overlap TDC.

    `good`: shape (m,), the readings that are no spikes; `flipped` if the indicator read the wrong way round.
    """

    sweep: Sweep
    valve: str
    peak_deg: float
    overlap_tdc: float
    passes: tuple[Pass, ...]
    curve: Curve
    readings: Readings
    good: Bools
    slips: tuple[Slip, ...]
    flipped: bool


def read_sweep(rig: Rig, sweep: Sweep, foot_mm: float | None = None) -> Swept:
    """From capture to curve. Intake and exhaust are told apart by where the lobe peaks. `foot_mm`: see `make_curve`.

    Raises DataError if the readings jump, if there is too little forward motion, no lobe, no base circle, or a lobe not covered.
    """
    cpr = sweep.cpr
    motion, slips = follow(sweep.capture, sweep.forward, rig.slack_allowance_deg * cpr / 360.0)
    readings = read_channel(sweep.capture, sweep.channel, motion, rig.indicator_sign)
    _refuse_jumps(readings, cpr, sweep.capture.path)
    good = without_spikes(readings.lift_mm, sweep.step_mm)
    if (readings.usable & good).sum() < LEAST_READINGS:
        raise _too_little_motion(sweep, int((readings.usable & good).sum()))
    swept = _fit(rig, sweep, foot_mm, motion, readings, good, slips, 0.0)
    _refuse_disagreement(swept.curve, sweep.capture.path)
    lag = swept.curve.latency.seconds
    if abs(lag) < PLACED_S:
        return swept
    # A long lag under a hand that speeds up and slows down is not speed x lag: place each reading where the crank was then.
    placed = read_channel(sweep.capture, sweep.channel, motion, rig.indicator_sign, lag)
    return _fit(rig, sweep, foot_mm, motion, placed, good, slips, lag)


def _fit(
    rig: Rig,
    sweep: Sweep,
    foot_mm: float | None,
    motion: Motion,
    readings: Readings,
    good: Bools,
    slips: tuple[Slip, ...],
    lag_s: float,
) -> Swept:
    """Readings, placed with a lag already taken out, to a curve."""
    cpr = sweep.cpr
    stretches, flipped = _upright(gather(readings, motion, readings.usable & good, cpr), cpr)
    peak_position = _find_peak(stretches, cpr, sweep.capture.path)
    after_tdc = (peak_position - sweep.forward * sweep.tdc_count.value) * 360.0 / cpr % 360.0
    valve = "intake" if after_tdc < 180.0 else "exhaust"
    peak_deg = after_tdc if valve == "intake" else after_tdc - 360.0
    overlap_tdc = peak_position - peak_deg * cpr / 360.0
    passes = passes_around(stretches, peak_position, overlap_tdc, cpr)
    stated = stated_latency(rig)
    curve = make_curve(passes, peak_deg, sweep.step_mm, replace(stated, seconds=stated.seconds - lag_s), foot_mm)
    curve = replace(curve, latency=replace(curve.latency, seconds=curve.latency.seconds + lag_s))
    return Swept(sweep, valve, peak_deg, overlap_tdc, passes, curve, readings, good, slips, flipped)


def _refuse_jumps(readings: Readings, cpr: int, path: str) -> None:
    jumps = find_jumps(readings, cpr)
    if jumps.size:
        raise DataError(
            f"the indicator jumped {jumps.size} times as no lobe can make it, first {jumps[0]:.2f} s after the board's start",
            where=path,
            do="Unit or zero was switched, or the plunger stuck or lost the valve: set it right and sweep again, hands off",
        )


def _refuse_disagreement(curve: Curve, path: str) -> None:
    """A switched unit leaves no jump where the lift is small, but a lobe of another size."""
    off = max(float(np.sqrt(np.mean(away**2))) for _, away in curve.along)
    if off > DISAGREE_MM:
        raise DataError(
            f"the passes over the lobe do not agree: one lies {off:.2f} mm off the others on the average",
            where=path,
            do="Unit or zero was switched, or the plunger stuck or lost the valve: set it right and sweep again, hands off",
        )


def _too_little_motion(sweep: Sweep, readings: int) -> DataError:
    crank = sweep.capture.samples.crank
    where = sweep.capture.path
    toward = np.diff(crank) * sweep.forward
    if not toward.any():
        return DataError("the crank did not move", where=where, do="Turn the engine two turns in its running direction")
    if -toward[toward < 0].sum() > toward[toward > 0].sum():
        return DataError(
            "the crank was turned backward only, and the slack side of the timing drive says nothing about events",
            where=where,
            do="Turn in running direction; if this was it, write the other direction in job.toml",
        )
    return DataError(
        f"only {readings} readings were taken in running direction with the slack taken up",
        where=where,
        do="Turn at least two whole turns in running direction",
    )


def _upright(stretches: tuple[Stretch, ...], cpr: int) -> tuple[tuple[Stretch, ...], bool]:
    """The sums with lift growing as the valve opens, and whether they had to be turned round.

    The base circle takes up most of the cycle: if most of the cycle is high, the sign is wrong.
    """
    profile, _ = rough_profile(stretches, cpr)
    lift = profile[~np.isnan(profile)]
    low, middle, high = np.quantile(lift, (0.02, 0.5, 0.98))
    if lift.size < 0.6 * profile.size or high - middle >= middle - low:
        return stretches, False
    return tuple(Stretch(s.width, s.start, s.n, s.offset, s.speed, -s.lift, s.lift2) for s in stretches), True


def _find_peak(stretches: tuple[Stretch, ...], cpr: int, path: str) -> float:
    """Position (counts, of one cycle) of the highest lift, from the mean over five degrees."""
    profile, n = rough_profile(stretches, cpr)
    width = stretches[0].width
    reach = max(1, round(5.0 * cpr / 360.0 / width)) | 1
    kernel = np.ones(reach)

    def around(values: Floats) -> Floats:
        return np.convolve(np.concatenate((values[-reach:], values, values[:reach])), kernel, mode="same")[reach:-reach]

    share = around((n > 0).astype(np.float64))
    smooth = np.where(share > 0, around(np.where(n > 0, profile, 0.0)) / np.maximum(share, 1e-9), -np.inf)
    moved = float(np.ptp(smooth[np.isfinite(smooth)]))
    if moved < LEAST_LIFT_MM:
        raise DataError(
            f"the indicator moved by {moved:.2f} mm only: it does not stand on a valve that opens",
            where=path,
            do="Set it on the valve or the lifter, along its travel, with enough preload",
        )
    # A nose is level to within the rounding of sums: the middle of all that ties, or the machine's arithmetic chooses one.
    top, half = int(np.argmax(smooth)), smooth.size // 2
    level = np.flatnonzero(np.roll(smooth, half - top) >= smooth[top] - TIE * moved)
    return float((top + level.mean() - half + 0.5) * width)
