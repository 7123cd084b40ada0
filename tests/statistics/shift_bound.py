"""How well a shift between two sweeps of one lobe can be known at best: the Cramer-Rao bound of what the simulator lets anyone see.

Fisher's information (Kay, Fundamentals of Statistical Signal Processing I, 1993, section 3.7, from memory) of the shift together with
everything else that nobody knows: the lobe, the same for both sweeps, and the hand. Whatever is left out of "everything else" can
only lower the bound, and all choices here are made that way. Of the lobe no more is taken to be unknown than a quintic spline can be
whose knots lie as far apart as may be with every lobe of the study within the finest indicator's step (`LOBE_KNOT_DEG`); of the hand,
where it was at every edge, and that it went on evenly between two. A bound that takes the lobe for known is lower still, and nobody
who has only the two sweeps comes near it where each was slow elsewhere.

The indicator's steps act as white noise of variance step^2/12 if its noise is half a step (Widrow & Kollar, Quantization Noise,
2008, from memory). Latched by edge, the angle of every reading is known. Latched by time, all that is seen of the crank is between
which two samples the count changed: that instant is taken as known with the variance of an even distribution, period^2/12, each
for itself, though at a steady speed these errors hang together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.interpolate import BSpline
from scipy.sparse.linalg import splu

from acquire.simulator.phases import Latching
from acquire.simulator.rig import Rig
from analysis.base.samples import Floats
from analysis.crank.motion import usable_forward
from tests.statistics.trials import job

LOBE_KNOT_DEG = 8.0
_DEGREE = 5
# Directions in which nothing is seen, against the best seen, are left out.
_UNSEEN = 1e-11


@dataclass(frozen=True)
class _Seen:
    """Readings of a lobe with the drive's slack surely taken up: instants, angles from its nose (deg), slopes there (mm/deg)."""

    time: Floats
    deg: Floats
    slope: Floats


def shift_bound(rigs: Sequence[Rig], latched: Sequence[Latching]) -> tuple[float, float]:
    """Least standard deviation (deg) of an unbiased estimate of by how much the second rig's lobe lies after the first's, and of one
    by somebody who knows the lobe beforehand.
    """
    seen = [_readings(rig, done) for rig, done in zip(rigs, latched, strict=True)]
    low, high = min(float(s.deg.min()) for s in seen), max(float(s.deg.max()) for s in seen) + 1e-6
    spans = max(math.ceil((high - low) / LOBE_KNOT_DEG), 1)
    knots = lobe_knots(low, high, spans)
    information: Floats = np.zeros((spans + _DEGREE + 1,) * 2)
    for rig, done, here, sign in zip(rigs, latched, seen, (-0.5, 0.5), strict=True):
        lobe = BSpline.design_matrix(here.deg, knots, _DEGREE).toarray()
        information += _without_hand(rig, done, here, np.column_stack((sign * here.slope, lobe)))
    return 1.0 / math.sqrt(_left(information, 1)[0, 0]), 1.0 / math.sqrt(information[0, 0])


def lobe_knots(low: float, high: float, spans: int) -> Floats:
    """Evenly spaced over so many spans, and as many beyond both ends as the degree asks for."""
    return np.asarray(low + (high - low) / spans * np.arange(-_DEGREE, spans + _DEGREE + 1))


def _readings(rig: Rig, done: Latching) -> _Seen:
    rows = done.rows
    usable = usable_forward(rows.crank, 1, job().rig.slack_allowance_deg * rig.encoder.cpr / 360.0) & ~rows.beat
    deg = done.motion.at(rows.time)
    lift = [rig.train.valve_lift(rig.cam.lift("intake", deg + step)) for step in (-0.05, 0.05)]
    slope = (lift[1] - lift[0]) / 0.1
    mine = usable & (slope != 0.0)
    return _Seen(rows.time[mine], (deg[mine] - rig.cam.nose_deg("intake") + 360.0) % 720.0 - 360.0, slope[mine])


def _without_hand(rig: Rig, done: Latching, seen: _Seen, columns: Floats) -> Floats:
    """Information of the parameters in `columns` (derivatives of each reading's lift) with the crank's place at every edge unknown
    but for what is seen of it.
    """
    gauge = rig.indicators[0]
    noise = math.sqrt(gauge.step_mm**2 / 12 + gauge.noise_mm**2)
    columns = columns / noise
    if rig.board.latch == "edge":
        return np.asarray(columns.T @ columns)
    rows = done.rows
    before = np.flatnonzero(np.diff(rows.crank))
    turned = np.abs(done.motion.at(rows.time[before + 1]) - done.motion.at(rows.time[before]))
    # Several counts between two samples: then the count itself says where the crank is.
    known = np.maximum(np.minimum(turned, 360.0 / rig.encoder.cpr), 1e-7) / math.sqrt(12)
    edge = (rows.time[before] + rows.time[before + 1]) / 2
    return edges_unknown(columns, shares_between(seen.time, edge).multiply((seen.slope / noise)[:, None]).tocsr(), known)


def edges_unknown(columns: Floats, by_edge: sparse.csr_array, known: Floats) -> Floats:
    """Information of the parameters in `columns` if readings of unit variance also move `by_edge`, shape (readings, edges), with
    errors of the edges that have the standard deviations `known`.
    """
    edges = (by_edge.T @ by_edge + sparse.diags_array(1.0 / known**2)).tocsc()
    cross = by_edge.T @ columns
    return np.asarray(columns.T @ columns - cross.T @ splu(edges).solve(cross))


def shares_between(time: Floats, edge: Floats) -> sparse.csr_array:
    """Shares that the crank's places at the edges have in its place at instants. Shape (time, edges)."""
    k = np.clip(np.searchsorted(edge, time) - 1, 0, edge.size - 2)
    share = np.clip((time - edge[k]) / (edge[k + 1] - edge[k]), 0.0, 1.0)
    at = np.arange(time.size)
    entries = np.concatenate((1.0 - share, share)), (np.concatenate((at, at)), np.concatenate((k, k + 1)))
    return sparse.csr_array(entries, shape=(time.size, edge.size))


def _left(information: Floats, first: int) -> Floats:
    """What is left of the information of the first parameters if the others are unknown (Schur complement)."""
    other = information[first:, first:]
    size = np.sqrt(np.diag(other))
    met = size > math.sqrt(_UNSEEN) * size.max()
    scale = 1.0 / size[met]
    cross = information[first:, :first][met] * scale[:, None]
    inverse = np.linalg.pinv(other[np.ix_(met, met)] * scale * scale[:, None], rcond=_UNSEEN, hermitian=True)
    return np.asarray(information[:first, :first] - cross.T @ inverse @ cross)
