"""Mistakes that happen at a bench: each makes a job of captures, and states what must be said first.

`says` is what the first doubt or refusal must name (a regular expression over its words); None: nothing need be said, since the
intervals hold the truth. `sound` jobs must get no doubt at all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.mistakes.bench import Bench, Floats, Lobe, Recording, pull, record, rest, stop_of, stop_path, sweep_of, turn

JOB = """format = 1
[engine]
name = "mail boat"
cylinders = 4
firing_order = [1, 3, 4, 2]
bore_mm = 84.0
stroke_mm = 86.0
rod_mm = 143.0
{engine}
[rig]
rocker_ratio = 1.5
{rig}
[measure]
checking_lifts_mm = [0.15, 0.5, 1.0, 1.27]
{card}
"""
CARD = """
[specification.intake]
lobe_lift_mm = 7.2
centerline_deg = 108.5
[[specification.intake.duration]]
lift_mm = 1.27
at = "lobe"
deg = 184.5
[specification.exhaust]
lobe_lift_mm = 7.0
centerline_deg = 109.5
"""


@dataclass(frozen=True)
class Case:
    """The files of a job: job.toml and each capture's text, in order of recording."""

    job: str
    captures: tuple[str, ...]
    bench: Bench


def job_text(*, engine: str = "", rig: str = "", card: str = "") -> str:
    """A job.toml."""
    return JOB.format(engine=engine, rig=rig, card=card)


def case(bench: Bench, *captures: Recording | str, **keys: str) -> Case:
    """A job of recordings, or of texts that were spoiled as text."""
    return Case(job_text(**keys), tuple(c if isinstance(c, str) else c.text() for c in captures), bench)


def all_three(bench: Bench, **keys: str) -> Case:
    """A sound job: the stop and both valves."""
    return case(bench, stop_of(bench), sweep_of(bench, "intake"), sweep_of(bench, "exhaust"), **keys)


Plunger = Callable[[Floats, Floats, Floats], Floats]


def with_plunger(plunger: Plunger, **change: Any) -> Callable[[Bench], Case]:
    """Both valves swept with the same mistake at the plunger."""

    def make(bench: Bench) -> Case:
        bench = replace(bench, **change)
        return case(bench, stop_of(bench), *(sweep_of(bench, valve, plunger=plunger) for valve in ("intake", "exhaust")))

    return make


def with_bench(*, says_job: str = "", card: str = "", **change: Any) -> Callable[[Bench], Case]:
    """A bench that is otherwise than the job says."""
    return lambda bench: all_three(replace(bench, **change), rig=says_job, card=card)


@dataclass(frozen=True)
class Mistake:
    """One mistake: how the job is made, and what must be said first."""

    name: str
    make: Callable[[Bench], Case]
    says: str | None


MISTAKES: list[Mistake] = []
SOUND: list[Mistake] = []


def mistake(name: str, make: Callable[[Bench], Case], says: str | None) -> None:
    """Enter one."""
    MISTAKES.append(Mistake(name, make, says))


def sound(name: str, make: Callable[[Bench], Case]) -> None:
    """Enter a sound job."""
    SOUND.append(Mistake(name, make, None))


def sweeps(bench: Bench, **how: Any) -> tuple[Recording, Recording]:
    """Both valves."""
    return sweep_of(bench, "intake", **how), sweep_of(bench, "exhaust", **how)


# The stop.
mistake(
    "one side of the stop", lambda b: case(b, stop_of(b, sides="after"), *sweeps(b)), r"one side|other side|one of the two sides"
)
for short in (20.0, 50.0, 95.0):
    mistake(
        f"other side turned back {short:.0f} degrees short of the stop",
        lambda b, short=short: case(b, stop_of(b, mark=short), *sweeps(b)),
        r"not at the stop|did not meet|turned back|mark",
    )
for touches in (2, 3, 5):
    mistake(
        f"contacts scatter by 1.5 degrees, {touches} a side",
        lambda b, touches=touches: case(b, stop_of(b, touches, scatter=1.5), *sweeps(b)),
        None,
    )
