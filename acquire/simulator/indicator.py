"""A digital indicator: what it shows of a travel, and when. Seconds and millimetres in, counts and ages out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Bools, Floats, Ints

_MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Indicator:
    """One indicator. `where` it stands: "lobe" (on lifter or cam follower) or "valve".

    `step` is one count in `unit`. `latency_s`: the reading latched at t shows the travel at t - latency. `per_s`: readings a
    second of a gauge that sends by itself; 0 for a scale that the board reads at every crank latch, `lag_s` after it.
    `preload_mm` is what it shows on the base circle. `drift_mm_s` runs from the board's start. `tilt_deg` is the angle between
    plunger and travel: a plunger on a flat reads travel / cos, `tip` "fixed" reads travel x cos. `reach_mm` is its measuring
    range; outside it stands at its end.

    Misbehaviour, each from a share 0 to 1 of a phase on, or by chance per reading: `spike_share` (up to `spike_mm`), `stuck`
    (stretches as (from, to) shares), `flip_from` (sign), `inch_from` (someone presses the unit key), `silent_from` (only of a
    gauge that sends by itself).
    """

    where: str = "valve"
    step: float = 0.01
    unit: str = "mm"
    noise_mm: float = 0.002
    latency_s: float = 0.0
    per_s: float = 0.0
    lag_s: float = 0.0
    sign: int = 1
    preload_mm: float = 1.0
    drift_mm_s: float = 0.0
    tilt_deg: float = 0.0
    tip: str = "flat"
    reach_mm: tuple[float, float] = (-1.0, 25.0)
    spike_share: float = 0.0
    spike_mm: float = 3.0
    stuck: tuple[tuple[float, float], ...] = ()
    flip_from: float | None = None
    inch_from: float | None = None
    silent_from: float | None = None

    @property
    def step_mm(self) -> float:
        """One count in mm."""
        return self.step * (_MM_PER_INCH if self.unit == "in" else 1.0)

    @property
    def gain(self) -> float:
        """Reading over travel, for the tilt."""
        cosine = float(np.cos(np.radians(self.tilt_deg)))
        return cosine if self.tip == "fixed" else 1 / cosine

    def latched(
        self, latch_s: Floats, travel: Callable[[Floats], Floats], span: tuple[float, float], rng: np.random.Generator
    ) -> tuple[Ints, Floats, Bools]:
        """What stands in the frames latched at `latch_s` (growing): counts, ages in s, and where a reading was out of range."""
        if self.per_s == 0:
            counts, over = self._read(latch_s + self.lag_s, travel, span, rng)
            return counts, np.full(latch_s.shape, -self.lag_s), over
        period = 1 / self.per_s
        number = int((span[1] - span[0]) * self.per_s) + 3
        sent = span[0] - period * rng.random() + period * (np.arange(number) + 0.05 * rng.standard_normal(number))
        sent = np.maximum.accumulate(sent)
        if self.silent_from is not None:
            sent = sent[: max(1, int(np.searchsorted(sent, span[0] + self.silent_from * (span[1] - span[0]))))]
        counts, over = self._read(sent, travel, span, rng)
        newest = np.clip(np.searchsorted(sent, latch_s, side="right") - 1, 0, None)
        return counts[newest], latch_s - sent[newest], over[newest]

    def _read(
        self, at: Floats, travel: Callable[[Floats], Floats], span: tuple[float, float], rng: np.random.Generator
    ) -> tuple[Ints, Bools]:
        share = (at - span[0]) / max(span[1] - span[0], 1e-9)
        shown = self.gain * travel(at - self.latency_s) + self.preload_mm + self.drift_mm_s * at
        shown = shown + self.noise_mm * rng.standard_normal(at.size)
        over = shown > self.reach_mm[1]  # below, the plunger hangs free: no error
        shown = np.clip(shown, *self.reach_mm)
        for begin, end in self.stuck:
            held = (share >= begin) & (share <= end)
            shown = np.where(held, shown[np.argmax(held)], shown)
        spikes = rng.random(at.size) < self.spike_share
        shown = shown + np.where(spikes, self.spike_mm * rng.uniform(-1, 1, at.size), 0.0)
        shown = shown * self.sign * np.where(share >= (2.0 if self.flip_from is None else self.flip_from), -1, 1)
        inch = share >= (2.0 if self.inch_from is None else self.inch_from)
        return np.rint(np.where(inch, shown / (0.0005 * _MM_PER_INCH), shown / self.step_mm)).astype(np.int64), over
