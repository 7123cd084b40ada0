"""What the live screen costs. Run by name: `python -m tests.benchmarks.bench_dashboard`. Prints figures, decides nothing.

A board in another process sends frames over a pseudo-terminal at a set rate while the whole screen runs at 120x36 and draws into
another. Frames lost, CPU of the screen's process, lateness of the event loop, pictures a second, memory, cost of a picture early and
late, and the time from the arrival of a byte to the end of the picture that shows it.

    --minutes 10    the long form (30: early against late)
    --rate 20000    the fast form
"""

from __future__ import annotations

import argparse
import asyncio
import fcntl
import os
import resource
import struct
import subprocess
import sys
import tempfile
import termios
import time
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np

from acquire.cli.demo_job import job_text
from acquire.dashboard.app import PICTURES_S, Dashboard
from acquire.dashboard.second import Second
from acquire.link.reconnect import stream
from acquire.procedure.saved_session import write_session
from acquire.procedure.session import MET, Happened, Place, Plan, places
from acquire.procedure.setup import setup_for
from acquire.procedure.station import Station
from acquire.procedure.steps import RIG, SWEEP
from acquire.procedure.workers import IDLE_S, Workers
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import truth
from analysis.capture import load
from analysis.job import parse_job

LATE_EVERY_S = 0.01

# A board that turns for ever: one line for each edge of a 2400-count encoder, at the rate that was asked for.
BOARD = """
import os, sys, time, math
sys.path[:0] = [sys.argv[2]]
from acquire import wire
from analysis.base.samples import Board
rate, n, crank = float(sys.argv[1]), 40, 0
master, slave = os.openpty()
import tty
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
board = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=1)
lift = [int(max(0.0, 800 * math.cos((k - 2400) / 900)) if abs(k - 2400) < 1400 else 0) for k in range(4800)]
while not os.read(master, 64).startswith(b"hello"):
    pass
os.write(master, wire.encode_hello(board, 0, 0))
for k in range(40):  # the crank rests, then it turns
    os.write(master, wire.encode_heartbeat(k, k * 200_000, 0, 0, [35], [0]))
    time.sleep(0.2)
began = time.monotonic()
while True:
    due = 40 + int((time.monotonic() - began) * rate)
    out = []
    while n < due:
        at = wire.wrap_u32(int((n - 40) * 1e6 / rate + 8e6))
        if crank % 2400 == 17:
            out.append(wire.encode_index(wire.wrap_u32(n), at, wire.wrap_i32(crank)))
        else:
            out.append(wire.encode_sample(wire.wrap_u32(n), at, wire.wrap_i32(crank), 0, [35], [lift[crank % 4800]]))
        n += 1
        crank += 1
    data = b"".join(out)
    while data:
        data = data[os.write(master, data):]
    time.sleep(0.0005)
"""


class Watched(Dashboard):
    """Notes what each picture cost, and how old the newest frame on it was."""

    def __init__(self, workers: Workers, second: Second | None = None) -> None:
        super().__init__(workers, bell=False, second=second)
        # Arrays: what is noted for half an hour must not show as memory of the screen.
        self.began, self.costs, self.ages = array("d"), array("d"), array("d")

    def draw(self) -> None:
        """Draw, and note."""
        began, worked = time.perf_counter(), time.thread_time()
        super().draw()
        self.began.append(time.monotonic())
        self.costs.append(time.thread_time() - worked)  # what else the machine does is no cost of a picture
        age = self.station.watch.state().age_s
        if age is not None:
            self.ages.append(age + time.perf_counter() - began)


