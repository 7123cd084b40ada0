"""What faults do, in numbers. Run by name: `python -m tests.benchmarks.bench_faults [bytes|kills|hour ...]`. Decides nothing.

bytes  ten million random and mutated bytes through the decoder                        --bytes N
kills  two hundred recordings killed at random moments                                 --kills N
hour   a thousand frames a second through a pseudo-terminal; an hour by --seconds 3600 --seconds N (60 if not given)
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import resource
import subprocess
import sys
import time
import tracemalloc
import tty
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from acquire import wire
from acquire.link.reconnect import Batch, connect
from acquire.record.event_rows import Entries
from acquire.wire.frames import LONGEST_LINE
from analysis.base.errors import LobetraceError
from analysis.base.samples import Board

ROOT = Path(__file__).parents[2]
BOARD = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=57)
CHUNK = 4096
PER_S = 1000


def stream(rng: random.Random) -> Iterator[tuple[bytes, bool]]:
    """Lines without end, each with whether it was damaged: nine sound ones in ten, one cut, flipped, spliced or of junk."""
    seq = 0
    yield wire.encode_hello(BOARD, 0, 0), False
    while True:
        line = wire.encode_sample(seq, wire.wrap_u32(400 * seq), seq % 9000, 0, (seq % 50,), (seq % 1200,))
        seq = wire.wrap_u32(seq + 1)
        if rng.random() < 0.9:
            yield line, False
            continue
        match rng.randrange(5):
            case 0:
                yield bytes(rng.randrange(256) for _ in range(rng.randrange(1, 300))).replace(b"\n", b"") + b"\n", True
            case 1:
                yield line[: rng.randrange(1, len(line) - 1)] + b"\n", True
            case 2:
                at = rng.randrange(len(line) - 1)
                yield line[:at] + bytes([line[at] ^ 1 << rng.randrange(8)]).replace(b"\n", b"?") + line[at + 1 :], True
            case 3:  # digits for digits: a line that only its sum can refuse
                body, end = line[:-6], line[-6:]
                changed = bytes(rng.choice(b"0123456789") if 48 <= byte < 58 and rng.random() < 0.3 else byte for byte in body)
                yield changed + end, changed != body
            case _:
                at = rng.randrange(1, len(line) - 1)
                yield line[:at] + line[max(0, at - rng.randrange(1, 9)) :], True


def through_the_decoder(count: int, seed: int) -> None:
    """Figures of the first kind."""
    rng, decoder = random.Random(seed), wire.Decoder()
    good = Counter[bytes]()  # sound lines sent and not handed out yet, of the last few thousand bytes
    lines = stream(rng)
    fed = damaged = accepted = others = sound = refusals = 0
    most_held = 0
    tracemalloc.start()
    start, baseline = time.perf_counter(), None
    while fed < count:
        sent, size = [], 0
        while size < CHUNK:
            line, bad = next(lines)
            sent.append(line)
            size += len(line)
            damaged += bad
            sound += not bad
            good[line] += not bad
        data = b"".join(sent)
        cut = rng.randrange(len(data))
        for part in (data[:cut], data[cut:]):
            try:
                events = decoder.feed(part)
            except LobetraceError:
                refusals += 1
                decoder.reset()
                events = []
            for event in events:
                if isinstance(event, wire.Damage):
                    continue
                line = wire.encode_frame(event)
                if good[line] > 0:
                    good[line] -= 1
                    others += 1
                else:
                    accepted += 1
            most_held = max(most_held, decoder.held)
        fed += len(data)
        good = +good if len(good) < 5 * CHUNK else Counter()
        if baseline is None and fed > count // 10:
            baseline = tracemalloc.get_traced_memory()[0]
    now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    took = time.perf_counter() - start
    counters = decoder.counters
    print(f"bytes: {fed} fed in {took:.0f} s (traced), {sound} sound and {damaged} damaged lines")
    print(f"  exceptions: none but {refusals} of our own family; frames as sent {others}, damaged ones accepted {accepted}")
    print(f"  a sum of 16 bits lets one in 65536 through: of {damaged} that is {damaged / 65536:.1f}")
    print(f"  lost {counters.lost}, late {counters.late}, restarts {counters.restarts}, refused {counters.refused} bytes")
    print(f"  held at most {most_held} bytes of a line (limit {LONGEST_LINE}); memory {(now - (baseline or 0)) / 1024:+.1f} kB")
    print(f"  since the first tenth, {peak / 1024:.0f} kB at most, of which this script has its own share")
    pure_noise(count, seed)
    sums_that_agree(50 * damaged, seed)


def sums_that_agree(count: int, seed: int) -> None:
    """How often the sum of a body agrees with that of the same body damaged heavily; by chance one time in 65536."""
    rng, lines, agreed, tried = random.Random(seed + 2), stream(random.Random(seed + 2)), 0, 0
    while tried < count:
        line, bad = next(lines)
        if bad or not line.startswith(b"S"):
            continue
        body = line[:-6]
        digits = bytes(rng.choice(b"0123456789") if 48 <= byte < 58 and rng.random() < 0.3 else byte for byte in body)
        at = rng.randrange(1, len(body))
        spliced = body[:at] + body[max(0, at - rng.randrange(1, 9)) :]
        for other in (digits, spliced):
            tried += other != body
            agreed += other != body and wire.crc16(other) == wire.crc16(body)
    expected = count / 65536
    print(f"sums: of {tried} bodies damaged heavily {agreed} kept their sum, by chance {expected:.1f} +- {2 * expected**0.5:.1f}")


def pure_noise(count: int, seed: int) -> None:
    """Nothing but random bytes, half of them of the alphabet of the wire."""
    rng, decoder, frames, fed, most_held = random.Random(seed + 1), wire.Decoder(), 0, 0, 0
    decoder.feed(wire.encode_hello(BOARD, 0, 0))
    alphabet = b"SBIFH,0123456789-*ABCDEF\n"
    tracemalloc.start()
    while fed < count:
        data = rng.randbytes(CHUNK) if rng.random() < 0.5 else bytes(rng.choices(alphabet, k=CHUNK))
        frames += sum(not isinstance(event, wire.Damage) for event in decoder.feed(data))
        fed += len(data)
        most_held = max(most_held, decoder.held)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"noise: {fed} bytes, {frames} frames found in it, held at most {most_held} bytes, memory {peak / 1024:.0f} kB at most")


def killed(kills: int, seed: int) -> None:
    """Figures of the second kind; see tests/link/killing.py."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.link.killing", str(kills), f"seed{seed}"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    found = [json.loads(line) for line in done.stdout.splitlines() if '"seed"' in line]
    wrong = [kill for kill in found if kill["wrong"]]
    recorded = [kill for kill in found if kill["there"]]
    behind = sorted(kill["sent"] - kill["rows"] for kill in recorded)
    print(f"kills: {len(found)} recordings killed, {len(found) - len(wrong)} recovered")
    print(f"  {len(found) - len(recorded)} before the file was there; {sum(k['rows'] for k in recorded)} rows read back")
    if behind:
        print(
            f"  sent and not in the file: median {behind[len(behind) // 2]}, at most {behind[-1]} frames of {PER_S} in a second"
        )
    for kill in wrong:
        print(f"  WRONG {kill}")


