"""SIGINT and SIGTERM for commands that must still write what is finished: they break in only where there is nothing but waiting."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from threading import current_thread, main_thread
from types import FrameType

Answer = Callable[[int, FrameType | None], object]


class Interrupted(BaseException):
    """SIGINT or SIGTERM came; `number` is the signal's. No error, which whoever works on a job would take for one of its own."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Signals(ExitStack):
    """While it is entered, SIGINT and SIGTERM raise `Interrupted`: at once in `waiting`, else where the next `waiting` begins."""

    def __init__(self) -> None:
        super().__init__()
        self._heard = 0
        self._waiting = False

    def __enter__(self) -> Signals:
        for number in (signal.SIGINT, signal.SIGTERM):
            self.enter_context(answered(number, self._answer))
        return self

    @contextmanager
    def waiting(self) -> Iterator[None]:
        """Where a signal may break in: nothing is half written here."""
        self._waiting = True
        try:
            self._break()
            yield
        finally:
            self._waiting = False

    def _answer(self, number: int, _frame: FrameType | None) -> None:
        self._heard = number
        if self._waiting:
            self._break()

    def _break(self) -> None:
        if self._heard:
            number, self._heard = self._heard, 0
            raise Interrupted(number)


@contextmanager
def answered(number: signal.Signals, answer: Answer | signal.Handlers) -> Iterator[None]:
    """The signal is answered so. Not in a thread, where it cannot be; and not where it is ignored, which a shell asks for."""
    if current_thread() is not main_thread() or signal.getsignal(number) == signal.SIG_IGN:
        yield
        return
    before = signal.signal(number, answer)
    try:
        yield
    finally:
        signal.signal(number, before)
