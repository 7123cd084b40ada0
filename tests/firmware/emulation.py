"""The firmware's AVR images in the emulator: scripts of motion in, the board's frames and the injected edges out."""

from __future__ import annotations

import json
import random
import struct
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from acquire import wire
from analysis.base.samples import Floats, Ints
from tests.firmware.sent import Sent

REFERENCE = Path(__file__).parents[2] / "firmware-notes" / "reference"
IMAGE = "lobetrace-atmega328p-115200"
KINDS = {"scale": (0, 5, 3), "bcd": (1, 1, 3), "frame24": (2, 1, 2), "ascii": (3, 1, 3)}  # number, digits and decimals of a step
BOARDS = (
    "scale",
    "scale-scale",
    "scale-bcd",
    "scale-frame24",
    "bcd",
    "bcd-bcd",
    "frame24",
    "frame24-frame24",
    "ascii",
    "ascii-scale",
)
CYCLES_PER_US = 16
EDGE = np.dtype([("cycle", "<u8"), ("count", "<i4"), ("signal", "<i4")])
CRANK, LIFT1, LIFT2, INDEX_UP, INDEX_DOWN = range(5)


@dataclass
class Script:
    """What happens to the board. Times in microseconds since the script began; counts are those of the rig."""

    lines: list[str] = field(default_factory=list)
    last_us: int = -1

    def say(self, line: str) -> Script:
        self.lines.append(line)
        return self

    def knot(self, us: int, *counts: int) -> Script:
        self.last_us = us
        return self.say(f"knot {us} {' '.join(map(str, counts))}")

    def turn(self, seconds: float, *per_s: float, rng: random.Random | None = None, start: Sequence[int] = ()) -> Script:
        """Signals at so many edges a second; with `rng` in pieces of 10 to 60 ms, two of five of which change the direction."""
        counts = list(start) or [0] * len(per_s)
        us, end, way = 0, round(seconds * 1e6), 1
        self.knot(0, *counts)
        while us < end:
            piece = min(rng.randrange(10_000, 60_000), end - us) if rng else end - us
            us += piece
            counts = [count + way * round(rate * piece / 1e6) for count, rate in zip(counts, per_s, strict=True)]
            self.knot(us, *counts)
            if rng and rng.random() < 0.4:
                way = -way
        return self

    def end(self, quiet_us: int = 600_000) -> Script:
        """The script ends when all has been still for a while, so that a last heartbeat tells the last counts."""
        return self.say(f"end {self.last_us + quiet_us}")


@dataclass(frozen=True)
class Injected:
    """What the emulator says it did."""

    count: list[int]
    edges: list[int]
    pulses: int
    readings: list[int]
    bytes: int
    stack: int  # the lowest address that the stack reached
    board_s: float
    wall_s: float
    cpu_s: float


@dataclass(frozen=True)
class Run(Sent):
    """One script: what was injected, what the board sent, edge by edge and event by event."""

    injected: Injected
    edges: np.ndarray

    @property
    def last(self) -> wire.Sample | wire.Heartbeat:
        return self.samples[-1]

    def edges_of(self, signal: int) -> tuple[Ints, Ints]:
        """Cycle of each edge of a signal, and the count it led to."""
        those = self.edges[self.edges["signal"] == signal]
        return those["cycle"].astype(np.int64), those["count"].astype(np.int64)


@dataclass(frozen=True)
class Latched:
    """Edge-latched samples against what really happened; times in microseconds, one element a sample.

    `clock`: by how much the board's time lies behind the crank's edge, less the least such delay (the two clocks start apart).
    `skew`: by how much the instants at which the scale showed the sample's lift lie after (positive) or before the crank's edge;
    0 if it showed it then.
    """

    clock: Floats
    skew: Floats


