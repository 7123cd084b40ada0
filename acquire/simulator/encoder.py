"""An incremental encoder on the crank: edges, index pulses, and everything that goes wrong with one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from acquire.simulator.trajectory import Motion
from analysis.base.samples import Bools, Floats, Ints


@dataclass(frozen=True)
class Lost:
    """`counts` edges are missed once the crank has gone `after_deg` from the start of a sweep.

    `seen`: the board notices, one illegal two-bit step for every two edges.
    """

    after_deg: float
    counts: int = 4
    seen: bool = True


@dataclass(frozen=True)
class Encoder:
    """The encoder and its mounting.

    `cpr`: counts a crank revolution (four per line). `direction`: +1 if it counts up in the direction of rotation, else -1.
    `eccentric`: e/R in rad; its error peaks `eccentric_deg` + 90 degrees after TDC. `index_deg`: crank degrees of the index.
    `phase`: where overlap TDC falls within a count, 0 to 1. `slip_deg` after `slip_after_deg` of a sweep: the coupling slips on
    the shaft, and the encoder, its index pulse included, stays behind (no board can notice that).
    """

    cpr: int = 2400
    direction: int = 1
    index: bool = True
    index_deg: float = 63.4
    phase: float = 0.37
    eccentric: float = 0.0
    eccentric_deg: float = 30.0
    slip_deg: float = 0.0
    slip_after_deg: float = 400.0
    lost: tuple[Lost, ...] = ()

    def reading(self, crank_deg: npt.ArrayLike) -> Floats:
        """Exact, continuous count at crank degrees from overlap TDC; the board shows its floor, from its own zero on."""
        crank = np.asarray(crank_deg, dtype=np.float64)
        wobble = np.degrees(self.eccentric) * np.sin(np.radians(crank - self.eccentric_deg))
        return np.asarray(self.direction * (crank + wobble) * self.cpr / 360 + self.phase)

    def crank_deg(self, reading: npt.ArrayLike) -> Floats:
        """The inverse of `reading`, a fixed point: the error shrinks by e/R a round, eight rounds are far below rounding."""
        turned = self.direction * (np.asarray(reading, dtype=np.float64) - self.phase) * 360 / self.cpr
        crank = turned
        for _ in range(8):
            crank = turned - np.degrees(self.eccentric) * np.sin(np.radians(crank - self.eccentric_deg))
        return np.asarray(crank)

    def shaft(self, motion: Motion, slipped: float) -> tuple[Motion, float]:
        """What the encoder's shaft does while the crank does `motion`, and by how much it has slipped in all afterwards."""
        begin = motion.when(motion.angle[0] + np.sign(motion.angle[-1] - motion.angle[0]) * self.slip_after_deg)
        if self.slip_deg == 0 or begin is None:
            return Motion(motion.time, motion.angle - slipped), slipped
        sense = float(np.sign(motion.angle[-1] - motion.angle[0]))
        edge = float(motion.at(begin))
        end = motion.when(edge + sense * self.slip_deg)
        end = motion.time[-1] if end is None else end
        cut = motion.with_knots([begin, end])
        gone = np.clip(sense * (cut.angle - edge), 0, self.slip_deg)
        behind = np.select([cut.time <= begin, cut.time < end], [np.zeros_like(gone), np.maximum.accumulate(gone)], self.slip_deg)
        return Motion(cut.time, cut.angle - slipped - sense * behind), slipped + sense * self.slip_deg

    def edges(self, shaft: Motion) -> tuple[Floats, Ints]:
        """Every count step: its instant (s) and the count just taken, none lost; shape (n,), in order of time."""
        time, level, up = self._crossings(shaft, 1.0, 0.0)
        return time, np.where(up, level, level - 1)

    def index_pulses(self, shaft: Motion) -> tuple[Floats, Ints]:
        """Index pulses: instant and the count at that place, the same in both directions."""
        offset = float(self.reading(self.index_deg))
        time, level, _ = self._crossings(shaft, float(self.cpr), offset)
        return time, np.floor(level * self.cpr + offset).astype(np.int64)

    def _crossings(self, shaft: Motion, pitch: float, offset: float) -> tuple[Floats, Ints, Bools]:
        """Where the reading passes offset + k pitch: instants, k, and whether upward. All pieces of the motion at once."""
        cell = np.floor((self.reading(shaft.angle) - offset) / pitch).astype(np.int64)
        steps = np.diff(cell)
        piece = np.repeat(np.arange(steps.size), np.abs(steps))
        within = np.arange(piece.size) - np.repeat(np.cumsum(np.abs(steps)) - np.abs(steps), np.abs(steps))
        up = steps[piece] > 0
        level = np.where(up, cell[piece] + 1 + within, cell[piece] - within)
        angle, time = shaft.angle, shaft.time
        share = (self.crank_deg(level * pitch + offset) - angle[piece]) / (angle[piece + 1] - angle[piece])
        return time[piece] + np.clip(share, 0, 1) * (time[piece + 1] - time[piece]), level, up


def lose(
    edges: tuple[Floats, Ints], places: tuple[Lost, ...], shaft: Motion, direction: int
) -> tuple[tuple[Floats, Ints], Floats, Ints, Floats]:
    """Take the lost edges out of a train of edges.

    Returns the edges that are left (with the counts the board then shows), the instants of the losses, by how much the count is
    wrong after each, and the instants at which the board notices.
    """
    time, count = edges
    keep, shift = np.ones(time.size, dtype=bool), np.zeros(time.size, dtype=np.int64)
    instants: list[float] = []
    amounts: list[int] = []
    noticed: list[float] = []
    for place in places:
        sense = float(np.sign(shaft.angle[-1] - shaft.angle[0]))
        when = shaft.when(float(shaft.angle[0]) + sense * place.after_deg)
        first = time.size if when is None else int(np.searchsorted(time, when))
        last = first + place.counts
        if when is None or last >= time.size:
            continue
        before = count[first - 1] if first else count[first] - int(sense) * direction
        missing = int(before - count[last - 1])
        keep[first:last] = False
        shift[last:] += missing
        instants, amounts = [*instants, float(time[last - 1])], [*amounts, missing]
        noticed += [float(time[last - 1])] * (place.counts // 2 if place.seen else 0)
    return (time[keep], (count + shift)[keep]), np.array(instants), np.array(amounts, dtype=np.int64), np.array(noticed)
