"""Kills `lobetrace capture` at random moments and reads what it left. Run by tests, and by name: python -m tests.link.killing 20 SEED

A board on a pseudo-terminal streams as fast as it is read, a thousand frames to a second of its own time. Each recording is a
process of its own, forked from this one, so that two hundred do not import everything two hundred times. It dies without a word
(SIGKILL) once so many frames have been sent to it, or so soon after its hello. Prints a line of JSON for each.
"""

from __future__ import annotations

import json
import os
import random
import select
import signal
import sys
import tempfile
import time
import tty
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from acquire import wire
from acquire.cli import run
from acquire.cli.capture import capture
from analysis.base.samples import Board
from analysis.capture import load
from analysis.job.folder import captures_of

PER_S = 1000  # frames in a second of the board's time
BOARD = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=57)
PATIENCE = 30.0
assert capture  # imported before the fork, with all that it brings


@dataclass(frozen=True)
class Killed:
    """One kill: what was asked, what had been sent, and what the file holds. `wrong` is empty if all is well."""

    seed: str
    frames: int
    seconds: float
    sent: int
    rows: int
    there: bool
    wrong: str


def kill_one(job: Path, seed: str) -> Killed:
    """Begin a recording into `job`, kill it, and look."""
    rng = random.Random(seed)
    early = rng.random() < 0.15
    frames = 0 if early else round(10 ** rng.uniform(2.7, 4.3))
    seconds = rng.uniform(0, 0.03) if early else 0.0
    before = set(captures_of(job))
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    child = os.fork()
    if not child:
        _record(job, os.ttyname(slave))
    try:
        sent = _serve(master, frames, seconds)
    finally:
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        os.close(slave)
        os.close(master)
    new = [path for path in captures_of(job) if path not in before]
    rows, wrong = _look(new, sent)
    if os.WTERMSIG(status) != signal.SIGKILL:
        wrong = f"it ended by itself: {status}"
    return Killed(seed, frames, seconds, sent, rows, bool(new), wrong)


def _record(job: Path, port: str) -> None:
    """In the child: the command, as from a shell, with nothing to say."""
    try:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        run(["capture", str(job), "--step", "sweep", "--valve", "intake", "--port", port])
    finally:
        os._exit(3)


def _serve(master: int, frames: int, seconds: float) -> int:
    """Be the board until the moment has come; how many frames have been sent whole."""
    heard, waiting, sent, made = b"", b"", 0, 0
    greeted: float | None = None
    give_up = time.monotonic() + PATIENCE
    while greeted is None or (sent < frames if frames else time.monotonic() < greeted + seconds):
        if time.monotonic() > give_up:
            return -1
        readable, writable, _ = select.select([master], [master] if waiting or greeted else [], [], 0.001)
        if readable:
            *lines, heard = (heard + os.read(master, 4096)).split(b"\n")
            if b"hello" in lines and greeted is None:
                waiting, greeted = wire.encode_hello(BOARD, made, 0), time.monotonic()
        if writable and greeted is not None:
            if not waiting:
                waiting = b"".join(wire.encode_sample(i, 1000 * i, i, 0, (0,), (i % 777,)) for i in range(made, made + 20))
                made += 20
            waiting = waiting[os.write(master, waiting) :]
            sent = made - waiting.count(b"\n") if made else 0
    return sent


def _look(new: list[Path], sent: int) -> tuple[int, str]:
    """Rows in the file, and what is wrong with it."""
    if sent < 0:
        return 0, "it never said hello"
    if not new:
        return 0, "" if sent <= PER_S else f"{sent} frames were sent, and there is no file"
    if len(new) > 1:
        return 0, "it began two files"
    read = load(new[0])
    rows = len(read.samples.seq)
    numbers = np.arange(rows)
    if read.complete or len(read.missing) != 1 or "cut short" not in read.missing[0]:
        return rows, f"it does not say that it was cut short: {read.missing}"
    if not (np.array_equal(read.samples.seq, numbers) and np.array_equal(read.samples.lift[0], numbers % 777)):
        return rows, "a row is not what was sent"
    return rows, "" if sent - rows <= PER_S else f"{sent - rows} frames are lost, more than a second's"


def main() -> None:
    """Kill so many recordings."""
    kills, seed = int(sys.argv[1]), sys.argv[2]
    with tempfile.TemporaryDirectory() as folder:
        job = Path(folder) / "job"
        assert run(["new", str(job), "--json"]) == 0
        for n in range(kills):
            print(json.dumps(asdict(kill_one(job, f"{seed}-{n}"))), flush=True)


if __name__ == "__main__":
    main()
