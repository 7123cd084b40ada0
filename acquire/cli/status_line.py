"""One line that says how a recording goes: rewritten in place on a terminal, a plain line now and then elsewhere."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from typing import TextIO

from analysis.base.foreign import shown

_TERMINAL_S = 0.1
_PLAIN_S = 2.0


class LiveLine:
    """Shows texts on `out`, not more often than a person reads them: elsewhere than on a terminal every `plain_s`. `clock` is in
    seconds.

    Without an `out`, or once it takes no more (closed, or its disk full), nothing is shown, and whatever is recorded goes on.
    """

    def __init__(self, out: TextIO | None, clock: Callable[[], float], plain_s: float = _PLAIN_S) -> None:
        self._out, self._clock, self._plain_s = out, clock, plain_s
        self._terminal = out is not None and not out.closed and out.isatty()
        self._next = -1.0
        self._length = 0

    def show(self, text: Callable[[], str], *, now: bool = False) -> None:
        """Show the text if it is time to, or `now`; it is made only then."""
        at = self._clock()
        if self._out is None or (at < self._next and not now):
            return
        self._next = at + (_TERMINAL_S if self._terminal else self._plain_s)
        line = shown(text())
        if self._terminal:
            line = line[: shutil.get_terminal_size().columns - 1]
            self._write("\r" + line.ljust(self._length))
            self._length = len(line)
        else:
            self._write(line + "\n")

    def end(self) -> None:
        """Leave the last text standing. A second call does nothing."""
        if self._terminal and self._length:
            self._write("\n")
            self._length = 0

    def _write(self, text: str) -> None:
        if self._out is None:
            return
        try:
            self._out.write(text)
            self._out.flush()
        except (OSError, ValueError):
            self._out = None
