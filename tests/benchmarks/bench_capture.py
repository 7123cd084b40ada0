"""How long a capture of a million rows takes to read, digest checked, beside polars, which checks nothing. Prints figures only.

Run by name: python -m tests.benchmarks.bench_capture [rows]
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from statistics import median
from time import perf_counter

import numpy as np
import polars as pl

from analysis.base.samples import Board, Header
from analysis.capture import load
from analysis.capture.text import Note, whole_text

RUNS = 15
HEADER = Header(Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", 57), "sweep", 1, ("intake",))


def capture_text(count: int, seed: int = 1) -> bytes:
    """A crank turned by hand with a slow gauge: one index note a turn."""
    rng = np.random.default_rng(seed)
    time_us = (883_120 + np.cumsum(rng.integers(300, 6000, count))) % 2**32
    crank = -14_400 + np.cumsum(rng.integers(0, 2, count))
    age, lift = rng.integers(0, 60_000, count), 1235 + rng.integers(-800, 800, count)
    rows = np.stack([np.arange(count) + 100, time_us, crank, np.zeros(count, np.int64), age, lift], axis=1)
    return whole_text(HEADER, rows, [Note(row, "index", {"seq": 0, "time_us": 0, "crank": 0}) for row in range(0, count, 2400)])


def seconds(work: Callable[[], object]) -> float:
    start = perf_counter()
    work()
    return perf_counter() - start


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "01-sweep-intake.csv"
        path.write_bytes(data := capture_text(count))
        assert load(path).complete
        works: dict[str, Callable[[], object]] = {
            "polars.read_csv": lambda: pl.read_csv(path, comment_prefix="#"),
            "analysis.capture.load": lambda: load(path),
            "  of that: reading the bytes": path.read_bytes,
            "  of that: SHA-256": lambda: hashlib.sha256(data).digest(),
        }
        # In turns, so that whatever else the machine does meets all of them.
        times = {
            name: sorted(column)
            for name, column in zip(
                works, zip(*([seconds(w) for w in works.values()] for _ in range(RUNS)), strict=True), strict=True
            )
        }
    print(f"{count} rows, {len(data) / 1e6:.1f} MB, {RUNS} runs in turns")
    for name, column in times.items():
        print(f"{name:32} best {column[0] * 1e3:6.1f} ms, median {median(column) * 1e3:6.1f} ms")
    ours, theirs = times["analysis.capture.load"], times["polars.read_csv"]
    print(f"load / polars: best {ours[0] / theirs[0]:.2f}, median {median(ours) / median(theirs):.2f}")


if __name__ == "__main__":
    main()