def latched(run: Run, channel: int = 0) -> Latched:
    """Every edge-latched sample of a run with scales."""
    samples = [s for s in run.events if isinstance(s, wire.Sample) and not s.flags & 64]
    crank_cycle, crank_count = run.edges_of(CRANK)
    said = np.array([s.time_us for s in samples]) * CYCLES_PER_US
    # A count comes again when the crank rocks: the sample belongs to the last edge that led to it before the sample's time.
    ahead = min(said[i] - crank_cycle[crank_count == samples[i].crank][0] for i in range(3))
    true = np.array([_last(crank_cycle[crank_count == s.crank], t - ahead + 400) for s, t in zip(samples, said, strict=True)])
    cycle, count = run.edges_of(LIFT1 + channel)
    shows = np.concatenate([[0], count])
    begins, ends = np.concatenate([[0], cycle]), np.append(cycle, np.iinfo(np.int64).max)
    skew = [
        _outside(at, begins[shows == s.lift[channel]], ends[shows == s.lift[channel]])
        for s, at in zip(samples, true, strict=True)
    ]
    delay = said - true
    return Latched((delay - delay.min()) / CYCLES_PER_US, np.array(skew) / CYCLES_PER_US)


def _last(cycles: Ints, before: int) -> int:
    return int(cycles[cycles <= before][-1])


def _outside(at: int, begins: Ints, ends: Ints) -> int:
    """How far `at` lies outside the nearest of some intervals: they begin later (positive), or have ended (negative)."""
    off = np.where(begins > at, begins - at, np.minimum(ends - at, 0))
    return int(off[np.argmin(np.abs(off))])


def memory(board: str) -> bytes:
    """The EEPROM of a board that was never started, set for the kinds that are named: "scale-bcd" has a gauge on channel 2."""
    kinds = board.split("-")
    block = struct.pack("<L", 2400)
    for kind in (kinds * 2)[:2]:
        number, digits, decimals = KINDS[kind]
        block += struct.pack("<HBB?", digits, decimals, number, False)
    block += struct.pack("<B?25sB", len(kinds), True, b"bench-a", 1)
    block += struct.pack("<H", wire.crc16(block))
    return (b"\xff" * 4 + block).ljust(1024, b"\xff")


@dataclass(frozen=True)
class Emulator:
    """The harness and the image, in `folder`. Boards are named by the kinds of indicator that they are set for."""

    folder: Path

    @classmethod
    def built(cls, folder: Path, targets: Sequence[str] = ("all",)) -> Emulator:
        """Everything, compiled into `folder`."""
        done = subprocess.run(
            ["make", "-C", str(REFERENCE), f"BUILD={folder}", *targets], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return cls(folder)

    def _command(self, board: str, script: Script, name: str, eeprom: Path | None = None) -> list[str]:
        path = self.folder / f"{name}.script"
        path.write_text("\n".join(script.lines) + "\n")
        if not eeprom:
            eeprom = self.folder / f"{name}.eeprom"
            eeprom.write_bytes(memory(board))
        return [str(self.folder / "emulate"), str(self.folder / f"{IMAGE}.elf"), str(path), "--eeprom", str(eeprom)]

    def run(self, board: str, script: Script, *, eeprom: Path | None = None, name: str = "run") -> Run:
        """The script from beginning to end, as fast as the emulator can, repeatable to the cycle. `eeprom` is a chip's memory, or
        where one that does not exist is to be left; else it is that of `board`.
        """
        output, edges = self.folder / f"{name}.output", self.folder / f"{name}.edges"
        command = [*self._command(board, script, name, eeprom), "--output", str(output), "--edges", str(edges)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        decoder = wire.Decoder()
        events = decoder.feed(output.read_bytes())
        events += decoder.finish()
        return Run(events, decoder.counters, _injected(done.stdout.splitlines()), np.fromfile(edges, dtype=EDGE))

    @contextmanager
    def on_a_terminal(self, board: str, script: Script, *, real: bool = False, name: str = "terminal") -> Iterator[Bench]:
        """The board on a pseudo-terminal. The script begins with the first byte sent to it."""
        command = [*self._command(board, script, name), "--pty", *(["--real"] if real else [])]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdin
            assert process.stdout
            try:
                port = next(line.split()[1] for line in process.stdout if line.startswith("pty "))
                yield Bench(port, process)
            finally:
                process.stdin.close()
                process.stdout.read()


@dataclass(frozen=True)
class Bench:
    """An emulated board on a port. It lives until the context ends."""

    port: str
    process: subprocess.Popen[str]

    def injected(self) -> Injected:
        """Waits for the script to end."""
        assert self.process.stdout
        return _injected(self.process.stdout)


def _injected(lines: Iterator[str] | Sequence[str]) -> Injected:
    return Injected(**json.loads(next(line for line in lines if line.startswith("{"))))
