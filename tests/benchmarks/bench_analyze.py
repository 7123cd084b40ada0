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
    result = examine(job, small)
    known = json.loads((SAMPLE.parent / "baseline.json").read_text(encoding="utf-8"))["jobs"]["sample-captures/clean"]["numbers"]
    print("errors against the truth:")
    for path, number in result.quantities().items():
        true = known[f"1 {path}"].get("true")
        if true is not None:
            print(f"  {path:<30} {number.value - true:+.4f} (95 %: {number.u95:.4f})")


if __name__ == "__main__":
    main()
