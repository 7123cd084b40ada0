"""Where the crank was between two edges that are known, and where it cannot be told.

An edge says where the crank was at one instant. Between edges that follow each other quickly a straight line is as good as
anything; in a slow count the crank speeds up or slows down on the way, and in a count in which it rested or turned round it may
have been anywhere. There only the readings next to an edge are worth something, and they are worth much: a crank that creeps over
an edge is known better there than anywhere else.
"""

from __future__ import annotations

import numpy as np

from analysis.base.samples import Bools, Floats, Ints
from analysis.crank.motion import Motion

# A count that takes longer than this (s) is slow: a hand changes its speed within it by more than the clock leaves open.
SLOW_S = 0.02
# A count that takes longer than this (s), and twice as long as one beside it, may hold a rest.
REST_S = 0.1
# How near to an edge (s) the crank is still known while it comes to rest or leaves it.
NEAR_S = 0.02
# Two edges are not told apart within this (s): the tick of a board's clock.
LEAST_S = 1e-6


def place(motion: Motion, time_s: Floats, period_s: float = 0.0) -> tuple[Floats, Bools]:
    """Positions (counts) at growing times, and whether they are known. Shape of `time_s`.

    `period_s`: time between two samples if they are latched by time, since an edge is known to that only. Not known is where the
    crank rested, before the first edge and after the last, where it turned round, and between the furthest edge that it had
    reached before it was turned back and the next: how far beyond that edge it had been nobody saw, and until it is there
    again the slack of the drive is not taken up.
    """
    t, p = motion.time_s, motion.position
    position, known = motion.at(time_s), np.ones(time_s.shape, dtype=bool)
    if t.size < 3:
        return position, known
    lasted, way = np.maximum(np.diff(t), LEAST_S), np.diff(p)
    slow = np.flatnonzero(lasted > SLOW_S)
    near = max(NEAR_S, period_s)
    stands = slow[lasted[slow] > max(REST_S, 5 * near)]
    stands = stands[lasted[stands] > 2 * _beside(lasted, stands)]
    at, number = _within(time_s, t[slow], t[slow + 1])
    if at.size:
        begin, end = (_speed(slow + on, lasted, way, stands)[number] * lasted[slow[number]] for on in (0, 1))
        k = slow[number]
        share = (time_s[at] - t[k]) / lasted[k]
        # What a cubic through both edges at the speeds there has beyond the straight line (Hermite).
        bent = position[at] + share * (1.0 - share) * ((1.0 - share) * (begin - way[k]) - share * (end - way[k]))
        position[at] = np.clip(bent, np.minimum(p[k], p[k + 1]), np.maximum(p[k], p[k + 1]))
    turned, again = np.flatnonzero(way == 0), np.flatnonzero(_again(motion.forward * p))
    # The edge itself was passed before the crank was turned back.
    start = np.concatenate(([-np.inf], t[stands] + near, t[turned] + LEAST_S / 2, t[again], [t[-1] + near]))
    stop = np.concatenate(([t[0] - near], t[stands + 1] - near, t[turned + 1], t[again + 1], [np.inf]))
    known[_within(time_s, start, stop)[0]] = False
    return position, known


def _beside(lasted: Floats, k: Ints) -> Floats:
    """How long the shorter of the two counts beside each of some took. Shape of `k`."""
    padded = np.concatenate(([np.inf], lasted, [np.inf]))
    return np.minimum(padded[k], padded[k + 2])


def _again(reached: Floats) -> Bools:
    """Whether the count behind each edge begins where the crank had been furthest before it was turned back. `reached`: positions of
    the edges in the direction of rotation, shape (k,); shape (k - 1,).
    """
    furthest = np.maximum.accumulate(reached[:-2])
    return np.concatenate(([False], (reached[1:-1] > furthest - 1) & (reached[1:-1] <= furthest)))


def _speed(edge: Ints, lasted: Floats, way: Floats, stands: Ints) -> Floats:
    """Speed (counts/s) at some edges: slope of the parabola through three edges, none of them beyond a count in which the crank
    stands; 0 between two such counts. Shape of `edge`.
    """
    rests = np.ones(lasted.size + 4, dtype=bool)
    rests[2:-2] = False
    rests[stands + 2] = True
    # Counts before and behind each edge, and one further on; a count beyond the ends stands.
    beside = [np.clip(edge + on, 0, lasted.size - 1) for on in (-2, -1, 0, 1)]
    t2, t1, t0, tn = (lasted[k] for k in beside)
    v2, v1, v0, vn = (way[k] / lasted[k] for k in beside)
    middle = v1 + (v0 - v1) * t1 / (t1 + t0)
    ahead = v0 + (v0 - vn) * t0 / (t0 + tn)
    behind = v1 + (v1 - v2) * t1 / (t1 + t2)
    before, after = rests[edge + 1], rests[edge + 2]
    return np.asarray(np.select([before & after, before, after], [np.zeros_like(middle), ahead, behind], middle))


def _within(time_s: Floats, start: Floats, stop: Floats) -> tuple[Ints, Ints]:
    """Which of growing times lie in the spans from `start` to before `stop`, and in which span each. Shape (m,) each."""
    first = np.searchsorted(time_s, start)
    count = np.maximum(np.searchsorted(time_s, stop) - first, 0)
    number = np.repeat(np.arange(count.size), count)
    within = np.arange(number.size) - np.repeat(np.cumsum(count) - count, count)
    return np.asarray(first[number] + within, dtype=np.int64), np.asarray(number, dtype=np.int64)
