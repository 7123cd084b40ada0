"""One line that says how a recording goes: rewritten in place on a terminal, a plain line now and then elsewhere."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from typing import TextIO

_TERMINAL_S = 0.1
_PLAIN_S = 2.0


class LiveLine:
    """Shows texts on `out`, not more often than a person reads them. `clock` is in seconds."""

    def __init__(self, out: TextIO, clock: Callable[[], float]) -> None:
        self._out, self._clock = out, clock
        self._terminal = out.isatty()
        self._next = -1.0
        self._length = 0

    def show(self, text: Callable[[], str], *, now: bool = False) -> None:
        """Show the text if it is time to, or `now`; it is made only then."""
        at = self._clock()
        if at < self._next and not now:
            return
        self._next = at + (_TERMINAL_S if self._terminal else _PLAIN_S)
        line = text()
        if self._terminal:
            line = line[: shutil.get_terminal_size().columns - 1]
            self._out.write("\r" + line.ljust(self._length))
            self._length = len(line)
        else:
            self._out.write(line + "\n")
        self._out.flush()

    def end(self) -> None:
        """Leave the last text standing. A second call does nothing."""
        if self._terminal and self._length:
            self._out.write("\n")
            self._out.flush()
            self._length = 0