mistake(
    "swing of sixty degrees only",
    lambda b: case(b, record(b, rest(0.5).then(pull(60, 25)).then(rest(0.5)).then(pull(-60, 25)).then(rest(0.5)), "stop", "unknown",
        lambda cam, t: np.ones(cam.shape), start_deg=150.0), *sweeps(b)),
    r"long way|swung only|stop",
)  # fmt: skip
mistake(
    "turned through: the stop was not in",
    lambda b: case(b, record(b, turn(b.rng, 800.0, 40.0), "stop", "unknown", lambda cam, t: np.ones(cam.shape), start_deg=180.0),
        *sweeps(b)),
    r"past the stop|stop",
)  # fmt: skip
mistake(
    "stop depth in the job is another",
    lambda b: all_three(b, rig="stop_depth_mm = 4.0"),
    r"depth",
)
mistake("an arc that no stop makes", lambda b: all_three(replace(b, depth_mm=70.0)), r"arc|stop|depth")
mistake("an arc of next to nothing", lambda b: all_three(replace(b, depth_mm=0.05)), r"arc|stop|depth")


def _gave_way(bench: Bench) -> Case:
    """The stop is pushed 3 mm deeper on one side after the first contact."""
    first = stop_path(bench, 1)[0]
    path, start = first.then(stop_path(replace(bench, depth_mm=bench.depth_mm + 3.0, seed=bench.seed + 5), 2)[0]), 180.0
    stop = record(bench, path, "stop", "unknown", lambda cam, t: np.ones(cam.shape), start_deg=start)
    return case(replace(bench, depth_mm=bench.depth_mm + 3.0), stop, *sweeps(bench))


mistake("the stop gave way between contacts", _gave_way, r"stop|contact")
for at, slip in ((0.5, 4.0), (0.5, -17.0), (0.63, 8.5), (0.7, -12.0)):
    mistake(
        f"clamp slipped by {abs(slip):.0f} degrees at {at} of the stop",
        lambda b, at=at, slip=slip: case(b, record(b, stop_path(b, 3)[0], "stop", "unknown", lambda cam, t: np.ones(cam.shape),
            start_deg=180.0, slip=lambda t: np.where(t > at * t[-1], slip, 0.0)), *sweeps(b)),
        r"stop|contact|slip",
    )  # fmt: skip
mistake(
    "stop in another cylinder, half a turn off",
    lambda b: case(b, stop_of(replace(b, tdc_count=b.tdc_count + b.cpr / 2)), *sweeps(b)),
    r"half a turn|180",
)
mistake(
    "encoder clamp slipped by 40 degrees after the stop",
    lambda b: case(b, stop_of(b), *sweeps(replace(b, tdc_count=b.tdc_count + 267.0))),
    r"clamp|slip|TDC|top dead center",
)
mistake(
    "stop again at the end: the count had moved by 3 degrees",
    lambda b: case(b, stop_of(b), *sweeps(replace(b, tdc_count=b.tdc_count + 20.0)),
        stop_of(replace(b, tdc_count=b.tdc_count + 20.0, seed=b.seed + 9))),
    r"moved|slip|TDC|top dead center",
)  # fmt: skip
mistake(
    "tdc_count of the job half a turn off",
    lambda b: case(b, *sweeps(b), rig=f"tdc_count = {b.tdc_count + b.cpr / 2}"),
    r"half a turn|180",
)
mistake(
    "the stop swung with an open plug: contacts drift",
    lambda b: case(b, record(b, stop_path(b, 4)[0], "stop", "unknown", lambda cam, t: np.ones(cam.shape), start_deg=180.0,
        slip=lambda t: 6.0 * t / t[-1]), *sweeps(b)),
    r"stop|contact|slip|clamp",
)  # fmt: skip

