"""How many counts lie between one coming of the lobe and the next: two turns of the crank, whatever the board says of its encoder."""

from __future__ import annotations

import numpy as np

from analysis.base.errors import DataError
from analysis.base.samples import SILENT, Capture, Floats, Ints

# A lobe has come once the lift has passed the upper share of its height, and gone below the lower one.
UPPER, LOWER = 0.6, 0.4
# Comings that lie as far apart, to this share, tell the period; one that differs by more from twice the counts a turn is no lag.
ALIKE, OFF = 0.01, 0.015
# One period may be a count that was lost, or a unit that was switched; two that agree are the encoder's.
LEAST_PERIODS = 2
# Heights of a reading that hardly moved tell nothing (counts of the indicator).
LEAST_COUNTS, LEAST_READINGS = 20, 30


def refuse_other_cpr(capture: Capture) -> None:
    """DataError if a lobe that was swept twice or more does not come round every second turn of an encoder of the board's cpr."""
    board, s = capture.header.board, capture.samples
    for channel in range(s.lift.shape[0]):
        spoke = ((s.flags & SILENT[channel]) == 0) & (s.origin == s.origin[0])
        if spoke.sum() < LEAST_READINGS or np.ptp(s.lift[channel][spoke]) < LEAST_COUNTS:
            continue
        apart = np.abs(np.diff(lobe_centers(s.crank[spoke], s.lift[channel][spoke].astype(np.float64))))
        apart = apart[apart > 0.2 * board.cpr]
        if apart.size < LEAST_PERIODS or np.ptp(apart) > ALIKE * apart.mean():
            continue
        cpr = float(apart.mean()) / 2
        if abs(cpr - board.cpr) > OFF * board.cpr:
            raise DataError(
                f"the lobe comes round every {2 * cpr:.0f} counts, so that the encoder makes about {cpr:.0f} counts a turn, and the "
                f"board says {board.cpr}: its cpr is set wrong, or counts are lost all the time",
                do="Set the board to the encoder's counts a turn (four times its lines), find TDC again and sweep again",
            )


def lobe_centers(crank: Ints | Floats, lift: Floats) -> Floats:
    """Counts at the middle of each whole coming of the lobe: between where the lift passed half its height going up and coming down.

    `crank` in counts of one origin and `lift` in any unit, shape (n,), in order of time. Shape (k,).
    """
    if lift.size < 9:
        return np.zeros(0)
    low, middle, high = np.quantile(lift, (0.01, 0.5, 0.99))
    if high - low <= 0.0:
        return np.zeros(0)
    share = (lift - low) / (high - low) if high - middle >= middle - low else (high - lift) / (high - low)
    state = np.where(share > UPPER, 1, np.where(share < LOWER, -1, 0))
    known = np.flatnonzero(state)
    turns = known[1:][np.diff(state[known]) != 0]
    up, down = turns[state[turns] > 0], turns[state[turns] < 0]
    found = []
    for start in up.tolist():  # one round a coming
        end = down[down > start]
        if end.size:
            found.append((float(crank[start]) + float(crank[end[0]])) / 2)
    return np.array(found)
