"""How long the analysis takes on about a hundred thousand samples, and how near the clean sample comes. Prints figures only.

Run by name: python -m tests.benchmarks.bench_analyze [seed]
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from statistics import median
from time import perf_counter

from acquire.simulator.phases import record
from acquire.simulator.rig import Rig, Work
from acquire.wire import Decoder
from analysis.base.samples import Capture, Header
from analysis.capture import load
from analysis.diagnosis.examine import examine
from analysis.job import Job, load_job
from tests.tape import Tape

SAMPLE = Path(__file__).parents[2] / "sample-captures" / "clean"
RUNS = 7


def long_job(seed: int) -> list[Capture]:
    """A stop and two sweeps of seventeen turns: a hundred thousand samples."""
    rig = Rig(work=Work(turns=17.0), seed=seed)
    captures = []
    for done in record(rig, ("stop", "intake", "exhaust")):
        tape = Tape(Header(done.board, done.step, 1, done.channels, link="bench"))
        tape.add(Decoder().feed(done.data))
        captures.append(tape.capture())
    return captures


def timed(job: Job, captures: list[Capture]) -> list[float]:
    """Seconds of each run."""
    found = []
    for _ in range(RUNS):
        start = perf_counter()
        examine(job, captures)
        found.append(perf_counter() - start)
    return found


def main() -> None:
    """Print the figures."""
    job, seed = load_job(SAMPLE), int(sys.argv[1]) if len(sys.argv) > 1 else 1
    captures = long_job(seed)
    rows = sum(capture.samples.seq.size for capture in captures)
    seconds = timed(job, captures)
    print(
        f"analyze, {rows} samples, seed {seed}: median {1e3 * median(seconds):.0f} ms of {RUNS}, best {1e3 * min(seconds):.0f} ms"
    )
    small = [load(path) for path in sorted((SAMPLE / "captures").iterdir())]
    rows = sum(capture.samples.seq.size for capture in small)
    print(f"analyze, sample 'clean', {rows} samples: median {1e3 * median(timed(job, small)):.0f} ms")
    result, true = examine(job, small), json.loads((SAMPLE / "expected.json").read_text(encoding="utf-8"))["truth"]
    cpr = small[0].header.board.cpr if small[0].header is not None else 1
    off = (result.tdc.count.value - true["tdc count"] + cpr / 2) % cpr - cpr / 2
    print(f"errors against the truth: TDC {off * 360 / cpr:+.3f} deg (95 %: {result.tdc.count.u95 * 360 / cpr:.3f})")
    for lobe in result.lobes:
        event = next(e for e in lobe.events if e.lift_mm == 1.27)
        for what, number in (("opens", event.opens), ("closes", event.closes), ("duration", event.duration)):
            name = f"{lobe.valve} {what} 1.27"
            print(f"  {name:<24} {number.value - true[name]:+.4f} deg (95 %: {number.u95:.4f})")
    if result.cam is not None:
        for what, number in (("separation", result.cam.separation), ("advance", result.cam.advance)):
            print(f"  {what:<24} {number.value - true[what]:+.4f} deg (95 %: {number.u95:.4f})")


if __name__ == "__main__":
    main()