async def hour(seconds: float) -> None:
    """Figures of the third kind."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    loop = asyncio.get_running_loop()
    wanted, sent, rows, most_held = round(seconds * PER_S), 0, 0, 0
    waiting = bytearray()
    started: float | None = None

    def hear() -> None:
        nonlocal started
        with suppress(BlockingIOError):
            if b"hello" in os.read(master, 4096):
                waiting.extend(wire.encode_hello(BOARD, sent, 0))
                started = started or loop.time()

    def speak() -> None:
        nonlocal sent
        due = min(wanted, round((loop.time() - started) * PER_S)) if started else 0
        for i in range(sent, due):
            waiting.extend(wire.encode_sample(i, wire.wrap_u32(1000 * i), wire.wrap_i32(i), 0, (35,), (i % 1200,)))
        sent = max(sent, due)
        with suppress(BlockingIOError):
            del waiting[: os.write(master, waiting)]

    async def board() -> None:
        while sent < wanted or waiting:
            speak()
            await asyncio.sleep(0.005)

    loop.add_reader(master, hear)
    speaking = asyncio.create_task(board())
    link = await connect(os.ttyname(slave))
    entries = Entries(link.board)
    memory: list[int] = []
    begun = time.process_time()
    while rows < wanted:
        outcome = await link.read(10.0)
        assert isinstance(outcome, Batch), outcome
        rows += sum(isinstance(entry, tuple) for entry in entries.of(outcome.events, ""))
        most_held = max(most_held, link._pipe.held)
        if rows * 20 // wanted >= len(memory):
            memory.append(_resident())
    print(f"hour: {wanted} frames at {PER_S} a second for {seconds:.0f} s through a pseudo-terminal")
    print(f"  in order {rows}, lost {link.counters.lost}, late {link.counters.late}, refused {link.counters.refused} bytes")
    print(f"  memory by twentieths, MB: {' '.join(f'{size / 1e6:.1f}' for size in memory)}; unread at most {most_held} bytes")
    print(f"  board and reader together: {(time.process_time() - begun) / seconds:.1%} of one core")
    await speaking
    await link.close()
    loop.remove_reader(master)
    os.close(slave)
    os.close(master)


def _resident() -> int:
    """Bytes of this process in memory now, or at most so far where the system does not tell."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def main() -> None:
    """Print what is asked for, else all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("which", nargs="*", choices=["bytes", "kills", "hour", []], help="else all")
    parser.add_argument("--bytes", type=int, default=10_000_000)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    which = asked.which or ["bytes", "kills", "hour"]
    if "bytes" in which:
        through_the_decoder(asked.bytes, asked.seed)
    if "kills" in which:
        killed(asked.kills, asked.seed)
    if "hour" in which:
        asyncio.run(hour(asked.seconds))


if __name__ == "__main__":
    main()
