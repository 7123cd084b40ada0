"""How fast the wire is read. Run by name: `python -m tests.benchmarks.bench_wire`. Prints figures, decides nothing."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

from acquire import wire
from analysis.base.samples import Board

FRAMES = 200_000
ROUNDS = 5


def recording(channels: int) -> bytes:
    """A sweep as a board sends it: counts of all sizes, a slow crank, a lift that moves."""
    rng = random.Random(1)
    board = Board(2400, True, "edge", (0.01,) * channels, ("mm",) * channels, "bench-a", boot=1)
    lines = [wire.encode_hello(board, 0, 0)]
    for i in range(FRAMES):
        ages, lifts = [rng.randrange(100) for _ in range(channels)], [rng.randrange(-20, 1200) for _ in range(channels)]
        lines.append(wire.encode_sample(i, wire.wrap_u32(883_120 + 400 * i), i - 14_400, 0, ages, lifts))
    return b"".join(lines)


def streamed(data: bytes, size: int) -> Callable[[], int]:
    """The decoder as the link feeds it: events are looked at and let go."""
    chunks = [data[i : i + size] for i in range(0, len(data), size)]

    def run() -> int:
        feed = wire.Decoder().feed
        return sum(len(feed(chunk)) for chunk in chunks)

    return run


def best(run: Callable[[], int]) -> float:
    """Frames a second of process time, the best of some rounds."""
    fastest = float("inf")
    for _ in range(ROUNDS):
        start = time.process_time()
        assert run() >= FRAMES
        fastest = min(fastest, time.process_time() - start)
    return FRAMES / fastest


def main() -> None:
    """Print the table."""
    for channels in (1, 2):
        data = recording(channels)
        print(f"{channels} channel{'s' * (channels > 1)}, {len(data) / FRAMES:.1f} bytes a frame")
        for size in (40, 1024):
            print(f"  streaming, chunks of {size:4d} bytes  {best(streamed(data, size)) / 1e3:7.0f} k frames/s")


if __name__ == "__main__":
    main()