def memory_mb() -> float:
    """Resident memory now."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * resource.getpagesize() / 1e6


async def lateness(late: array[float]) -> None:
    """How late a short sleep wakes."""
    while True:
        began = time.monotonic()
        await asyncio.sleep(LATE_EVERY_S)
        late.append(time.monotonic() - began - LATE_EVERY_S)


async def run(app: Watched, seconds: float) -> tuple[array[float], list[float], float]:
    """Run so long; lateness, memory a second, share of one core."""
    late = array("d")
    memory: list[float] = []
    shown = asyncio.create_task(app.run_async())
    await asyncio.sleep(3.0)
    app.station.say_so()  # cautions; then the sweep begins
    await asyncio.sleep(9.0)
    for noted in (app.began, app.costs, app.ages):
        del noted[:]
    watch, cpu, began = asyncio.create_task(lateness(late)), time.process_time(), time.monotonic()
    while time.monotonic() - began < seconds:
        await asyncio.sleep(1.0)
        memory.append(memory_mb())
    share = (time.process_time() - cpu) / (time.monotonic() - began)
    watch.cancel()
    await app.finish()
    app.exit()
    await shown
    return late, memory, share


def job_at(folder: Path) -> Callable[[], Station]:
    """A job that stands in the intake sweep; TDC is given, so that results are worked out."""
    scenario = SCENARIOS["clean"]
    text = job_text(scenario, truth(scenario.rig)).replace("# tdc_count = 0.0", "tdc_count = 700.0")
    (folder / "job.toml").write_text(text, encoding="utf-8")
    plan = Plan("given", ("intake",))
    for place in places(plan):
        if place == Place(SWEEP, "intake"):
            break
        write_session(folder, Happened(MET, place, "up" if place.step == RIG else ""), "2030-01-02T03:04:05+00:00")
    job = parse_job(text)
    # The sweep is never over: what it needs is out of reach.
    return lambda: Station(setup_for(job, folder, plan, "lobetrace 0"), time.monotonic)


@contextmanager
def endless_sweep(rate: float) -> Iterator[Workers]:
    """A station in a sweep that is never over, in a folder of its own, with the board that turns at its other end."""
    root = str(Path(__file__).resolve().parents[2])
    board = subprocess.Popen([sys.executable, "-c", BOARD, str(rate), root], stdout=subprocess.PIPE, text=True)
    assert board.stdout is not None
    url = board.stdout.readline().strip()
    try:
        with tempfile.TemporaryDirectory() as name:
            station = job_at(Path(name))()
            station.facts = lambda: {"said": float(station.said), "link": 1.0}  # type: ignore[method-assign]  # never over
            yield Workers(station, lambda: stream(url, idle_after=IDLE_S))
    finally:
        board.kill()
        board.wait()


def measured(minutes: float, rate: float) -> str:
    """The figures, as text. Runs in a terminal."""
    with endless_sweep(rate) as workers:
        station = workers.station
        app = Watched(workers)
        late, memory, share = asyncio.run(run(app, minutes * 60))
        assert station.setup.folder is not None
        (file,) = (station.setup.folder / "captures").rglob("*.csv")
        capture = load(file)
    costs = np.array(app.costs)
    shares = [1e3 * float(np.median(share)) for share in np.array_split(costs, 6)]
    lost = sum(gap.lost for gap in capture.gaps)
    p50, p95, p99 = (1e3 * np.quantile(late, share) for share in (0.5, 0.95, 0.99))
    # The age when a picture is done, and the wait for the next one at worst.
    shown = 1e3 * np.quantile(app.ages, (0.5, 0.95)) + (500 / PICTURES_S, 1000 / PICTURES_S)
    return "\n".join(
        (
            f"{rate:.0f} frames/s for {minutes:g} min at 120x36, {os.cpu_count()} cores",
            f"frames lost           {lost} of {capture.samples.crank.size}; whole file: {capture.complete}",
            f"CPU                   {100 * share:.1f} % of one core",
            f"loop late             p50 {p50:.1f}  p95 {p95:.1f}  p99 {p99:.1f}  most {1e3 * max(late):.0f} ms",
            f"pictures              {len(costs) / np.ptp(app.began):.1f} a second, {np.median(shares):.1f} ms of processor each",
            f"picture, late/early   {shares[-1] / shares[0]:.2f} ({', '.join(f'{ms:.2f}' for ms in shares)} ms)",
            f"byte to screen        p50 {shown[0]:.0f}  p95 {shown[1]:.0f} ms, with the wait for the next picture",
            f"memory                {', '.join(f'{mb:.0f}' for mb in memory[9 :: max(1, len(memory) // 8)])} MB, from early to late",
            f"results worked out    {station.fits}",
        )
    )


def in_a_terminal(arguments: list[str], script: str = __file__) -> str:
    """Run this script once more in a pseudo-terminal of 120x36 that is read as fast as it is written; what it found out."""
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 36, 120, 0, 0))
    with tempfile.NamedTemporaryFile() as found:
        inside = subprocess.Popen(
            [sys.executable, script, *arguments, "--inside", found.name],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
        )
        os.close(slave)
        drawn = 0
        with suppress(OSError):
            while data := os.read(master, 1 << 16):
                drawn += len(data)
        inside.wait()
        return Path(found.name).read_text(encoding="utf-8") + f"\ndrawn                 {drawn / 1e6:.1f} MB to the terminal"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=0.5)
    parser.add_argument("--rate", type=float, default=2000.0)
    parser.add_argument("--inside", default="", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inside:
        Path(options.inside).write_text(measured(options.minutes, options.rate), encoding="utf-8")
    else:
        print(in_a_terminal(sys.argv[1:]))


if __name__ == "__main__":
    main()
