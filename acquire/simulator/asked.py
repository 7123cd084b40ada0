"""Serves a rig whose phases are asked for one by one: for a procedure that decides as it goes what is done next."""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace

from acquire.simulator.phases import is_phase
from acquire.simulator.rig import Rig
from acquire.simulator.serve import serve


def in_short_turns(rig: Rig) -> Rig:
    """The rig with a hand that does little at a time, since it can be asked again."""
    return replace(rig, work=replace(rig.work, touches=2, travel_times=2, turns=1.5))


def run_asked(
    rig: Rig, asked: Iterable[str], *, via: str = "auto", pace: float | None = 1.0, tell: Callable[[str], None] = print
) -> None:
    """Serve until `asked` ends, or until interrupted; `tell` is given the port to open.

    `asked` is read in a thread of its own (it may block, as standard input does): each line names a phase, which begins once the
    crank rests; the same phase can be asked for again.
    A later line takes the place of one whose phase has not begun; an empty line asks for nothing. Errors as of `serve`.
    """
    phases: deque[str] = deque()

    async def whole() -> None:
        loop, over = asyncio.get_running_loop(), asyncio.Event()

        def read() -> None:
            for line in asked:
                phases.clear()  # what was asked for before and has not begun is no longer wanted
                if is_phase(phase := line.strip()):
                    phases.append(phase)
            with suppress(RuntimeError):  # the loop is closed
                loop.call_soon_threadsafe(over.set)

        async with serve(in_short_turns(rig), phases, via=via, pace=pace, pause_s=0.0) as served:
            tell(served.url)
            threading.Thread(target=read, name="asked", daemon=True).start()
            await over.wait()

    with suppress(KeyboardInterrupt):
        asyncio.run(whole())
