"""What the second screen costs beside the live one. Run by name: `python -m tests.benchmarks.bench_screen`. Decides nothing.

The live screen runs as in bench_dashboard, at 2,000 frames a second. From a frame's arrival to a Chromium that has painted it; then
what pages that only read (20, in a process of their own) add to the live screen's process; and its memory.

    --seconds 30    the long form
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import time
from array import array
from collections import deque
from contextlib import suppress
from pathlib import Path

import numpy as np

from acquire.dashboard.app import PICTURES_S
from acquire.dashboard.second import Second
from acquire.dashboard.snapshot import Snapshot
from acquire.screen.address import bound
from acquire.screen.server import ScreenServer
from tests.benchmarks.bench_dashboard import Watched, endless_sweep, in_a_terminal, lateness, memory_mb
from tests.ui.chromium import THERE_IS_ONE

ROOT = str(Path(__file__).resolve().parents[2])
# Reads what it is sent, and says at its end how much that was.
READER = """
import asyncio, sys
async def page(address):
    host, _, path = address.removeprefix("http://").partition("/")
    reader, writer = await asyncio.open_connection(*host.split(":"))
    writer.write(f"GET /{path}events HTTP/1.1\\r\\nHost: {host}\\r\\n\\r\\n".encode())
    while data := await reader.read(1 << 16):
        count[0] += len(data)
async def main():
    pages = [asyncio.create_task(page(sys.argv[1])) for _ in range(int(sys.argv[2]))]
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)
    print(count[0], flush=True)
count = [0]
asyncio.run(main())
"""
# Notes when each picture has been painted: in the frame after the one that has drawn it.
BROWSER = """
import json, sys
sys.path[:0] = [sys.argv[2]]
from tests.ui.chromium import started
with started() as browser:
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride",
        {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True})
    browser.get(sys.argv[1])
    browser.execute_script('''window.painted = [];
        new MutationObserver(() => { const id = document.body.dataset.picture;
            requestAnimationFrame(() => window.painted.push([Number(id), performance.timeOrigin + performance.now()])); })
            .observe(document.body, { attributes: true, attributeFilter: ['data-picture'] });''')
    print("open", flush=True)
    sys.stdin.readline()
    print(json.dumps(browser.execute_script("return window.painted")), flush=True)