# Place and direction.
mistake(
    "turned backward throughout, direction auto",
    lambda b: case(b, stop_of(b), *(sweep_of(b, v, path=turn(np.random.default_rng(b.seed + 11), -2220.0, b.speed),
        start_deg=(108.0 if v == "intake" else -109.0) + 300.0) for v in ("intake", "exhaust"))),
    r"backward|against|direction of rotation|wrong way",
)  # fmt: skip
mistake("direction down in the job, counts up", lambda b: all_three(b, rig='direction = "down"'), r"direction|backward")
mistake(
    "captures exchanged",
    lambda b: case(b, stop_of(b), sweep_of(b, "intake", labelled="exhaust"), sweep_of(b, "exhaust", labelled="intake")),
    r"exchanged|other valve|swapped",
)
mistake(
    "indicator on the intake twice",
    lambda b: case(b, stop_of(b), sweep_of(b, "intake"), sweep_of(replace(b, seed=b.seed + 3), "intake", labelled="exhaust")),
    r"twice|same|other valve|intake",
)
mistake(
    "another cylinder swept, half a turn off",
    lambda b: case(b, stop_of(b), *sweeps(replace(b, intake=replace(b.intake, nose_deg=108.0 + 180.0),
        exhaust=replace(b.exhaust, nose_deg=-109.0 + 180.0)))),
    r"half a turn|another cylinder|180",
)  # fmt: skip
mistake(
    "camshaft a quarter turn off",
    lambda b: case(
        b, stop_of(b), *sweeps(replace(b, intake=replace(b.intake, nose_deg=168.0), exhaust=replace(b.exhaust, nose_deg=-49.0)))
    ),
    r"center|advance|TDC|camshaft",
)
mistake(
    "cpr of the board is wrong: 2000 for 2400",
    lambda b: case(b, *(replace(r, hello={"cpr": 2000}) for r in (stop_of(b), *sweeps(b)))),
    r"cpr|counts a turn",
)
mistake(
    "cpr of the board is wrong: 4800 for 2400",
    lambda b: case(b, *(replace(r, hello={"cpr": 4800}) for r in (stop_of(b), *sweeps(b)))),
    r"cpr|counts a turn|stop|contact",
)
mistake(
    "cpr of the board is wrong: 2500 for 2400",
    lambda b: case(b, *(replace(r, hello={"cpr": 2500}) for r in (stop_of(b), *sweeps(b)))),
    r"cpr|counts a turn",
)

# The foot.
mistake("lash of 0.25 mm in, job says none", with_bench(lash_mm=0.25), r"lash|contact|preload")
mistake("lash of 0.15 mm in, job says none", with_bench(lash_mm=0.15), r"lash|contact|preload")
mistake(
    "lash of 0.21 mm in, job says none, readings three degrees apart",
    with_bench(lash_mm=0.21, gauge_s=0.05, lag_s=0.05, step_mm=0.001),
    r"lash|contact|preload",
)
mistake(
    "plunger loses the valve below 0.6 mm",
    with_plunger(lambda lift, cam, t: np.maximum(lift, 0.6)),
    r"lash|contact|preload",
)
mistake(
    "plunger loses the valve below 1.5 mm",
    with_plunger(lambda lift, cam, t: np.maximum(lift, 1.5)),
    r"lash|contact|preload|travel",
)
mistake(
    "plunger loses the valve below 1.3 mm, readings three degrees apart",
    lambda b: with_plunger(lambda lift, cam, t: np.maximum(lift, 1.3))(replace(b, gauge_s=0.05, speed=59.0)),
    r"lash|contact|preload|travel",
)

# The top.
mistake(
    "plunger at the end of its travel",
    with_plunger(lambda lift, cam, t: np.minimum(lift, 9.7)),
    r"end of its travel|range|clipped",
)
mistake(
    "plunger just touches its end", with_plunger(lambda lift, cam, t: np.minimum(lift, 10.65)), r"end of its travel|range|clipped"
)
for short_mm in (0.3, 1.9):
    mistake(
        f"plunger at its end {short_mm} mm below the nose, readings three degrees apart",
        with_plunger(lambda lift, cam, t, top=10.5 - short_mm: np.minimum(lift, top), gauge_s=0.05, speed=57.0),
        r"end of its travel|range|clipped",
    )
