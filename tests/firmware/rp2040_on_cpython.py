"""The board's program under CPython on a rig of software: in this process, or in one of its own that speaks on its standard streams:

python -m tests.firmware.rp2040_on_cpython SCRIPT FOLDER
"""

from __future__ import annotations

import json
import os
import select
import sys
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any, TextIO

from tests.firmware.pio_bench import FAKE, RP2040


@contextmanager
def modules() -> Iterator[SimpleNamespace]:
    """The board's `main` and `board`, imported anew among the stand-ins for the hardware, and MicroPython's clock in `time`."""
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

        yield SimpleNamespace(main=main, board=board)
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


def ticks_diff(a: int, b: int) -> int:
    """As MicroPython has it: clocks run over at 2^30."""
    return (a - b + (1 << 29)) % (1 << 30) - (1 << 29)


def print_exception(error: BaseException, file: TextIO) -> None:
    """As in MicroPython's `sys`."""
    traceback.print_exception(error, file=file)


class Memory:
    """A link that keeps what is sent."""

    def __init__(self) -> None:
        self.sent = b""

    def write(self, data: bytes) -> None:
        self.sent += data


def hear() -> int | None:
    """A byte from standard input, if one waits."""
    return os.read(0, 1)[0] if select.select([0], [], [], 0)[0] else None


def say(data: bytes) -> None:
    """All of it, however long nobody reads."""
    while data:
        try:
            data = data[os.write(1, data) :]
        except BlockingIOError:
            select.select([], [1], [])


def live(script: str, folder: str) -> None:
    """The board, until this process is ended."""
    with modules(), open(script, encoding="utf-8") as file:
        from played import live  # type: ignore[import-not-found]

        live(json.load(file), f"{folder}{os.sep}", hear, say)


if __name__ == "__main__":
    live(*sys.argv[1:])
