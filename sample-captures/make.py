"""Makes every sample capture again, byte for byte, from the simulator and a seed: `python sample-captures/make.py`.

Each folder here is a job as a bench leaves it, and an expected.json: the cautions that must be given, what is true of the rig, and
what the analysis said of it when the sample was made.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from acquire.record.recorder import Recorder
from acquire.simulator.board import BenchBoard
from acquire.simulator.encoder import Encoder, Lost
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.phases import Recording, record
from acquire.simulator.rig import Rig, Work
from acquire.simulator.train import Train
from acquire.simulator.truth import Truth, truth
from acquire.wire import Decoder
from analysis.base.quantity import Quantity
from analysis.base.samples import Header
from analysis.capture import load
from analysis.diagnosis.examine import examine
from analysis.job import load_job
from analysis.lobe.result import Measurement

HERE = Path(__file__).parent
LIFTS = (0.5, 1.0, 1.27)

# A board that sends twelve samples a second keeps a sample small; one pass over the lobe, two touches a side.
_RIG = Rig(board=BenchBoard(per_s=12), work=Work(touches=2, turns=1.7, backward_turns=1.7), seed=11)
_TWICE = replace(_RIG.work, turns=3.7)


@dataclass(frozen=True)
class Sample:
    """A job to be made. `cautions`: the codes that it must earn, in order. `not_promised`: beginnings of the names of numbers that
    need not lie near the truth, because the cautions say so.
    """

    name: str
    rig: Rig
    phases: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    not_promised: tuple[str, ...] = ()
    cut_short: float | None = None  # share of the last capture's bytes that is left


# Of a job with one lobe it is said that nothing shows which way the engine was turned.
_ONE_LOBE = "direction-unproven"

SAMPLES = (
    Sample("clean", _RIG, ("stop", "intake", "exhaust")),
    Sample(
        "slow-indicator",
        replace(_RIG, work=_TWICE, indicators=(Indicator(noise_mm=0.003, latency_s=0.060, per_s=10.0),)),
        ("stop", "intake"),
        (_ONE_LOBE,),
    ),
    Sample(
        "slack",
        replace(_RIG, train=Train(slack_deg=2.4), hand=Hand(stroke=(40.0, 80.0), rollback_share=0.7, rollback_deg=5.0)),
        ("stop", "intake", "backward"),
        (_ONE_LOBE,),
    ),
    Sample(
        "lost-counts",
        replace(_RIG, work=_TWICE, encoder=Encoder(lost=(Lost(900.0, 40),))),
        ("stop", "intake"),
        ("board-faults", _ONE_LOBE, "counts-lost"),
    ),
    Sample(
        "cut-short",
        replace(_RIG, work=replace(_RIG.work, turns=2.4)),
        ("stop", "intake"),
        ("capture-incomplete", _ONE_LOBE),
        cut_short=0.8,
    ),
    Sample(
        "bleed-down",
        replace(_RIG, train=Train(bleed_mm=0.35), hand=Hand(rest=(1.5, 2.5))),
        ("stop", "intake"),
        ("bleed-down", _ONE_LOBE),
        ("intake",),
    ),
    Sample(
        "inch-lifter",
        replace(_RIG, indicators=(Indicator(where="lobe", step=0.0005, unit="in"),)),
        ("stop", "intake"),
        (_ONE_LOBE,),
    ),
    Sample("counts-down", replace(_RIG, encoder=Encoder(direction=-1)), ("stop", "intake"), (_ONE_LOBE,)),
    Sample(
        "two-indicators", replace(_RIG, indicators=(Indicator(), Indicator()), work=replace(_TWICE, turns=2.7)), ("stop", "both")
    ),
)


def make(sample: Sample, folder: Path) -> None:
    """The job's folder with everything in it."""
    captures = folder / "captures"
    captures.mkdir(parents=True)
    (folder / "job.toml").write_text(job_text(sample.rig), encoding="utf-8", newline="\n")
    for number, done in enumerate(record(sample.rig, sample.phases), 1):
        _record(captures / f"{number}-{done.phase}.csv", done)
    if sample.cut_short is not None:
        last = max(captures.iterdir())
        data = last.read_bytes()
        last.write_bytes(data[: int(len(data) * sample.cut_short)])
    expected = {
        "cautions": list(sample.cautions),
        "truth": truths(truth(sample.rig, [(lift, "lobe") for lift in LIFTS])),
        "not_promised": list(sample.not_promised),
        "found": {name: {"value": number.value, "u95": number.u95} for name, number in found(folder).items()},
    }
    (folder / "expected.json").write_text(json.dumps(expected, indent=1) + "\n", encoding="utf-8", newline="\n")


