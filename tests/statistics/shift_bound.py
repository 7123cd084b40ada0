"""How well a shift between two sweeps of one lobe can be known at best: the Cramer-Rao bound of what the simulator lets anyone see.

Fisher's information (Kay, Fundamentals of Statistical Signal Processing I, 1993, section 3.7, from memory) of the shift together with
everything else that nobody knows: the lobe, the same for both sweeps, and the hand. Whatever is left out of "everything else" can
only lower the bound, and all choices here are made that way. Of the lobe no more is taken to be unknown than a quintic spline with
knots `LOBE_KNOT_DEG` apart can be; of the hand, the numbers that the simulator draws for each stroke and no more. A bound that takes
the lobe for known is lower still, and nobody who has only the two sweeps comes near it where each was slow elsewhere.

The indicator's steps act as white noise of variance step^2/12 if its noise is half a step (Widrow & Kollar, Quantization Noise,
2008, from memory). Latched by edge, the angle of every reading is known. Latched by time, all that is seen of the crank is between
which two samples the count changed: that instant is taken as known with the variance of an even distribution, period^2/12, each
for itself, though at a steady speed these errors hang together.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.interpolate import BSpline

from acquire.simulator.motion import Motion
from acquire.simulator.phases import Latching
from acquire.simulator.rig import Rig
from analysis.motion import usable_forward
from analysis.samples import Floats
from tests.statistics.trials import job

LOBE_KNOT_DEG = 20.0
_DEGREE = 5
_WAVES = (1, 2, 3)  # of a stroke's unsteadiness, `acquire.simulator.hand`
# Directions in which nothing is seen, against the best seen, are left out.
_UNSEEN = 1e-11


@dataclass(frozen=True)
class _Seen:
    """Readings of a lobe with the drive's slack surely taken up: instants, angles from its nose (deg), slopes there (mm/deg)."""

    time: Floats
    deg: Floats
    slope: Floats


def shift_bound(rigs: Sequence[Rig], latched: Sequence[Latching], lobe_known: bool = False) -> float:
    """Least standard deviation (deg) of an unbiased estimate of by how much the second rig's lobe lies after the first's."""
    seen = [_readings(rig, done) for rig, done in zip(rigs, latched, strict=True)]
    low, high = min(float(s.deg.min()) for s in seen), max(float(s.deg.max()) for s in seen) + 1e-6
    spans = max(math.ceil((high - low) / LOBE_KNOT_DEG), 1)
    knots = low + (high - low) / spans * np.arange(-_DEGREE, spans + _DEGREE + 1)
    information: Floats = np.zeros((spans + _DEGREE + 1,) * 2)
    for rig, done, here, sign in zip(rigs, latched, seen, (-0.5, 0.5), strict=True):
        lobe = BSpline.design_matrix(here.deg, knots, _DEGREE).toarray()
        information += _without_hand(rig, done, here, np.column_stack((sign * here.slope, lobe)))
    return 1.0 / math.sqrt(information[0, 0] if lobe_known else _left(information, 1)[0, 0])


def _readings(rig: Rig, done: Latching) -> _Seen:
    rows = done.rows
    usable = usable_forward(rows.crank, 1, job().rig.slack_allowance_deg * rig.encoder.cpr / 360.0) & ~rows.beat
    deg = done.motion.at(rows.time)
    lift = [rig.train.valve_lift(rig.cam.lift("intake", deg + step)) for step in (-0.05, 0.05)]
    slope = (lift[1] - lift[0]) / 0.1
    mine = usable & (slope != 0.0)
    return _Seen(rows.time[mine], (deg[mine] - rig.cam.nose_deg("intake") + 360.0) % 720.0 - 360.0, slope[mine])


def _without_hand(rig: Rig, done: Latching, seen: _Seen, columns: Floats) -> Floats:
    """Information of the parameters in `columns` (derivatives of each reading's lift) with the hand's own numbers unknown."""
    gauge = rig.indicators[0]
    noise = math.sqrt(gauge.step_mm**2 / 12 + gauge.noise_mm**2)
    columns = columns / noise
    direct = columns.T @ columns
    if rig.board.latch == "edge":
        return np.asarray(direct)
    rows = done.rows
    before = np.flatnonzero(np.diff(rows.crank))
    turned = np.abs(done.motion.at(rows.time[before + 1]) - done.motion.at(rows.time[before]))
    # Several counts between two samples: then the count itself says where the crank is.
    known = np.maximum(np.minimum(turned, 360.0 / rig.encoder.cpr), 1e-7) / math.sqrt(12)
    edges = _hand(done.motion, (rows.time[before] + rows.time[before + 1]) / 2).multiply(1.0 / known[:, None]).tocsr()
    lifts = _hand(done.motion, seen.time).multiply((seen.slope / noise)[:, None]).tocsr()
    whole = np.block(
        [[direct, (lifts.T @ columns).T], [lifts.T @ columns, (lifts.T @ lifts + edges.T @ edges).toarray()]],
    )
    return _left(whole, columns.shape[1])


def _left(information: Floats, first: int) -> Floats:
    """What is left of the information of the first parameters if the others are unknown (Schur complement)."""
    other = information[first:, first:]
    size = np.sqrt(np.diag(other))
    met = size > math.sqrt(_UNSEEN) * size.max()
    scale = 1.0 / size[met]
    cross = information[first:, :first][met] * scale[:, None]
    inverse = np.linalg.pinv(other[np.ix_(met, met)] * scale * scale[:, None], rcond=_UNSEEN, hermitian=True)
    return np.asarray(information[:first, :first] - cross.T @ inverse @ cross)


def _hand(motion: Motion, time: Floats) -> sparse.csr_array:
    """Derivatives of the crank's angle at instants with respect to what the hand's strokes are made of: the angles at which it rests
    or turns round, and for each stroke its begin, its length in time, and its waves. Shape (time, numbers).
    """
    way = np.sign(np.diff(motion.angle))
    ends = np.concatenate(([0], np.flatnonzero(np.diff(way)) + 1, [way.size]))
    piece = np.clip(np.searchsorted(motion.time, time, side="right") - 1, 0, way.size - 1)
    speed = (np.diff(motion.angle) / np.diff(motion.time))[piece]
    stops = int(np.count_nonzero(way[ends[:-1]])) + 1
    entries: list[tuple[Floats, Floats, Floats]] = []
    stop, free = 0, stops
    for begin, end in itertools.pairwise(ends):  # one round a stroke or rest, not a sample
        mine = np.flatnonzero((piece >= begin) & (piece < end))
        if way[begin] == 0:
            entries.append((mine, np.full(mine.size, stop), np.ones(mine.size)))
            continue
        share = (motion.at(time[mine]) - motion.angle[begin]) / (motion.angle[end] - motion.angle[begin])
        gone = np.interp(time[mine], motion.time[begin : end + 1], np.linspace(0.0, 1.0, end - begin + 1))
        v, lasted = speed[mine], motion.time[end] - motion.time[begin]
        waves = [-v * lasted * gone * np.sin(np.pi * wave * gone) / np.pi for wave in _WAVES]
        numbers = [stop, stop + 1, *range(free, free + 2 + len(_WAVES))]
        derivatives = [1.0 - share, share, -v, -v * gone, *waves]
        entries += [(mine, np.full(mine.size, n), d) for n, d in zip(numbers, derivatives, strict=True)]
        stop, free = stop + 1, free + 2 + len(_WAVES)
    at, number, value = (np.concatenate(column) for column in zip(*entries, strict=True))
    return sparse.csr_array((value, (at.astype(np.int64), number.astype(np.int64))), shape=(time.size, free))
