"""What has been said to the person. A note passes, a warning or an error stays until newer messages push it out."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from analysis.base.errors import LobetraceError

NOTE: Final = "note"
WARNING: Final = "warning"
ERROR: Final = "error"
NOTE_S: Final = 30.0  # seconds for which a note is shown
_KEPT: Final = 50


@dataclass(frozen=True)
class Message:
    """A past-tense fact for the person. `kind`: NOTE, WARNING or ERROR. `at_s` by the clock of the station."""

    kind: str
    text: str
    at_s: float = 0.0


@dataclass(frozen=True)
class Failure(Message):
    """A worker that failed: the one message it ends in. `worker` says which, `error` its type."""

    worker: str = ""
    error: str = ""


class MessageLog:
    """The newest messages, the newest last. `clock` in seconds."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._messages: deque[Message] = deque(maxlen=_KEPT)

    def __iter__(self) -> Iterator[Message]:
        return iter(self._messages)

    def say(self, kind: str, text: str) -> None:
        """A past-tense fact."""
        self._messages.append(Message(kind, text, self._clock()))

    def failed(self, worker: str, error: BaseException) -> None:
        """The one message that a worker ends in."""
        text = str(error) if isinstance(error, LobetraceError) else f"{type(error).__name__}: {error}"
        self._messages.append(Failure(ERROR, f"{worker.upper()} FAILED. {text}", self._clock(), worker, type(error).__name__))

    def current(self) -> tuple[Message, ...]:
        """What is to be shown now."""
        since = self._clock() - NOTE_S
        return tuple(message for message in self._messages if message.kind != NOTE or message.at_s > since)
