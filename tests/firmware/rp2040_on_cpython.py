"""The board's program under CPython on a rig of software: as an object for tests, or as a process on a pseudo-terminal.

    python -m tests.firmware.rp2040_on_cpython script.json

prints the name of its port and plays the script from the first byte that the host sends.
"""

from __future__ import annotations

import json
import os
import select
import sys
import time
import traceback
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any, TextIO

from tests.firmware.pio_bench import FAKE, RP2040


@contextmanager
def modules() -> Iterator[SimpleNamespace]:
    """`main` of the board and the `rig`, imported anew, and MicroPython's clock in `time`."""
    names = {path.stem for folder in (FAKE, RP2040) for path in folder.glob("*.py")}
    assert not names & set(sys.modules)
    sys.path[:0] = [str(FAKE), str(RP2040)]
    try:
        import rig  # type: ignore[import-not-found]

        for module, more in (time, clock(rig.RIG)), (sys, {"print_exception": print_exception}):
            for name, function in more.items():
                setattr(module, name, function)
        import board  # type: ignore[import-not-found]
        import main  # type: ignore[import-not-found]

        yield SimpleNamespace(rig=rig.RIG, Signal=rig.Signal, Gauge=rig.Gauge, main=main, board=board)
    finally:
        del sys.path[:2]
        for name in names:
            sys.modules.pop(name, None)
        for module, more in (time, clock(None)), (sys, {"print_exception": print_exception}):
            for name in more:
                delattr(module, name)


def clock(rig: Any) -> dict[str, Any]:
    """What MicroPython's `time` has and CPython's has not."""
    none = {"sleep_us": lambda _us: None, "sleep_ms": lambda _ms: None}
    return {"ticks_us": getattr(rig, "ticks_us", None), "ticks_diff": ticks_diff, **none}


def print_exception(error: BaseException, file: TextIO) -> None:
    """As in MicroPython's `sys`."""
    traceback.print_exception(error, file=file)


def ticks_diff(a: int, b: int) -> int:
    """As MicroPython has it: clocks run over at 2^30."""
    return (a - b + (1 << 29)) % (1 << 30) - (1 << 29)


class Memory:
    """A link of lists."""

    def __init__(self) -> None:
        self.sent, self.told, self.room = b"", b"", True

    def ready(self) -> bool:
        return self.room

    def write(self, data: bytes) -> None:
        self.sent += data

    def read(self) -> int | None:
        if not self.told:
            return None
        byte, self.told = self.told[0], self.told[1:]
        return byte


class Terminal:
    """A pseudo-terminal. A full one makes the board wait, as the rig's time can."""

    def __init__(self, rig: Any) -> None:
        self.rig = rig
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.slave, self.name = slave, os.ttyname(slave)  # kept open, so that the host may come and go

    def ready(self) -> bool:
        return True

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]

    def read(self) -> int | None:
        if not select.select([self.master], [], [], 0)[0]:
            return None
        self.rig.heard()
        return os.read(self.master, 1)[0]


def play(script: Path, folder: Path, *, pace_us: int = 50) -> None:
    """The board with the script's settings, until the script has ended and the caller's standard input too."""
    told: dict[str, Any] = json.loads(script.read_text())
    with modules() as here:
        here.rig.script(told)
        here.rig.pace = pace_us
        link = Terminal(here.rig)
        print("pty", link.name, flush=True)
        for _ in here.main.boards(link, f"{folder}/"):
            if not here.rig.holds and here.rig.now > told["end"] and select.select([sys.stdin], [], [], 0)[0]:
                return


if __name__ == "__main__":
    play(Path(sys.argv[1]), Path(sys.argv[2]))


__all__ = ["Memory", "ModuleType", "Terminal", "modules", "play", "ticks_diff"]
