"""Which rows of a capture share one zero of the count: up to a new start of the board, and without counts that the crank cannot have
made.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.base.samples import Bools, Capture, Ints, Samples
from analysis.base.selection import only

# No hand and no starter turns a crank a hundred times a second, which is 6000 a minute: a count that goes further between two rows
# is not the crank's. So many counts are allowed beside, for edges that are latched within one tick of the board's clock.
FASTEST_TURNS_S, ALLOWED_COUNTS = 100, 2


@dataclass(frozen=True)
class CountJump:
    """Rows whose count the crank cannot have made: `rows` of them, the first at board time `at_us`, `counts` (signed) away from the
    last sound one. `returned`: the count came back, a spike; else it stayed there, and where the crank was from then on is unknown.
    """

    counts: int
    at_us: int
    rows: int
    returned: bool


def first_start(capture: Capture) -> Capture:
    """The capture up to the first new start of its board; the capture itself if there was none.

    Where the count began behind it nobody knows, so that nothing may be mixed or compared across it. Rows, index pulses and gaps are
    cut; the rest is that of the whole.
    """
    origin = capture.samples.origin
    if not origin.size or origin[-1] == origin[0]:
        return capture
    return _rows(capture, origin == origin[0], capture.index.origin == origin[0])


def on_one_count(capture: Capture) -> Capture:
    """The rows that share one zero of the count: up to the first new start of the board, or a jump of the count that stayed, and
    without the rows of a spike. The capture itself if that is all of it.
    """
    capture = first_start(capture)
    sound, jumps = _sound(capture.samples, capture.header.board.cpr)
    if not jumps:
        return capture
    pulses = capture.index.time_us
    stays = pulses < jumps[-1].at_us if not jumps[-1].returned else np.ones(pulses.shape, dtype=bool)
    return _rows(capture, sound, stays)


def reachable(samples: Samples, cpr: int) -> Bools:
    """Rows of a block whose count the crank can have made; all of them if it made none. Shape (n,)."""
    sound = _sound(samples, cpr)[0]
    return sound if sound.any() else ~sound


def count_jumps(capture: Capture) -> tuple[CountJump, ...]:
    """What `on_one_count` leaves out because the crank cannot have made it, in order of time; empty in a sound capture."""
    return _sound(first_start(capture).samples, capture.header.board.cpr)[1]


def _rows(capture: Capture, mine: Bools, pulses: Bools) -> Capture:
    """Some rows and index pulses, and the gaps up to the last of these rows. Shapes (n,) and (k,)."""
    before = np.concatenate(([0], np.cumsum(mine)))
    end = mine.size if mine[-1] else int(np.flatnonzero(mine)[-1])
    return replace(
        capture,
        samples=only(capture.samples, mine),
        index=only(capture.index, pulses),
        gaps=tuple(replace(gap, row=int(before[gap.row])) for gap in capture.gaps if gap.row <= end),
    )


def _sound(samples: Samples, cpr: int) -> tuple[Bools, tuple[CountJump, ...]]:
    """Which rows the crank can have reached from the sound one before them, shape (n,), and what the others are."""
    time_us, crank = samples.time_us, samples.crank
    sound = np.ones(crank.shape, dtype=bool)
    starts = 1 + np.flatnonzero(np.abs(np.diff(crank)) - ALLOWED_COUNTS > _furthest(np.diff(time_us), cpr))
    if not starts.size:
        return sound, ()
    pieces = list(pairwise((0, *starts.tolist(), crank.size)))
    # The first two rows that agree are sound: the very first may be a spike itself.
    last = next((start for start, stop in pieces if stop - start > 1), 0)
    begun: int | None = None
    jumps: list[CountJump] = []

    def left_out(start: int, stop: int, returned: bool) -> None:
        sound[start:stop] = False
        jumps.append(CountJump(int(crank[start] - crank[last]), int(time_us[start]), stop - start, returned))

    for start, stop in pieces:  # one round a jump
        reached = abs(crank[start] - crank[last]) - ALLOWED_COUNTS <= _furthest(time_us[start] - time_us[last], cpr)
        if start < last or not reached:
            begun = start if begun is None else begun
            continue
        if begun is not None:
            left_out(begun, start, True)
            begun = None
        last = stop - 1
    if begun is not None:
        left_out(begun, crank.size, False)
    return sound, tuple(jumps)


def _furthest(us: Ints | np.int64, cpr: int) -> Ints:
    """Counts that the crank goes at most in so many microseconds. Shape of `us`."""
    return np.asarray(FASTEST_TURNS_S * cpr * np.maximum(us, 0) // 1_000_000)