"""


class Noted:
    """Shows pictures, and notes of each event when the newest frame in it had arrived."""

    def __init__(self) -> None:
        self.server = ScreenServer(bound("127.0.0.1"))
        self.arrived: dict[int, float] = {}
        self.costs = array("d")
        self.pictures: deque[Snapshot] = deque(maxlen=250)

    def show(self, picture: Snapshot) -> None:
        """Show, and note."""
        self.pictures.append(picture)
        arrived, before, began = time.time() - (picture.link.age_s or 0.0), self.server._number, time.thread_time()
        self.server.show(picture)
        self.costs.append(time.thread_time() - began)
        self.arrived |= dict.fromkeys(range(before + 1, self.server._number + 1), arrived)

    def second(self) -> Second:
        """As the live screen takes it."""
        return Second(self.show, self.server.serve, self.server.address, ())


async def share(seconds: float) -> float:
    """Of one core, from now on."""
    cpu, began = time.process_time(), time.monotonic()
    await asyncio.sleep(seconds)
    return (time.process_time() - cpu) / (time.monotonic() - began)


async def told(process: asyncio.subprocess.Process) -> str:
    """What it says once it is asked."""
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(b"\n")
    line = await process.stdout.readline()
    await process.wait()
    return line.decode()


async def run(app: Watched, noted: Noted, seconds: float, pages: int) -> str:
    """The three parts, one after the other."""
    pipe = asyncio.subprocess.PIPE
    quiet = asyncio.subprocess.DEVNULL
    late = array("d")
    shown = asyncio.create_task(app.run_async())
    await asyncio.sleep(3.0)
    app.station.say_so()  # cautions; then the sweep begins
    await asyncio.sleep(9.0)
    alone = await share(seconds)
    memory = [memory_mb()]

    page = "frame to page         no Chromium with chromedriver on this machine"
    if THERE_IS_ONE:
        chromium = await asyncio.create_subprocess_exec(
            sys.executable, "-c", BROWSER, noted.server.address, ROOT, stdin=pipe, stdout=pipe, stderr=quiet, limit=1 << 24
        )
        assert chromium.stdout is not None
        await chromium.stdout.readline()
        await asyncio.sleep(seconds)
        page = paint(noted.arrived, json.loads(await told(chromium)))
        await asyncio.sleep(1.0)

    del noted.costs[:]
    reader = await asyncio.create_subprocess_exec(
        sys.executable, "-c", READER, noted.server.address, str(pages), stdin=pipe, stdout=pipe, stderr=quiet
    )
    while len(noted.server.viewers) < pages:
        await asyncio.sleep(0.1)
    watch = asyncio.create_task(lateness(late))
    beside = await share(seconds)
    memory.append(memory_mb())
    more = await share(seconds)
    memory.append(memory_mb())
    watch.cancel()
    sent = int(await told(reader))
    again = await share(seconds)
    await app.finish()
    app.exit()
    await shown
    return "\n".join(
        (
            page,
            f"picture for all pages {1e3 * np.median(noted.costs):.2f} ms of processor, "
            f"{sent / pages / seconds / 2e3:.0f} kB/s a page",
            f"CPU without pages     {100 * alone:.1f} % of one core, and {100 * again:.1f} % at the end",
            f"CPU with {pages} pages     {100 * beside:.1f} and {100 * more:.1f} %:"
            f" {100 * ((beside + more) / 2 - (alone + again) / 2):+.1f} % of one core",
            f"loop late with {pages}    p50 {1e3 * np.quantile(late, 0.5):.1f}  p95 {1e3 * np.quantile(late, 0.95):.1f} ms",
            f"memory                {', '.join(f'{mb:.0f}' for mb in memory)} MB: without, with {pages} pages, and later",
        )
    )


async def by_itself(pictures: deque[Snapshot], seconds: float, pages: int) -> str:
    """The same pictures at the same rate, without the live screen: what else that does is no noise here."""
    noted, shares = Noted(), []
    serving = asyncio.create_task(noted.server.serve())
    pipe = asyncio.subprocess.PIPE
    for count in (0, pages):
        reader = await asyncio.create_subprocess_exec(
            sys.executable, "-c", READER, noted.server.address, str(count), stdin=pipe, stdout=pipe
        )
        while len(noted.server.viewers) < count:
            await asyncio.sleep(0.1)
        cpu, began = time.process_time(), time.monotonic()
        while time.monotonic() - began < seconds:
            noted.server.show(pictures[0])
            pictures.rotate(-1)
            await asyncio.sleep(1 / PICTURES_S)
        shares.append((time.process_time() - cpu) / (time.monotonic() - began))
        await told(reader)
    serving.cancel()
    with suppress(asyncio.CancelledError):
        await serving
    without, beside = (100 * share for share in shares)
    return f"by itself             {without:.2f} % of one core without a page, {beside:.2f} % with {pages}"


def paint(arrived: dict[int, float], painted: list[tuple[int, float]]) -> str:
    """From any frame's arrival to the first picture that shows it or a later one: at the worst, when a picture has just been made."""
    known = [(arrived[number], 1e-3 * when) for number, when in painted if number in arrived]
    came, seen = np.array(sorted(known)).T
    frames = np.arange(came[0], came[-1], 0.001)
    waits = 1e3 * (seen[np.searchsorted(came, frames)] - frames)
    p50, p95, p99 = (np.quantile(waits, share) for share in (0.5, 0.95, 0.99))
    rate = (len(known) - 1) / (seen[-1] - seen[0])
    return f"frame to page         p50 {p50:.0f}  p95 {p95:.0f}  p99 {p99:.0f} ms in Chromium, {rate:.1f} pictures a second"


def measured(seconds: float, pages: int, rate: float) -> str:
    """The figures, as text. Runs in a terminal."""
    with endless_sweep(rate) as workers:
        noted = Noted()
        figures = asyncio.run(run(Watched(workers, noted.second()), noted, seconds, pages))
        figures += "\n" + asyncio.run(by_itself(noted.pictures, seconds, pages))
    return f"{rate:.0f} frames/s, {seconds:g} s each\n{figures}"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=15.0)
    parser.add_argument("--pages", type=int, default=20)
    parser.add_argument("--rate", type=float, default=2000.0)
    parser.add_argument("--inside", default="", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inside:
        Path(options.inside).write_text(measured(options.seconds, options.pages, options.rate), encoding="utf-8")
    else:
        print(in_a_terminal(sys.argv[1:], __file__))


if __name__ == "__main__":
    main()
