"""How fast the RP2040 board counts, in the PIO emulator, and how many frames a second its MicroPython makes here.

python -m tests.benchmarks.bench_rp2040
"""

from __future__ import annotations

import random
import shutil
import tempfile
from pathlib import Path
from typing import Any

from tests.firmware.micropython import MicroPython
from tests.firmware.pio_bench import HZ, Levels, run, walk
from tests.firmware.rp2040_on_cpython import modules
from tests.firmware.rp2040_scripts import steps

RUNS, EDGES = 4, 2000


def holds(program: Any, edges_per_s: int) -> bool:
    """Whether no run lost a count: the crank rocks, and is asked for its count 400 times a second and more."""
    for seed in range(RUNS):
        rng, way, moves = random.Random(seed), 1, []
        for _ in range(EDGES):
            way = -way if rng.random() < 0.1 else way
            moves.append(way)
        turned, asked = walk(moves, HZ / edges_per_s), Levels()
        for i, cycle in enumerate(range(1000, turned.cycles[-1], rng.randrange(2000, 3000))):
            asked.set(cycle, (i + 1) % 2)
        ran = run(program, Levels.joined((turned.levels(), 0), (asked, 2)), turned.cycles[-1] + 300)
        if ran.irqs or ran.last.y_register - (1 << 31) != turned.counts[-1]:
            return False
    return True


def main() -> None:
    """Prints both figures."""
    highest = 0
    with modules():
        import programs  # type: ignore[import-not-found]
    for rate in range(1_000_000, 4_000_000, 100_000):
        if not holds(programs.quadrature, rate):
            break
        highest = rate
    print(f"PIO at {HZ // 1_000_000} MHz: no count lost in {RUNS} runs of {EDGES} edges at up to {highest:,} edges/s")
    if not shutil.which("npm"):
        print("MicroPython: npm is not installed")
        return
    cache = Path(tempfile.gettempdir()) / "lobetrace-micropython"
    cache.mkdir(exist_ok=True)
    script = {
        "signals": {"crank": steps((100_000, 200, 50_000)), "ch1": steps((100_000, 600, 16_000))},
        "say": [(50_000, "rate 500\n")],
        "pace": 600,
        "until": 10_100_000,
    }
    with tempfile.TemporaryDirectory() as folder:
        sent, seconds = MicroPython.installed(cache).play(script, Path(folder) / "script.json")
    frames = sent.count(b"\nS,")
    print(f"MicroPython (WebAssembly): {frames} frames in {seconds:.1f} s of the processor, {frames / seconds:.0f} frames/s")


if __name__ == "__main__":
    main()
