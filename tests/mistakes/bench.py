"""A bench of its own for mistakes: an engine, a hand, an encoder and an indicator, written from the format notes alone.

Nothing here comes from the project's simulator or analysis, so that neither can excuse the other. Crank degrees from overlap TDC
of cylinder 1; the count grows with the crank unless `up` is -1.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

Floats = npt.NDArray[np.float64]
TICK_S = 5e-4


@dataclass(frozen=True)
class Lobe:
    """A lobe of 4-5-6-7 flanks (VDI 2143) with its nose at `nose_deg` (crank), `rise_deg` and `fall_deg` long (crank), on ramps of
    constant velocity `ramp_mm` high; `dwell_deg` of level nose. Lift at the lobe, mm.
    """

    lift_mm: float
    nose_deg: float
    rise_deg: float
    fall_deg: float
    ramp_mm: float = 0.15
    ramp_deg: float = 30.0
    dwell_deg: float = 0.0
    worn_mm: float = 0.0

    def at(self, deg: Floats) -> Floats:
        """Lift at crank angles, any cycle."""
        away = (np.asarray(deg, dtype=np.float64) - self.nose_deg + 360.0) % 720.0 - 360.0
        long = np.where(away < 0, self.rise_deg, self.fall_deg)
        x = np.clip(1.0 - np.maximum(np.abs(away) - self.dwell_deg / 2, 0.0) / long, 0.0, 1.0)
        flank = x**4 * (35.0 + x * (-84.0 + x * (70.0 - 20.0 * x)))
        beyond = np.maximum(np.abs(away) - self.dwell_deg / 2, 0.0)
        # The ramp ends in a parabola of a few degrees, so that the velocity of the true lobe has no jump.
        ramp_start, soft = long + 4.0, 6.0
        left = np.clip(ramp_start - beyond, 0.0, None)
        slope = max(self.ramp_mm, 1e-9) / self.ramp_deg
        rise = np.where(left < soft, slope * left**2 / (2 * soft), slope * (left - soft / 2))
        ramp = self.ramp_mm * np.tanh(rise / max(self.ramp_mm, 1e-9))
        shape = ramp + (self.lift_mm - self.ramp_mm) * flank
        return np.asarray(shape - self.worn_mm * np.exp(-((away / 20.0) ** 2)))


@dataclass(frozen=True)
class Bench:
    """What stands on the stand. `lash_mm` is what is really in; `seat` etc. are what a mistake changes."""

    seed: int = 0
    cpr: int = 2400
    up: int = 1
    tdc_count: float = 1000.4
    index_at: int | None = None  # count at which the index pulse comes, once a turn
    intake: Lobe = Lobe(7.2, 108.0, 128.0, 134.0)
    exhaust: Lobe = Lobe(7.0, -109.0, 130.0, 136.0)
    ratio: float = 1.5
    lash_mm: float = 0.0
    stroke_mm: float = 86.0
    rod_mm: float = 143.0
    pin_mm: float = 0.0
    depth_mm: float = 12.0
    step_mm: float = 0.01
    noise_mm: float = 0.002
    lag_s: float = 0.02
    gauge_s: float = 0.01
    slack_deg: float = 0.8
    contact_deg: float = 0.03
    speed: float = 45.0  # deg/s in the mean of a pull
    boot: int = 7
    board: str = "bench-a"

    @property
    def rng(self) -> np.random.Generator:
        """Everything random comes from the seed."""
        return np.random.default_rng(self.seed)

    def valve_lift(self, valve: str, cam_deg: Floats) -> Floats:
        """Lift at the valve, with the lash that is really in."""
        lobe = self.intake if valve == "intake" else self.exhaust
        return np.maximum(self.ratio * lobe.at(cam_deg) - self.lash_mm, 0.0)

    def piston_mm(self, deg: Floats) -> Floats:
        """How far the piston stands below its top (Heywood, Internal Combustion Engine Fundamentals, eq. 2.5; from memory)."""
        t, r = np.radians(deg), self.stroke_mm / 2
        top = math.sqrt((r + self.rod_mm) ** 2 - self.pin_mm**2)
        return np.asarray(top - r * np.cos(t) - np.sqrt(self.rod_mm**2 - (r * np.sin(t) - self.pin_mm) ** 2))

    @property
    def contacts(self) -> tuple[float, float]:
        """Crank angles (deg about TDC) at which the piston meets the stop, before and after the top."""

        def gap(deg: float) -> float:
            return float(self.piston_mm(np.array(deg))) - self.depth_mm

        top = math.degrees(math.asin(self.pin_mm / (self.rod_mm + self.stroke_mm / 2)))
        return float(brentq(gap, top - 179.0, top)), float(brentq(gap, top, top + 179.0))

    def true_event(self, valve: str, lobe_lift_mm: float, *, opens: bool) -> float:
        """Crank angle at which the lobe passes a lift."""
        lobe = self.intake if valve == "intake" else self.exhaust
        nose = lobe.nose_deg
        far = nose - 200.0 if opens else nose + 200.0
        return float(brentq(lambda deg: float(lobe.at(np.array(deg))) - lobe_lift_mm, *sorted((nose, far))))


@dataclass(frozen=True)
class Path:
    """The crank over time, evenly sampled: `deg` true crank angle, shape (n,) each."""

    time_s: Floats
    deg: Floats

    def then(self, other: Path) -> Path:
        """One after the other; angles go on from where the first ended."""
        return Path(
            np.concatenate((self.time_s, self.time_s[-1] + TICK_S + other.time_s)),
            np.concatenate((self.deg, self.deg[-1] + other.deg - other.deg[0])),
        )


def pull(way_deg: float, speed: float) -> Path:
    """One pull of the hand: speed rises and falls softly."""
    n = max(int(abs(way_deg) / speed / TICK_S), 20)
    x = np.arange(n + 1) / n
    return Path(x * n * TICK_S, way_deg * (x - np.sin(2 * np.pi * x) / (2 * np.pi)))


def rest(seconds: float) -> Path:
    """The hand lets go, or holds still."""
    n = max(int(seconds / TICK_S), 1)
    return Path(np.arange(n) * TICK_S, np.zeros(n))


def turn(
    rng: np.random.Generator,
    way_deg: float,
    speed: float,
    *,
    pause: Callable[[float], float] | None = None,
    rollback: bool = True,
) -> Path:
    """Pulls of 60 to 120 degrees with pauses and small roll-backs until the way is done."""
    path, done = rest(0.5), 0.0
    sign = math.copysign(1.0, way_deg)
    while done < abs(way_deg):
        way = min(float(rng.uniform(60, 120)), abs(way_deg) - done)
        path = path.then(pull(sign * way, speed * float(rng.uniform(0.6, 1.5))))
        done += way
        held = float(rng.uniform(0.2, 0.8)) if pause is None else pause(done)
        if held > 0:
            path = path.then(rest(held))
        if rollback and rng.random() < 0.25 and done < abs(way_deg):
            back = float(rng.uniform(0.5, 3.0))
            path = path.then(pull(-sign * back, 15.0)).then(rest(0.2))
            done -= back
    return path.then(rest(0.5))


def strike(way_deg: float, speed: float) -> Path:
    """A pull that ends dead against something hard, at full speed."""
    n = max(int(abs(way_deg) / speed / TICK_S), 20)
    x = np.arange(n + 1) / n
    soft = np.where(x < 0.2, x * x / 0.4, x - 0.1) / 0.9
    return Path(x * n * TICK_S, way_deg * soft)


@dataclass(frozen=True)
class Recording:
    """The rows and notes of a capture."""

    step: str
    channels: tuple[str, ...]
    bench: Bench
    seq: Any
    time_us: Any
    crank: Any
    flags: Any
    age_us: Any
    lift: Any
    notes: tuple[tuple[int, dict[str, Any]], ...] = ()  # before which row
    cylinder: int = 1
    header: dict[str, Any] = field(default_factory=dict)
    hello: dict[str, Any] = field(default_factory=dict)

    def only(self, keep: Any) -> Recording:
        """The rows of a mask; notes stay with the row before which they stood."""
        place = np.concatenate(([0], np.cumsum(keep)))
        notes = tuple((int(place[row]), note) for row, note in self.notes)
        arrays = {name: getattr(self, name)[keep] for name in ("seq", "time_us", "crank", "flags", "age_us", "lift")}
        return replace(self, notes=notes, **arrays)

    def noted(self, row: int, note: dict[str, Any]) -> Recording:
        """With one more note before a row."""
        return replace(self, notes=tuple(sorted((*self.notes, (row, note)), key=lambda at: at[0])))

    def text(self, *, end: bool = True) -> str:
        """The file, by firmware-notes/capture-format.md."""
        b = self.bench
        hello = {
            "version": "1.0", "cpr": b.cpr, "index": b.index_at is not None, "latch": "edge", "steps_mm": [b.step_mm],
            "units": ["mm"], "rate": 0, "boot": b.boot, "board": b.board,
        } | self.hello  # fmt: skip
        head = {
            "format": 1, "software": "a bench of its own", "started": "2026-05-04T09:00:00+00:00", "step": self.step,
            "cylinder": self.cylinder, "channels": list(self.channels), "hello": hello, "link": f"{b.board}-{b.boot}",
            "engine": "mail boat", "note": "",
        } | self.header  # fmt: skip
        lines = ["# lobetrace capture 1", "# " + json.dumps({"capture": head}), "seq,time_us,crank,flags,age1_us,lift1"]
        columns = (self.seq, self.time_us % (1 << 32), self.crank, self.flags, self.age_us, self.lift)
        each = zip(*(column.tolist() for column in columns), strict=True)
        rows = [f"{seq},{time_us},{crank},{flags},{age_us},{lift}" for seq, time_us, crank, flags, age_us, lift in each]
        done = 0
        for at, note in self.notes:
            lines += [*rows[done:at], "# " + json.dumps(note)]
            done = max(done, at)
        lines += rows[done:]
        body = "\n".join(lines) + "\n"
        if not end:
            return body
        digest = hashlib.sha256(body.encode()).hexdigest()
        return body + "# " + json.dumps({"end": {"rows": int(self.seq.size), "sha256": digest}}) + "\n"


def play(deg: Floats, slack: float) -> Floats:
    """Where the camshaft stands (in crank degrees) behind a drive with slack: it follows the crank forward, and backward only once
    the slack is taken up.
    """
    if slack <= 0.0 or deg.size < 2:
        return deg
    sign = np.sign(np.diff(deg, prepend=deg[0]))
    at = np.flatnonzero(np.diff(sign, prepend=2.0) != 0)
    cam, state = np.empty_like(deg), float(deg[0])
    for start, stop in zip(at, [*at[1:], deg.size], strict=True):
        run = deg[start:stop]
        cam[start:stop] = np.clip(state, run, run + slack)
        state = float(cam[stop - 1])
    return cam


def record(
    bench: Bench,
    path: Path,
    step: str,
    channel: str,
    reading: Callable[[Floats, Floats], Floats],
    *,
    start_deg: float = 0.0,
    slip: Callable[[Floats], Floats] | None = None,
) -> Recording:
    """Turn the crank along a path and write down what the board says. `reading(cam_deg, time_s)`: what stands at the plunger, mm;
    `slip(time_s)`: degrees by which the encoder's housing has slipped.
    """
    rng = np.random.default_rng(bench.seed + 77)
    deg = path.deg - path.deg[0] + start_deg
    cam = play(deg, bench.slack_deg)
    seen = deg if slip is None else deg - slip(path.time_s)
    place = bench.up * seen * bench.cpr / 360.0 + bench.tdc_count
    count = np.floor(place).astype(np.int64)
    moved = np.flatnonzero(np.diff(count) != 0)
    times, counts = [], []
    step_of = np.sign(np.diff(count)[moved])
    edge = np.where(step_of > 0, count[moved + 1], count[moved])
    share = (edge - place[moved]) / (place[moved + 1] - place[moved])
    times.append(path.time_s[moved] + share * TICK_S)
    counts.append(count[moved + 1])
    at_edge, of_edge = times[0], counts[0]
    gaps = np.concatenate(([path.time_s[0]], at_edge, [path.time_s[-1]]))
    beats = np.concatenate([np.arange(a + 0.2, b, 0.2) for a, b in pairwise(gaps) if b - a > 0.2] or [np.zeros(0)])
    of_beat = count[np.clip(np.searchsorted(path.time_s, beats) - 1, 0, count.size - 1)]
    time = np.concatenate((at_edge, beats))
    order = np.argsort(time, kind="stable")
    time, crank = time[order], np.concatenate((of_edge, of_beat))[order]
    flags = np.concatenate((np.zeros(at_edge.size), np.full(beats.size, 256)))[order].astype(np.int64)
    phase = float(rng.uniform(0, bench.gauge_s))
    latch = np.floor((time - phase) / bench.gauge_s) * bench.gauge_s + phase
    when = np.clip(latch - bench.lag_s, 0.0, None)
    cam_then = np.interp(when, path.time_s, cam)
    # One reading is one draw: samples that repeat a reading repeat its noise.
    number = np.rint((latch - phase) / bench.gauge_s).astype(np.int64)
    noise = rng.normal(0.0, bench.noise_mm, int(number.max() - number.min()) + 1)[number - number.min()]
    lift = np.rint((reading(cam_then, when) + noise) / bench.step_mm).astype(np.int64)
    time_us = np.rint(time * 1e6).astype(np.int64) + 1_000_000
    age = np.rint((time - latch) * 1e6).astype(np.int64)
    made = Recording(step, (channel,), bench, np.arange(time.size), time_us, crank, flags, age, lift)
    if bench.index_at is None:
        return made
    for k in np.flatnonzero((crank[1:] - bench.index_at) % bench.cpr == 0) + 1:
        if crank[k] != crank[k - 1]:
            made = made.noted(int(k), {"index": {"seq": int(k), "time_us": int(time_us[k]) % (1 << 32), "crank": int(crank[k])}})
    return made


ZERO_MM = 1.0


def stop_path(
    bench: Bench, touches: int = 3, *, sides: str = "both", mark: float | None = None, scatter: float | None = None
) -> tuple[Path, float]:
    """Swinging between the contacts, the long way round, and where it starts. `mark`: on the far side the hand turns back by itself
    that many degrees short of the stop; `sides`: "both" or only "after".
    """
    rng = bench.rng
    before, after = bench.contacts
    spread = bench.contact_deg if scatter is None else scatter
    at, start = 180.0, 180.0
    path = rest(0.6)

    def to(target: float, *, dead: bool) -> None:
        nonlocal path, at
        speed = float(rng.uniform(18, 35))
        path = path.then(strike(target - at, speed) if dead else pull(target - at, speed))
        at = target
        path = path.then(rest(float(rng.uniform(0.3, 0.9)) if dead else float(rng.uniform(0.0, 0.15))))

    for _ in range(touches):
        to(after + float(rng.normal(0, spread)), dead=True)
        if sides == "both":
            if mark is None:
                to(360.0 + before + float(rng.normal(0, spread)), dead=True)
            else:
                to(360.0 + before - mark + float(rng.normal(0, 0.3)), dead=False)
        else:
            to(180.0 + float(rng.normal(0, 8)), dead=False)
    if sides != "both" or mark is not None:
        to(180.0, dead=False)
    return path, start


def stop_of(bench: Bench, touches: int = 3, **how: Any) -> Recording:
    """A capture of the piston stop."""
    path, start = stop_path(bench, touches, **how)
    return record(bench, path, "stop", "unknown", lambda cam, t: np.full(cam.shape, ZERO_MM), start_deg=start)


def sweep_of(
    bench: Bench,
    valve: str,
    passes: int = 3,
    *,
    start_deg: float | None = None,
    path: Path | None = None,
    plunger: Callable[[Floats, Floats, Floats], Floats] | None = None,
    slip: Callable[[Floats], Floats] | None = None,
    labelled: str | None = None,
) -> Recording:
    """A capture of a valve. `plunger(valve_lift, cam_deg, time_s)`: what a mistake makes of the true lift of the valve."""
    lobe = bench.intake if valve == "intake" else bench.exhaust
    start = lobe.nose_deg - 300.0 if start_deg is None else start_deg
    where = turn(np.random.default_rng(bench.seed + 11), 720.0 * passes + 60.0, bench.speed) if path is None else path

    def reading(cam: Floats, time_s: Floats) -> Floats:
        lift = bench.valve_lift(valve, cam)
        return ZERO_MM + (lift if plunger is None else plunger(lift, cam, time_s))

    return record(bench, where, "sweep", labelled or valve, reading, start_deg=start, slip=slip)
