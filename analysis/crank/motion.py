"""How the crank moved: where it was at any time, which way, and from which samples the valve train can be believed.

Positions are in counts, fractional: a count of c means that the crank stands between the edges c and c + 1, so a sample latched
at the edge to c while counting up lies at c exactly, one latched at the edge down to c lies at c + 1, and one latched by time
at c + 1/2 give or take 1/2.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.base.errors import DataError
from analysis.base.samples import BY_TIME, Bools, Capture, Floats, IndexPulses, Ints, Samples


@dataclass(frozen=True)
class Motion:
    """The crank over one capture. `time_s`, `position` (counts): shape (k,), time not decreasing, one knot for each thing known.

    `usable`: shape (n,), by sample: turning in the direction of rotation with the slack taken up. `forward` is +1 or -1: the sign of
    counting in the direction of rotation.
    """

    time_s: Floats
    position: Floats
    usable: Bools
    forward: int

    def at(self, time_s: Floats) -> Floats:
        """Position in counts at a time, by straight lines between knots. Shape of `time_s`."""
        return np.interp(time_s, self.time_s, self.position)

    def speed(self, time_s: Floats, half_width_s: float = 0.1) -> Floats:
        """Counts per second over a short time around each time. Shape of `time_s`.

        A tenth of a second: long enough for the width of a count not to matter, short against a stroke of the hand.
        """
        ahead, behind = self.at(time_s + half_width_s), self.at(time_s - half_width_s)
        return (ahead - behind) / (2 * half_width_s)


def direction_of_rotation(crank: Ints) -> int:
    """The sign of counting in which the crank went further altogether: +1 or -1 (+1 for no motion). Shape (n,)."""
    step = np.diff(crank)
    return 1 if step[step > 0].sum() >= -step[step < 0].sum() else -1


def knots(samples: Samples, latch: str) -> tuple[Floats, Floats]:
    """Times (s) and positions (counts) of what is known of the crank: edges, or the middle between two samples latched by
    time.
    """
    time: Floats = samples.time_us.astype(np.float64) * 1e-6
    crank = samples.crank.astype(np.float64)
    step = np.diff(samples.crank)
    if latch == "edge":
        on_edge = np.concatenate(([False], step != 0)) & ((samples.flags & BY_TIME) == 0) & ~samples.still
        down = np.concatenate(([False], step < 0))
        if on_edge.any():
            return time[on_edge], (crank + down)[on_edge]
    moved = step != 0
    if not moved.any():
        return time[:1], crank[:1] + 0.5
    middle: Floats = (time[:-1] + time[1:]) / 2
    edge: Floats = (crank[:-1] + crank[1:] + 1) / 2
    return middle[moved], edge[moved]


def usable_forward(crank: Ints, forward: int, allowance: float) -> Bools:
    """Where the crank turns in the direction of rotation with the slack of its drive surely taken up.

    After a reversal that is so once the crank passes the furthest point that it had reached before, or has gone `allowance`
    counts on from where it turned; at the start only the second is known to hold. `crank` has shape (n,) and one zero
    throughout.
    """
    p = forward * crank
    if p.size == 0:
        return np.zeros(0, dtype=bool)
    risen = p - np.minimum.accumulate(p)
    step = np.diff(p, prepend=p[0])
    if risen.max() < allowance or not step.any():  # as backward in most sweeps
        return np.zeros(p.shape, dtype=bool)
    # Direction of the last move, and the position at which the present run in one direction began.
    last_move = np.maximum.accumulate(np.where(step != 0, np.arange(p.size), 0))
    direction = np.sign(step[last_move])
    turn = np.flatnonzero(np.diff(direction, prepend=0) != 0)
    started = np.zeros(p.size, dtype=np.int64)
    started[turn] = turn
    began = np.maximum(np.maximum.accumulate(started) - 1, 0)
    gone_on = p - p[began]
    furthest = np.maximum.accumulate(p)
    engaged = ((p >= furthest) & (risen >= allowance)) | (gone_on >= allowance)
    return np.asarray((direction > 0) & engaged)


@dataclass(frozen=True)
class CountError:
    """Counts lost or gained between two index pulses: `counts` (signed) between the positions `after` and `before` (counts)."""

    counts: int
    after: int
    before: int
    from_us: int
    to_us: int


def find_count_errors(index: IndexPulses, cpr: int) -> tuple[CountError, ...]:
    """Where the way between two index pulses is not a whole number of turns: counts were lost, or the coupling slipped.

    One count is no error: a board that cannot tell the direction latches the pulse's two edges at places that far apart.
    """
    way = np.diff(index.crank)
    error = way - np.rint(way / cpr).astype(np.int64) * cpr
    same = np.diff(index.origin) == 0
    return tuple(
        CountError(int(error[i]), int(index.crank[i]), int(index.crank[i + 1]), int(index.time_us[i]), int(index.time_us[i + 1]))
        for i in np.flatnonzero((np.abs(error) > 1) & same)
    )


def mend_count(samples: Samples, errors: tuple[CountError, ...]) -> tuple[Ints, Bools]:
    """Counts with every error taken out again after the index pulse that showed it, and where counts cannot be trusted, which is
    between the two pulses. Shape (n,) each.
    """
    crank = samples.crank.copy()
    doubtful = np.zeros(crank.shape, dtype=bool)
    for error in errors:
        doubtful |= (samples.time_us >= error.from_us) & (samples.time_us <= error.to_us)
        crank[samples.time_us > error.to_us] -= error.counts
    return crank, doubtful


def follow(capture: Capture, forward: int, allowance: float) -> tuple[Motion, tuple[CountError, ...]]:
    """The motion of a capture, and the count errors that its index pulses show.

    `forward`: sign of counting in the direction of rotation; `allowance`: counts that the slack of the drive may take up. Samples
    between the pulses that show an error are not usable, those after it are put right. Samples of another origin than
    the first are not usable: where their count began is unknown. Raises DataError if there is no sample.
    """
    board, samples = capture.header.board, capture.samples
    if samples.crank.size == 0:
        raise DataError("the capture holds no samples", where=capture.path, do="Record it again")
    errors = find_count_errors(capture.index, board.cpr) if board.index else ()
    crank, doubtful = mend_count(samples, errors)
    mended = replace(samples, crank=crank)
    first = samples.origin == samples.origin[0]
    usable = np.zeros(crank.shape, dtype=bool)
    usable[first] = usable_forward(crank[first], forward, allowance)
    time_s, position = knots(mended, board.latch)
    return Motion(time_s, position, usable & ~samples.still & ~doubtful, forward), errors


def index_phase(index: IndexPulses, cpr: int) -> float | None:
    """Where in a turn the index pulse lies, in counts from 0 to cpr, as it was before any count error; None without a pulse.

    The median over the pulses of the first origin, around the circle.
    """
    if index.crank.size == 0:
        return None
    first = index.origin == index.origin[0]
    errors = find_count_errors(index, cpr)
    crank = index.crank - sum(
        (np.where(index.time_us >= error.to_us, error.counts, 0) for error in errors), np.zeros_like(index.crank)
    )
    away = (crank[first] - crank[0] + cpr // 2) % cpr - cpr // 2
    return float((index.crank[0] + np.median(away)) % cpr)
