"""What has been said to the person. A note passes; a warning or an error stays until what it is about is over, or newer messages
push it out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from analysis.base.errors import LobetraceError

NOTE: Final = "note"
WARNING: Final = "warning"
ERROR: Final = "error"
RECORDER: Final = "recorder"  # the worker that fails where a capture cannot be written
NOTE_S: Final = 30.0  # seconds for which a note is shown
_KEPT: Final = 50


@dataclass(frozen=True)
class Message:
    """A past-tense fact for the person. `kind`: NOTE, WARNING or ERROR. `at_s` by the clock of the station. `about`: the trouble
    that it tells of, by which it is known to be over.
    """

    kind: str
    text: str
    at_s: float = 0.0
    about: str = ""
    over: bool = False


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

    def say(self, kind: str, text: str, about: str = "") -> None:
        """A past-tense fact."""
        self._messages.append(Message(kind, text, self._clock(), about))

    def resolved(self, about: str) -> None:
        """A trouble is over: what was said of it is not shown any more."""
        for k, message in enumerate(self._messages):
            if message.about == about and not message.over:
                self._messages[k] = replace(message, over=True)

    def failed(self, worker: str, error: BaseException) -> None:
        """The one message that a worker ends in."""
        text = str(error) if isinstance(error, LobetraceError) else f"{type(error).__name__}: {error}"
        said = f"{worker.upper()} FAILED. {text}"
        self._messages.append(Failure(ERROR, said, self._clock(), about=worker, worker=worker, error=type(error).__name__))

    def current(self) -> tuple[Message, ...]:
        """What is to be shown now."""
        since = self._clock() - NOTE_S
        return tuple(m for m in self._messages if not m.over and (m.kind != NOTE or m.at_s > since))
