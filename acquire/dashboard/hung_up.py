"""Whether the terminal has gone away, which not every terminal tells by a signal."""

from __future__ import annotations

import select
import sys


def hung_up() -> bool:
    """True once standard input has nobody at its other end."""
    if not hasattr(select, "poll"):
        return False
    poll = select.poll()
    poll.register(sys.__stdin__.fileno() if sys.__stdin__ else 0, 0)  # a hang-up is told without being asked for
    return any(event & select.POLLHUP for _, event in poll.poll(0))