def _record(path: Path, done: Recording) -> None:
    header = Header(
        board=done.board,
        step=done.step,
        cylinder=1,
        channels=done.channels,
        started="2025-03-14T09:00:00+00:00",
        link="bench",
        software="lobetrace",
        engine="Tidewater 4",
    )
    with Recorder(path, header, sync=lambda _: None) as recorder:
        recorder.add(Decoder().feed(done.data))


def job_text(rig: Rig) -> str:
    """The job as the rig's owner would write it, short."""
    gauge = rig.indicators[0]
    return f"""format = 1

[engine]
name = "Tidewater 4"
cylinders = 4
firing_order = [1, 3, 4, 2]
bore_mm = 84.0
stroke_mm = {2 * rig.crank.throw_mm}
rod_mm = {rig.crank.rod_mm}

[rig]
indicator_at = "{gauge.where}"
rocker_ratio = {rig.train.ratio}

[measure]
checking_lifts_mm = {list(LIFTS)}
checking_at = "lobe"
"""


def analyzed(folder: Path) -> Measurement:
    """What the analysis makes of a job's folder."""
    captures = sorted((folder / "captures").iterdir())
    return examine(load_job(folder), [load(path) for path in captures])


def found(folder: Path) -> dict[str, Quantity]:
    """Every number of a job's result, by name."""
    return numbers(analyzed(folder))


def numbers(result: Measurement) -> dict[str, Quantity]:
    """Every number of a result, by name."""
    named = {"tdc count": result.tdc.count}
    for lobe in result.lobes:
        own: dict[str, Quantity | None] = {
            "peak lift mm": lobe.peak_lift,
            "peak lobe lift mm": lobe.peak_lobe_lift,
            "slack deg": lobe.slack,
            "latency ms": lobe.lag,
            **{f"centerline {name}": number for name, number in lobe.centerlines.items()},
        }
        for event in lobe.events:
            own[f"opens {event.lift_mm:g}"] = event.opens
            own[f"closes {event.lift_mm:g}"] = event.closes
            own[f"duration {event.lift_mm:g}"] = event.duration
        named |= {f"{lobe.valve} {name}": number for name, number in own.items() if number is not None}
    if result.cam is not None:
        named |= {"separation": result.cam.separation, "advance": result.cam.advance}
        if result.cam.overlap is not None:
            named[f"overlap {result.cam.overlap_lift_mm:g}"] = result.cam.overlap
    return named


def truths(true: Truth) -> dict[str, float]:
    """The same names, from the simulator. The count is a position: a resting count's middle, any whole number of turns."""
    named: dict[str, Any] = {"tdc count": (true.tdc_count + 0.5) % true.cpr}
    for lobe in true.lobes:
        own = {
            "peak lift mm": lobe.peak_lift_mm,
            "peak lobe lift mm": lobe.peak_lobe_lift_mm,
            "slack deg": lobe.slack_deg,
            "latency ms": lobe.latency_ms,
            **{f"centerline {name}": value for name, value in lobe.centerline_by.items()},
        }
        for event in lobe.events:
            own[f"opens {event.lift_mm:g}"] = event.opens_deg
            own[f"closes {event.lift_mm:g}"] = event.closes_deg
            own[f"duration {event.lift_mm:g}"] = event.duration_deg
        named |= {f"{lobe.valve} {name}": value for name, value in own.items()}
    cam = true.cam
    overlap = {f"overlap {cam.overlap_lift_mm:g}": cam.overlap_deg}
    return _rounded({**named, "separation": cam.separation_deg, "advance": cam.advance_deg, **overlap})


def _rounded(values: Mapping[str, float]) -> dict[str, float]:
    return {name: round(value, 9) for name, value in values.items()}


if __name__ == "__main__":
    for sample in SAMPLES:
        folder = HERE / sample.name
        if folder.exists():
            sys.exit(f"{folder} is there already: take it away first")
        make(sample, folder)
        print(sample.name)
