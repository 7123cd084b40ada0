"""Jobs that state no limit of error: engine, rig and indicator are drawn within the usual limits of the trade (what the template
marks as common practice), half of them with lash, all else by chance. How often do the intervals hold, and is a sound job doubted?

python -m tests.statistics.silent_jobs [--seeds 400] [--from 0]
"""

from __future__ import annotations

import argparse
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acquire.simulator.board import BenchBoard
from acquire.simulator.encoder import Encoder
from acquire.simulator.indicator import Indicator
from acquire.simulator.piston_stop import Stop
from acquire.simulator.rig import Rig, Work
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.train import Train
from analysis.base.finding import NOTE
from analysis.diagnosis.examine import examine
from analysis.job import Job
from tests.recorded import captures, truth_of
from tests.rigs import against_truth, job_for

LIFTS_MM = (0.15, 0.5, 1.0, 1.27)
RATIO, LASH_MM = 1.5, 0.25


def drawn(seed: int) -> tuple[Rig, Job]:
    """A rig, and a job that says no more of it than has to be said."""
    g = np.random.default_rng(seed)
    lash = LASH_MM if g.random() < 0.5 else 0.0
    rig = Rig(
        cam=SCENARIOS["workshop"].rig.cam,
        train=Train(
            ratio=RATIO * (1 + g.uniform(-0.02, 0.02)),
            lash_mm=max(0.0, lash + g.uniform(-0.03, 0.03)),
            slack_deg=g.uniform(0.2, 1.5),
            runout_mm=g.uniform(0.0, 0.01),
            runout_deg=float(g.uniform(0, 360)),
        ),
        encoder=Encoder(
            cpr=int(g.choice([1440, 2400, 3600, 7200])),
            eccentric=math.radians(g.uniform(0.0, 0.1)),
            eccentric_deg=float(g.uniform(0, 360)),
            phase=float(g.random()),
        ),
        start_deg=float(g.uniform(-300, 300)),
        board=BenchBoard(baud=1_000_000),  # a line that carries every edge of the finest encoder
        indicators=(
            Indicator(
                where="valve",
                step=float(g.choice([0.01, 0.001])),
                noise_mm=float(g.choice([0.002, 0.005])),
                latency_s=g.uniform(0.005, 0.08),
                tilt_deg=g.uniform(0.0, 2.0),
                per_s=float(g.choice([20.0, 50.0])) if g.random() < 0.67 else Indicator().per_s,
            ),
        ),
        stop=Stop(give_deg=float(10 ** g.uniform(-2.0, -0.7))),
        work=Work(touches=3, turns=4.2),
        seed=seed,
    )
    said = job_for(replace(rig, train=replace(rig.train, ratio=RATIO, lash_mm=lash)), measure={"checking_lifts_mm": LIFTS_MM})
    keys = {"direction": "auto", "indicator_at": "valve", "rocker_ratio": RATIO, "lash_mm": lash}
    return rig, said.model_copy(update={"rig": type(said.rig).model_validate(keys)})


def trial(seed: int) -> tuple[dict[str, list[tuple[float, float]]], list[str]]:
    """Error and 95 % uncertainty of every number, those of both valves together, and the codes of what is doubted."""
    rig, job = drawn(seed)
    found = examine(job, captures(rig))
    numbers = defaultdict(list)
    for name, (quantity, truth) in against_truth(found, truth_of(rig, tuple((lift, "lobe") for lift in LIFTS_MM))).items():
        numbers[name.removeprefix("intake ").removeprefix("exhaust ")].append((quantity.value - truth, quantity.u95))
    return numbers, [finding.code for finding in found.findings if finding.weight is not NOTE]


def main(arguments: Sequence[str] | None = None) -> None:
    """Print how often each interval held."""
    parser = argparse.ArgumentParser(prog="python -m tests.statistics.silent_jobs")
    parser.add_argument("--seeds", type=int, default=400)
    parser.add_argument("--from", type=int, default=0, dest="first")
    asked = parser.parse_args(arguments)
    held: dict[str, list[bool]] = defaultdict(list)
    for seed in range(asked.first, asked.first + asked.seeds):
        numbers, doubted = trial(seed)
        if doubted:
            print(f"seed {seed}: {', '.join(doubted)}", flush=True)
        for name, each in numbers.items():
            held[name] += [abs(error) <= u95 for error, u95 in each]
    for name, truths in held.items():
        print(f"| {name} | {100 * np.mean(truths):.1f} | {len(truths)} |")


if __name__ == "__main__":
    main()
