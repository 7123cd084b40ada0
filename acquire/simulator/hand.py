"""A hand on a bar turns the crank: strokes, rests, roll-backs and bumps, as a `Motion`. Crank degrees and seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acquire.simulator.laws import LAWS
from acquire.simulator.trajectory import Motion
from analysis.base.samples import Floats

_PEAK = 1.875  # peak speed of a 3-4-5 stroke over its mean
_KNOT_DEG = 1.0  # one knot a degree of stroke, so that speed is as good as smooth


@dataclass(frozen=True)
class Hand:
    """How a person turns. Ranges are (least, most), drawn evenly.

    `speed`: peak speed of a stroke, deg/s. `stroke`: degrees of one pull of the bar. `rest`: seconds between two pulls. After a
    pull the crank rolls back with the chance `rollback_share` by up to `rollback_deg`; a bump (a knock against the bar, back and
    forth within a tenth of a second) comes with `bump_share` and is up to `bump_deg` wide. `unsteady` is the share by which speed
    wavers. `still_s`: seconds of stillness at the end of a phase (and half of it at the start).
    """

    speed: tuple[float, float] = (8.0, 28.0)
    stroke: tuple[float, float] = (60.0, 120.0)
    rest: tuple[float, float] = (0.3, 1.2)
    rollback_share: float = 0.2
    rollback_deg: float = 0.6
    bump_share: float = 0.1
    bump_deg: float = 0.4
    unsteady: float = 0.08
    still_s: float = 3.0


class Turning:
    """Collects the moves of one phase, from an angle and an instant on."""

    def __init__(self, hand: Hand, angle: float, time: float, rng: np.random.Generator) -> None:
        self._hand, self._rng = hand, rng
        self._time, self._angle = [np.array([time])], [np.array([angle])]
        self.rest(hand.still_s / 2)

    @property
    def angle(self) -> float:
        """Where the crank stands now."""
        return float(self._angle[-1][-1])

    def rest(self, seconds: float) -> None:
        """The crank stands still."""
        self._add(np.array([seconds]), np.array([self.angle]))

    def stroke(self, to: float, peak_speed: float) -> None:
        """One smooth move to an angle."""
        way = to - self.angle
        if way == 0 or peak_speed <= 0:
            return
        knots = np.linspace(0, 1, max(6, int(abs(way) / _KNOT_DEG)) + 1)[1:]
        shape = LAWS["3-4-5"](knots)
        duration = abs(way) * _PEAK / peak_speed
        angles = self.angle + way * shape
        angles[-1] = to  # to the last bit, so that no sliver of a stroke is left
        self._add(duration * knots * self._waver(knots), angles)

    def pull(self, to: float) -> None:
        """On to an angle in strokes, with all that a hand does on the way."""
        hand, rng = self._hand, self._rng
        while (left := to - self.angle) != 0:
            way = min(abs(left), rng.uniform(*hand.stroke))
            target = to if way == abs(left) else self.angle + np.sign(left) * way
            self.stroke(target, rng.uniform(*hand.speed))
            self.rest(rng.uniform(*hand.rest))
            if target != to and rng.random() < hand.rollback_share:
                self.stroke(self.angle - np.sign(left) * rng.uniform(0.2, 1.0) * hand.rollback_deg, hand.speed[0])
                self.rest(rng.uniform(*hand.rest))
            if target != to and rng.random() < hand.bump_share:
                here, knock = self.angle, np.sign(left) * rng.uniform(0.2, 1.0) * hand.bump_deg
                self.stroke(here - knock, 20 * hand.bump_deg * _PEAK)
                self.stroke(here, 20 * hand.bump_deg * _PEAK)

    def finish(self) -> Motion:
        """Stillness, and the whole motion."""
        self.rest(self._hand.still_s)
        return Motion(np.concatenate(self._time), np.concatenate(self._angle))

    def _add(self, after: Floats, angle: Floats) -> None:
        self._time.append(self._time[-1][-1] + after)
        self._angle.append(angle)

    def _waver(self, knots: Floats) -> Floats:
        """A slow, smooth stretching of the clock within one stroke: 1 at its end, and never enough to turn time back."""
        waves = np.arange(1, 4)
        size = self._hand.unsteady * self._rng.uniform(-1, 1, waves.size) / waves**2
        return 1 + np.sin(np.pi * knots[:, None] * waves) @ size / np.pi


def swing(turning: Turning, low: float, high: float, touches: int, scatter: Floats) -> Motion:
    """Between the two contacts of a piston stop, the long way round, until each side was touched `touches` times.

    `scatter`, shape (2, touches): by how many degrees each contact gives way, low and high. The crank rests at each contact.
    """
    for k in range(touches):
        turning.pull(high + scatter[1, k])
        turning.pull(low - scatter[0, k])
    turning.pull((low + high) / 2)
    return turning.finish()


def to_and_fro(turning: Turning, center: float, reach: float, times: int) -> Motion:
    """Over `center` from `reach` degrees before it to as many behind it and back, `times` times forward."""
    turning.pull(center - reach - 5)
    for _ in range(times):
        turning.pull(center - reach)
        turning.pull(center + reach)
        turning.pull(center - reach - 5)
    turning.pull(center + reach)
    return turning.finish()


def onward(turning: Turning, degrees: float) -> Motion:
    """Onward by so many degrees (negative: backward)."""
    turning.pull(turning.angle + degrees)
    return turning.finish()
