"""Makes every sample capture again, byte for byte, from the simulator and a seed: `python sample-captures/make.py`.

Each folder here is a job as a bench leaves it. baseline.json is what `lobetrace verify` holds them against: what the analysis
said when they were made, and what is true of the rigs.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import dataclass, replace
from pathlib import Path

from acquire.cli import run
from acquire.record.recorder import Recorder
from acquire.simulator.board import BenchBoard
from acquire.simulator.encoder import Encoder, Lost
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.phases import Recording, record
from acquire.simulator.rig import Rig, Work
from acquire.simulator.train import Train
from acquire.simulator.truth import truth
from acquire.wire import Decoder
from analysis.base.samples import Header

HERE = Path(__file__).parent
LIFTS = (0.5, 1.0, 1.27)

# A board that sends twelve samples a second keeps a sample small; one pass over the lobe, two touches a side.
_RIG = Rig(board=BenchBoard(per_s=12), work=Work(touches=2, turns=1.7, backward_turns=1.7), seed=11)
_TWICE = replace(_RIG.work, turns=3.7)


@dataclass(frozen=True)
class Sample:
    """A job to be made. `findings`: the codes that it must earn. `card_deg`: how much earlier than the camshaft stands its card says
    that it does.
    """

    name: str
    rig: Rig
    phases: tuple[str, ...]
    findings: tuple[str, ...] = ()
    cut_short: float | None = None  # share of the last capture's bytes that is left
    card_deg: float = 0.0

    @property
    def valves(self) -> tuple[str, ...]:
        """What was swept."""
        return tuple(valve for valve in ("intake", "exhaust") if {valve, "both"} & set(self.phases))


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
        (_ONE_LOBE, "late-cam"),
        card_deg=4.0,
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
        ("bleed-down", _ONE_LOBE, "off-axis", "other-camshaft", "wrong-lash"),
    ),
    Sample(
        "inch-lifter",
        replace(_RIG, indicators=(Indicator(where="lobe", step=0.0005, unit="in"),)),
        ("stop", "intake"),
        (_ONE_LOBE,),
    ),
    Sample(
        "counts-down",
        replace(_RIG, encoder=Encoder(direction=-1)),
        ("stop", "intake"),
        (_ONE_LOBE, "late-cam"),
        card_deg=-3.0,
    ),
    Sample(
        "two-indicators", replace(_RIG, indicators=(Indicator(), Indicator()), work=replace(_TWICE, turns=2.7)), ("stop", "both")
    ),
)


def make(sample: Sample, folder: Path) -> None:
    """The job's folder with everything in it."""
    captures = folder / "captures"
    captures.mkdir(parents=True)
    (folder / "job.toml").write_text(job_text(sample), encoding="utf-8", newline="\n")
    for number, done in enumerate(record(sample.rig, sample.phases), 1):
        _record(captures / f"{number}-{done.phase}.csv", done)
    if sample.cut_short is not None:
        last = max(captures.iterdir())
        data = last.read_bytes()
        last.write_bytes(data[: int(len(data) * sample.cut_short)])


def add_truth(baseline: Path) -> None:
    """What is true of each rig, put beside what was found. Of the count of TDC any whole number of turns is true."""
    whole = json.loads(baseline.read_text(encoding="utf-8"))
    for sample in SAMPLES:
        true = truths(sample.rig)
        for name, number in whole["jobs"][f"{HERE.name}/{sample.name}"]["numbers"].items():
            path = name.partition(" ")[2]
            if path in true:
                number["true"] = true[path]
    baseline.write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8", newline="\n")


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


def job_text(sample: Sample) -> str:
    """The job as the rig's owner would write it, short."""
    rig = sample.rig
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
{"".join(card(sample, valve) for valve in sample.valves)}"""


def card(sample: Sample, valve: str) -> str:
    """What the camshaft's maker says of a lobe."""
    lobe = truth(sample.rig, [(1.27, "lobe")]).lobe(valve)
    (event,) = lobe.events
    at_valve = sample.rig.indicators[0].where == "valve"
    lift = f"valve_lift_mm = {lobe.peak_lift_mm:.2f}" if at_valve else f"lobe_lift_mm = {lobe.peak_lobe_lift_mm:.2f}"
    sign, before, after = (1, "opens_btdc", "closes_abdc") if valve == "intake" else (-1, "opens_bbdc", "closes_atdc")
    early = sample.card_deg
    opens, closes = (
        (early - event.opens_deg, event.closes_deg - early - 180)
        if valve == "intake"
        else (early - event.opens_deg - 180, event.closes_deg - early)
    )
    return f"""
[specification.{valve}]
centerline_deg = {sign * (lobe.centerline_by["equal_lift"] - early):.1f}
{lift}

[[specification.{valve}.duration]]
lift_mm = 1.27
at = "lobe"
deg = {event.duration_deg:.1f}
{before}_deg = {opens:.1f}
{after}_deg = {closes:.1f}
"""


def truths(rig: Rig) -> dict[str, float]:
    """What is true of a rig, by the paths of the numbers of a measurement."""
    true = truth(rig, [(lift, "lobe") for lift in LIFTS])
    cam = true.cam
    named = {"cam.separation": cam.separation_deg, "cam.advance": cam.advance_deg}
    if cam.overlap_lift_mm in LIFTS:
        named["cam.overlap"] = cam.overlap_deg
    for lobe in true.lobes:
        centers = {f"centerline.{name}": value for name, value in lobe.centerline_by.items()}
        own = {
            "peak_lift": lobe.peak_lift_mm,
            "peak_lobe_lift": lobe.peak_lobe_lift_mm,
            "slack": lobe.slack_deg,
            "lag": lobe.latency_ms,
            "centerline": centers.pop("centerline.equal_lift"),
            **centers,
        }
        for event in lobe.events:
            for kind in ("opens", "closes", "duration"):
                own[f"events.{event.lift_mm:g}.{kind}"] = getattr(event, f"{kind}_deg")
        named |= {f"{lobe.valve}.{name}": value for name, value in own.items()}
    return {name: round(value, 9) for name, value in named.items()}


if __name__ == "__main__":
    for sample in SAMPLES:
        folder = HERE / sample.name
        if folder.exists():
            sys.exit(f"{folder} is there already: take it away first")
        make(sample, folder)
        print(sample.name)
    os.chdir(HERE.parent)
    baseline = HERE / "baseline.json"
    baseline.unlink(missing_ok=True)
    run(["verify", HERE.name, "--baseline", str(baseline), "--update"])
    add_truth(baseline)
