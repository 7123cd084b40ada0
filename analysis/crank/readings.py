"""Indicator readings placed on the crank: each reading once, with where the crank was, how fast it went, and whether it may be
believed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from analysis.base.errors import DataError
from analysis.base.samples import SILENT, Bools, Capture, Floats
from analysis.crank.interpolation import place
from analysis.crank.motion import Motion

# A gauge that is slower than the crank repeats its reading with a growing age: two samples whose indicator latch times differ
# by no more than this show one and the same reading (microseconds).
SAME_READING_US = 20
# A reading that jumps by this much (mm) beyond what the crank's motion can make was not made by a lobe: no valve moves by more
# than this in a crank degree (common practice; twice what a quick lobe with a long rocker does).
JUMP_MM, STEEPEST_MM_DEG = 0.8, 0.4
# A lift that falls by no more than this (mm) while the crank stands may be the hand's.
LEAST_FALL_MM = 0.03


@dataclass(frozen=True)
class Readings:
    """m readings of one channel in time order. Shape (m,) each.

    `position` in counts at the indicator's latch; `speed` counts/s; `lift_mm` raw (its zero is wherever the indicator was set),
    growing as the valve opens; `usable` where the crank turned forward with the slack taken up and its place is known; `still`
    where it stood.
    """

    time_s: Floats
    position: Floats
    speed: Floats
    lift_mm: Floats
    usable: Bools
    still: Bools


def read_channel(capture: Capture, channel: int, motion: Motion, sign: int, lag_s: float = 0.0) -> Readings:
    """The readings of one channel. `sign` is +1 if the count grows as the valve opens, else -1. `lag_s`: by how long a reading
    is known to lag the plunger; it is placed where the crank was then.

    Raises DataError if the channel never spoke.
    """
    board, s = capture.header.board, capture.samples
    if channel >= s.lift.shape[0]:
        raise DataError(
            f"the capture has no indicator channel {channel + 1}", where=capture.path, do="Record it with that channel connected"
        )
    latch_us = s.time_us - s.age_us[channel]
    spoke = (s.flags & SILENT[channel]) == 0
    fresh = np.concatenate(([True], np.abs(np.diff(latch_us)) > SAME_READING_US)) & spoke if latch_us.size else spoke
    if not fresh.any():
        raise DataError(
            f"indicator channel {channel + 1} gave no reading",
            where=capture.path,
            do="Check its cable, its battery and its data output",
        )
    time_s = latch_us[fresh] * 1e-6
    seen = np.clip(np.searchsorted(s.time_us, latch_us[fresh]), 0, s.time_us.size - 1)
    period_s = float(np.median(np.diff(s.time_us))) * 1e-6 if board.latch == "time" and s.time_us.size > 1 else 0.0
    position, known = place(motion, time_s - lag_s, period_s)
    return Readings(
        time_s=time_s,
        position=position,
        speed=motion.speed(time_s - lag_s),
        lift_mm=sign * board.steps_mm[channel] * s.lift[channel][fresh].astype(np.float64),
        usable=motion.usable[fresh] & motion.usable[seen] & known,
        still=s.still[fresh],
    )


def find_jumps(readings: Readings, cpr: int) -> Floats:
    """Times (s) at which the reading jumped as no lobe can make it and stayed there: unit switched, zero pressed, plunger stuck
    or let go.

    A spike, which comes back at once, is not a jump. Shape (j,).
    """
    lift, deg = readings.lift_mm, readings.position * 360.0 / cpr
    if lift.size < 9:
        return np.zeros(0)
    at = np.flatnonzero(np.abs(np.diff(lift)) > JUMP_MM + STEEPEST_MM_DEG * np.abs(np.diff(deg)))
    # The median of a few readings on either side tells a jump from a spike.
    at = at[(at >= 4) & (at < lift.size - 5)]
    before = np.median(lift[at[:, None] + np.arange(-4, 1)], axis=1)
    after = np.median(lift[at[:, None] + np.arange(1, 6)], axis=1)
    way = np.abs(deg[at + 3] - deg[at - 2])
    return np.asarray(readings.time_s[at[np.abs(after - before) > JUMP_MM + STEEPEST_MM_DEG * way]])


@dataclass(frozen=True)
class BleedDown:
    """A lift that fell while the crank stood still: by `fall_mm` within `seconds`, at `position` counts."""

    fall_mm: float
    seconds: float
    position: float


def find_bleed_down(readings: Readings, step_mm: float) -> tuple[BleedDown, ...]:
    """Where the reading fell while the crank stood: a hydraulic lifter that bleeds down, or a drifting indicator.

    A stand counts if it lasts at least a second and the reading falls by more than four indicator steps.
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], readings.still.astype(np.int8), [0]))))
    if not edges.size:
        return ()
    least = max(4 * step_mm, LEAST_FALL_MM)
    lifts = np.append(readings.lift_mm, 0.0)  # so that the last edge lies inside
    moved = (np.maximum.reduceat(lifts, edges) - np.minimum.reduceat(lifts, edges))[::2] > least
    found = []
    for start, stop in edges.reshape(-1, 2)[moved].tolist():  # one round a stand, not a sample
        lift, seconds = readings.lift_mm[start:stop], float(readings.time_s[stop - 1] - readings.time_s[start])
        head = max(3, (stop - start) // 5)  # the first reading is of where the crank was a lag ago
        fall = float(np.median(lift[:head]) - np.median(lift[-head:]))
        if seconds >= 1.0 and fall > least and stop - start >= 2 * head:
            found.append(BleedDown(fall, seconds, float(readings.position[start])))
    return tuple(found)


def without_spikes(lift_mm: Floats, step_mm: float) -> Bools:
    """Where a reading agrees with its neighbours in time: not further from the median of five than a handful of steps and
    scatter. Shape (m,).

    A reading on a flank is its own median as long as the lift goes one way, so that slopes are not taken for spikes.
    """
    if lift_mm.size < 5:
        return np.ones(lift_mm.shape, dtype=bool)
    around = np.partition(sliding_window_view(np.pad(lift_mm, 2, mode="edge"), 5), 2, axis=1)[:, 2]  # the median of each five
    away = np.abs(lift_mm - around)
    scatter = 1.4826 * float(np.median(away[away > 0])) if (away > 0).any() else 0.0
    return np.asarray(away <= max(6 * scatter, 5 * step_mm, 0.05))