mistake("lobe clipped far down", with_plunger(lambda lift, cam, t: np.minimum(lift, 5.0)), r"end of its travel|range|clipped")


# Time.
def _sinks(rate: float) -> Plunger:
    """A hydraulic lifter that bleeds down under the spring while the valve is open, and fills again on the base circle."""

    def plunger(lift: Floats, _: Floats, t: Floats) -> Floats:
        open_ = lift > 0.05
        step = np.diff(t, prepend=t[0])
        sunk = np.zeros_like(t)
        total = np.cumsum(np.where(open_, np.maximum(step, 0.0), 0.0)) * rate
        at_rest = np.maximum.accumulate(np.where(open_, 0.0, total))
        sunk = total - at_rest
        return np.maximum(lift - sunk, 0.0)

    return plunger


for rate in (0.05, 0.02, 0.005):
    mistake(f"lifter sinks by {rate} mm/s", with_plunger(_sinks(rate)), r"bleed|sink|sank|creep")
for rate in (0.02, 0.005, 0.002):
    mistake(
        f"indicator creeps by {rate} mm/s all along",
        with_plunger(lambda lift, cam, t, rate=rate: lift - rate * t),
        r"bleed|sink|sank|creep|drift|wander",
    )
mistake(
    "zero knocked by 0.2 mm in mid sweep",
    with_plunger(lambda lift, cam, t: lift + np.where(t > 30.0, 0.2, 0.0)),
    r"zero|knock|stand|moved",
)
mistake(
    "zero knocked by 0.05 mm in mid sweep",
    with_plunger(lambda lift, cam, t: lift + np.where(t > 30.0, 0.05, 0.0)),
    r"zero|knock|stand|moved",
)
mistake("zero pressed on the nose", with_plunger(lambda lift, cam, t: lift - np.where(t > 25.0, 3.0, 0.0)), r"zero|unit|jump")
mistake(
    "unit switched to inch in mid sweep",
    with_plunger(lambda lift, cam, t: np.where(t > 30.0, (1.0 + lift) / 25.4 - 1.0, lift)),
    r"unit|jump|zero",
)
mistake(
    "valve sticks by 0.3 mm as it closes",
    with_plunger(
        lambda lift, cam, t: np.where(
            ((cam - 108.0 + 360) % 720 - 360 > 0) & (lift < 0.3) & ((cam - 108.0 + 360) % 720 - 360 < 190), 0.3, lift
        )
    ),
    r"stick|lash|contact|seat|agree",
)
mistake(
    "indicator stuck for forty degrees of the flank",
    with_plunger(lambda lift, cam, t: np.where((lift > 4.0) & (lift < 8.0), 4.0, lift)),
    r"stuck|stick|jump|still",
)


# The indicator's own ways.
mistake("indicator holds its greatest reading", with_plunger(lambda lift, cam, t: np.maximum.accumulate(lift)), r"hold")
mistake(
    "reading is the distance from the seat, whichever way", with_plunger(lambda lift, cam, t: np.abs(lift - 1.0)), r"lift|sign"
)


def _stops(share: float, rows: int) -> Callable[[Bench], Case]:
    """The indicator stops while the valve is open, and sends its last reading from then on, or for so many rows."""

    def make(bench: Bench) -> Case:
        intake, exhaust = sweeps(bench)
        lift = intake.lift.copy()
        at = int(np.flatnonzero((np.arange(lift.size) > share * lift.size) & (lift > 400))[0])
        lift[at : at + rows] = lift[at]
        return case(bench, stop_of(bench), replace(intake, lift=lift), exhaust)

    return make


mistake("indicator stops with the valve open", _stops(0.35, 1 << 40), r"stood still|stopped")
mistake("indicator stops for half a turn", _stops(0.6, 1200), r"stood still|stopped")


