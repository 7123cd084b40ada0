"""The AVR image in the emulator: how fast, how exact. Run by name: `python -m tests.benchmarks.bench_firmware`. Decides nothing.

Needs what `make firmware-test` needs. With --long more seeds and seconds.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from acquire import wire
from tests.firmware.emulation import IMAGE, Emulator, Run, Script, latched
from tests.firmware.test_emulated_noise import KHZ, disturbed, inputs

SEEDS, SECONDS = (8, 2.0) if "--long" in sys.argv else (4, 1.0)
KINDS = {"bcd": "bcd 20000 mm 3", "frame24": "frame24 100000 mm", "ascii": "ascii 50000 3"}


def turned(emulator: Emulator, seed: int, *per_s: float, seconds: float = SECONDS, latch: str = "edge") -> Run:
    script = Script().say("index 100 1 2400").say("channel 1 scale")
    board = "scale-scale" if len(per_s) > 2 else "scale"
    if len(per_s) > 2:
        script.say("channel 2 scale")
    script.say(f"send 500 latch {latch}")
    return emulator.run(board, script.turn(seconds, *per_s, rng=random.Random(seed)).end(), name="bench")


def right(run: Run) -> bool:
    return [run.last.crank, *run.last.lift] == run.injected.count[: 1 + len(run.last.lift)]


def highest(emulator: Emulator, ratios: tuple[float, ...], latch: str) -> int:
    """The highest rate, in steps of 2500 edges/s of the crank, at which no run lost a count. From above: failing is quick."""
    return next(
        rate
        for rate in range(95_000, 0, -2_500)
        if all(right(turned(emulator, seed, *(rate * r for r in ratios), latch=latch)) for seed in range(SEEDS))
    )


def sizes(emulator: Emulator) -> Iterator[str]:
    told = subprocess.run(["avr-size", emulator.folder / f"{IMAGE}.elf"], capture_output=True, text=True, check=True)
    text, data, bss = told.stdout.splitlines()[1].split()[:3]
    flash, ram = int(text) + int(data), int(data) + int(bss)
    yield f"flash {flash:>6} of 32768 bytes, RAM {ram:>5} of 2048 (and the stack)"


def noise(emulator: Emulator) -> Iterator[str]:
    """Each input of each kind: 10,000 pulses at each of four rates, what was moved meanwhile, and what was said."""
    words = ("crank-step", "lift1-step", "lift2-step", "lift1-bad", "lift2-bad", "lift1-jump", "lift2-jump", "busy", "command")
    yield f"rates {KHZ} kHz; frames refused, lost and said to be lost; counts off; flags; stack's lowest address; faults"
    for board in ("scale-scale", "bcd-bcd", "frame24-frame24", "ascii-scale"):
        for pin in inputs(board):
            script, ends = disturbed(board, pin)
            run = emulator.run(board, script, name="noise")
            off = [said - true for said, true in zip((run.last.crank, *run.last.lift), ends, strict=True)]
            said = {word: run.fault(word)[-1] for word in words if run.fault(word)}
            lost = f"{run.counters.refused}, {run.counters.lost}, {said.get('busy', 0)}"
            yield f"{board:<16} P{pin}: {lost:<18} off {off!s:<14} flags {run.last.flags:>2} stack {run.injected.stack} {said}"


def rates(emulator: Emulator) -> Iterator[str]:
    for text, ratios in (
        ("crank alone", (1.0, 0.0)),
        ("crank and a scale at a quarter", (1.0, 0.25)),
        ("crank and two scales at a quarter", (1.0, 0.25, 0.25)),
        ("crank and a scale at the same", (1.0, 1.0)),
    ):
        for latch in ("edge", "time"):
            yield f"{text:<36} latch={latch}: {highest(emulator, ratios, latch):>7} edges/s on the crank"


def losses(emulator: Emulator) -> Iterator[str]:
    wrong = flagged = runs = 0
    rng = random.Random(1)
    for seed in range(10 * SEEDS):
        run = turned(emulator, seed, rng.uniform(85_000, 400_000), rng.uniform(0, 80_000), seconds=0.3)
        for counted, injected, bit in zip((run.last.crank, run.last.lift[0]), run.injected.count, (2, 16), strict=False):
            runs += 1
            wrong += counted != injected
            flagged += counted != injected and bool(run.last.flags & bit)
    yield f"beyond the limit: {wrong} of {runs} counts wrong, {flagged} of these flagged by the board"


def latches(emulator: Emulator) -> Iterator[str]:
    for rate in (5_000, 30_000, 70_000):
        found = [latched(turned(emulator, seed, rate, rate / 4)) for seed in range(SEEDS)]
        skew = np.abs(np.concatenate([f.skew for f in found]))
        clock = np.concatenate([f.clock for f in found])
        yield (
            f"at {rate:>6} + {rate // 4:>6} edges/s: scale within {skew.max():4.1f} us of the crank's edge "
            f"({np.mean(skew > 0):.1%} of samples not exact), clock within {clock.max():4.1f} us (median {np.median(clock):.1f})"
        )


def gauges(emulator: Emulator) -> Iterator[str]:
    for kind, line in KINDS.items():
        script = Script().say(f"channel 1 {line}").knot(0, 0, 0).knot(4_000_000, 4_000, 2_000).end()
        run = emulator.run(kind, script, name="bench")
        age = np.array([s.age_us[0] for s in run.samples if isinstance(s, wire.Sample) and s.lift[0]]) / 1e3
        first, last = run.samples[0].time_us, run.samples[-1].time_us
        each = run.injected.readings[0] / (last - first) * 1e6
        yield f"{kind:<8} {each:5.1f} readings/s, age at the latch {age.min():5.1f} to {age.max():5.1f} ms (mean {age.mean():.1f})"


def speed(emulator: Emulator) -> Iterator[str]:
    for rate in (0, 1_000, 20_000, 70_000):
        run = turned(emulator, 1, rate, rate / 4, seconds=60.0)
        i = run.injected
        yield f"{i.board_s:4.1f} s of board time at {rate:>6} edges/s: {i.wall_s:5.1f} s, {i.cpu_s:5.1f} s of processor"


def main() -> None:
    """Print everything."""
    if not (shutil.which("avr-gcc") and Path("/usr/include/simavr/sim_avr.h").exists()):
        print("needs gcc-avr, avr-libc, libsimavr-dev and libelf-dev: nothing measured")
        return
    with tempfile.TemporaryDirectory() as folder:
        emulator = Emulator.built(Path(folder))
        for part in (sizes, noise, rates, losses, latches, gauges, speed):
            print(part.__name__)
            for line in part(emulator):
                print(f"  {line}", flush=True)


if __name__ == "__main__":
    main()