def _coarse(bench: Bench) -> Case:
    """Every code a multiple of two, on a board that says steps of 0.01 mm."""
    made = (stop_of(bench), *sweeps(bench))
    return case(bench, *(replace(r, lift=r.lift // 2 * 2) for r in made))


sound("a gauge of 0.02 mm whose digits say 0.01", _coarse)
mistake(
    "a gauge that was set slower for the second valve",
    lambda b: case(b, stop_of(b), sweep_of(b, "intake"), sweep_of(replace(b, lag_s=0.14), "exhaust")),
    r"lag",
)


# One valve swept twice.
def _swept_again(**change: Any) -> Callable[[Bench], Case]:
    return lambda b: case(
        b, stop_of(b), sweep_of(b, "intake"), sweep_of(b, "exhaust"), sweep_of(replace(b, **change), "intake", 2)
    )


mistake("the clamp slipped before one valve was swept again", _swept_again(tdc_count=1020.4), r"slipped|before")
sound("one valve swept twice", _swept_again(lag_s=0.02))


# The count.
def _loses(counts: float, at: float = 0.5) -> Callable[[Bench], Case]:
    def make(bench: Bench) -> Case:
        lost = counts * 360.0 / bench.cpr
        return case(
            bench,
            stop_of(bench),
            *(sweep_of(bench, v, slip=lambda t: np.where(t > at * t[-1], lost, 0.0)) for v in ("intake", "exhaust")),
        )

    return make


for counts in (200.0, 30.0, 10.0):
    mistake(f"{counts:.0f} counts lost in mid sweep, no index", _loses(counts), r"count|slip|encoder|coupling")
mistake("10 counts lost in the first turn, no index", _loses(10.0, 0.2), r"count|slip|encoder|coupling")
mistake(
    "coupling creeps by a degree a turn",
    lambda b: case(b, stop_of(b), *(sweep_of(b, v, slip=lambda t: 6.0 * t / t[-1]) for v in ("intake", "exhaust"))),
    r"count|slip|encoder|coupling",
)


def _spike(size: int) -> Callable[[Bench], Case]:
    def make(bench: Bench) -> Case:
        intake, exhaust = sweeps(bench)
        crank = intake.crank.copy()
        crank[crank.size // 3] += size
        return case(bench, stop_of(bench), replace(intake, crank=crank), exhaust)

    return make


for size in (50, 5_000, 100_000_000, 1_000_000_000):
    mistake(
        f"one row with a count {size} off", _spike(size), r"count|spike|jump|step" if size > 1000 else None
    )  # within what a hand can do: harmless

# The file and the board.
mistake(
    "capture altered by hand",
    lambda b: case(
        b,
        stop_of(b),
        sweep_of(b, "intake").text().replace(",0,", ",0,", 1).replace("\n300,", "\n300,", 1).replace("mail boat", "male boat"),
        sweep_of(b, "exhaust"),
    ),
    r"altered|changed|digest",
)


def _cut(share: float) -> Callable[[Bench], Case]:
    def make(bench: Bench) -> Case:
        text = sweep_of(bench, "intake", 1).text()
        return case(bench, stop_of(bench), text[: int(share * len(text))], sweep_of(bench, "exhaust"))

    return make


mistake("capture cut short on the flank", _cut(0.45), r"cut short")
mistake("capture cut short before the lobe", _cut(0.08), r"cut short|rows|cover|motion|moved")
mistake(
    "header and no rows",
    lambda b: case(
        b, stop_of(b), sweep_of(b, "intake").only(np.zeros(sweep_of(b, "intake").seq.size, bool)), sweep_of(b, "exhaust")
    ),
    r"no rows|no samples|empty",
)


def _gap(at_lift: float, rows: int, passes: int = 1) -> Callable[[Bench], Case]:
    """Frames lost where the valve stands at a lift, with the note that the recorder writes."""

    def make(bench: Bench) -> Case:
        whole = sweep_of(bench, "intake", passes)
        mm = (whole.lift[:] * bench.step_mm) - 1.0
        at = int(np.flatnonzero(mm > at_lift)[0]) - rows // 2 if at_lift > 0 else 400
        keep = np.ones(whole.seq.size, bool)
        keep[at : at + rows] = False
        cut = whole.only(keep).noted(at, {"gap": {"lost": rows, "bytes": rows * 30, "late": 0, "after_seq": at - 1}})
        return case(bench, stop_of(bench), cut, sweep_of(bench, "exhaust", passes))

    return make


def _begun_on_the_lobe(bench: Bench) -> Case:
    """One turn of the camshaft, begun on the opening flank and ended before its foot: the opening was never swept."""
    path = turn(np.random.default_rng(bench.seed + 11), 600.0, bench.speed)
    nose = bench.intake.nose_deg
    return case(bench, stop_of(bench), sweep_of(bench, "intake", path=path, start_deg=nose - 50.0), sweep_of(bench, "exhaust"))


mistake("sweep begun on the flank and ended before the foot", _begun_on_the_lobe, r"no reading|cover|opening")
mistake("frames lost on a flank that no other pass covers", _gap(1.9, 250), r"lost|gap|frames")
sound("frames lost on the base circle", _gap(0.0, 40, 2))


def _faults(word: str, number: int) -> Callable[[Bench], Case]:
    def make(bench: Bench) -> Case:
        whole = sweep_of(bench, "intake", 1)
        for row in range(3000, 3000 + 400, 20):
            fault = {"seq": int(whole.seq[row]), "time_us": int(whole.time_us[row]), "word": word, "number": number}
            whole = whole.noted(row, {"fault": fault})
        flags = whole.flags.copy()
        flags[3000:] |= 2
        return case(bench, stop_of(bench), replace(whole, flags=flags), sweep_of(bench, "exhaust", 1))

    return make


mistake("board reports missed counts on the lobe", _faults("crank-step", 17), r"board|missed|count")


def _restarts(bench: Bench) -> Case:
    whole = sweep_of(bench, "intake")
    at = whole.seq.size // 2
    crank = whole.crank.copy()
    crank[at:] -= crank[at]
    hello = {
        "version": "1.0",
        "cpr": bench.cpr,
        "index": False,
        "latch": "edge",
        "steps_mm": [bench.step_mm],
        "units": ["mm"],
        "rate": 0,
        "boot": 99,
        "board": bench.board,
    }
    time_us = whole.time_us.copy()
    time_us[at:] -= time_us[at] - 20_000
    note = {"start": {"hello": hello, "at": "2026-05-04T09:01:00+00:00", "same_count": False}}
    return case(bench, stop_of(bench), replace(whole, crank=crank, time_us=time_us).noted(at, note), sweep_of(bench, "exhaust"))


mistake("board starts again in mid sweep", _restarts, r"started again|restart")
mistake(
    "board starts again half way up the only lobe",
    lambda b: (lambda c: Case(c.job, (c.captures[0], _restarts(replace(b, seed=b.seed)).captures[1], c.captures[2]), b))(
        all_three(b)
    ),
    r"started again|restart",
)

# Readings that cannot be.
mistake("noise of 0.1 mm", with_bench(noise_mm=0.1), r"noise|scatter")
mistake("noise of 0.03 mm", with_bench(noise_mm=0.03), None)
mistake("inch gauge on a board that says mm", with_plunger(lambda lift, cam, t: lift * 25.4), r"lift|unit|step")
mistake(
    "mm gauge on a board that says inch steps",
    lambda b: case(b, *(replace(r, hello={"steps_mm": [0.01 * 25.4]}) for r in (stop_of(b), *sweeps(b)))),
    r"lift|unit|step",
)
mistake("codes move by two", with_plunger(lambda lift, cam, t: np.rint(lift / 0.02) * 0.02, noise_mm=0.0), None)
mistake("turned by the starter", with_bench(speed=1500.0), r"fast|speed")
mistake("lag of 300 ms, bound 150", with_bench(lag_s=0.3), r"lag|slow|indicator")
mistake("reading that leads: time stamps wrong by 60 ms", with_bench(lag_s=-0.06), r"lag|time|clock|age|direction")
mistake("slack of 9 degrees, allowance 5", with_bench(slack_deg=9.0), None)
mistake(
    "only half of the lobe swept",
    lambda b: case(b, stop_of(b), *(sweep_of(b, v, path=turn(b.rng, 320.0, 30.0)) for v in ("intake", "exhaust"))),
    r"cover|sweep|closing|opening|end",
)
mistake(
    "indicator not on the valve",
    lambda b: case(b, stop_of(b), *(sweep_of(b, v, plunger=lambda lift, cam, t: 0.01 * lift) for v in ("intake", "exhaust"))),
    r"does not stand|moved by|only",
)
mistake(
    "a stand that gives: reading hangs by 0.1 mm on the way down",
    with_plunger(lambda lift, cam, t: lift + 0.1 * (np.tanh(((cam - 108 + 360) % 720 - 360) / 20) + 1) / 2 * (lift > 0.1)),
    r"stick|stand|lag|agree|seat|contact|lash",
)

# What is sound, and must not be doubted.
sound("sound", all_three)
sound("sound, counts down", lambda b: all_three(replace(b, up=-1)))
sound("sound, index", lambda b: all_three(replace(b, index_at=300)))
sound("sound, coarse encoder", lambda b: all_three(replace(b, cpr=1440)))
sound("sound, fine", lambda b: all_three(replace(b, cpr=10000, step_mm=0.001, noise_mm=0.001)))
sound("sound, slow gauge", lambda b: all_three(replace(b, gauge_s=0.05, lag_s=0.06)))
sound(
    "sound, lash within a ramp that was made for it",
    with_bench(
        says_job="lash_mm = 0.2",
        lash_mm=0.2,
        intake=Lobe(7.2, 108.0, 128.0, 134.0, ramp_mm=0.3, ramp_deg=60.0),
        exhaust=Lobe(7.0, -109.0, 130.0, 136.0, ramp_mm=0.3, ramp_deg=60.0),
    ),
)
sound("sound, lash in and said", lambda b: all_three(replace(b, lash_mm=0.25), rig="lash_mm = 0.25"))
sound("sound, dwell", lambda b: all_three(replace(b, intake=replace(b.intake, dwell_deg=12.0))))
sound(
    "sound, no ramp",
    lambda b: all_three(replace(b, intake=replace(b.intake, ramp_mm=0.0), exhaust=replace(b.exhaust, ramp_mm=0.0))),
)
sound(
    "sound, quick ramps",
    lambda b: all_three(replace(b, intake=replace(b.intake, ramp_deg=12.0), exhaust=replace(b.exhaust, ramp_deg=12.0))),
)
sound("sound, two passes", lambda b: case(b, stop_of(b, 2), *sweeps(b, passes=2)))
sound("sound, quick hand", lambda b: all_three(replace(b, speed=90.0)))
sound("sound, deep stop", lambda b: all_three(replace(b, depth_mm=25.0)))
sound("sound, shallow stop", lambda b: all_three(replace(b, depth_mm=3.0)))
sound("sound, slack", lambda b: all_three(replace(b, slack_deg=2.5)))
sound("sound, card", lambda b: all_three(b, card=CARD))
# Found by drawing benches: a stroke ends on the steepest part of a flank, where half a count makes as much lift as a jump.
RESTS_ON_A_FLANK = Bench(
    seed=700026,
    up=-1,
    tdc_count=1433.0,
    index_at=891,
    intake=Lobe(7.726, 107.41, 136.0, 128.5, 0.178, 32.9),
    exhaust=Lobe(5.85, -112.0, 126.9, 133.9, 0.183, 28.2),
    noise_mm=0.0042,
    lag_s=0.028,
    gauge_s=0.02,
    slack_deg=1.33,
    contact_deg=0.01,
    speed=37.7,
)
sound("sound, the hand rests on a flank", lambda b: all_three(replace(RESTS_ON_A_FLANK, seed=RESTS_ON_A_FLANK.seed + b.seed - 1)))
