"""Which boards answer at the ports of this machine. Each port is opened for itself alone, all at the same time."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Sequence
from typing import Final

from acquire.link.connection import HELLO_WITHIN, Opener, probe
from acquire.link.transport import PortInfo, list_ports, open_pipe
from acquire.wire import Hello
from analysis.base.errors import LobetraceError, UsageError

_log = logging.getLogger(__name__)
_PATIENCE_S: Final = 2.0  # beyond the time to answer: for a port whose driver takes its time to open or close


async def ask_all(
    ports: Sequence[str], within: float = HELLO_WITHIN, baud: int = 115200, *, opener: Opener = open_pipe
) -> list[Hello | LobetraceError]:
    """What answers hello at each of the addresses `within` so many seconds, or why nothing does."""
    return await asyncio.gather(*(_ask(port, within, baud, opener) for port in ports))


async def boards(
    ports: Sequence[PortInfo] | None = None, baud: int = 115200, *, opener: Opener = open_pipe
) -> list[tuple[str, Hello]]:
    """The ports (of this machine, unless given) at which a board answers, with its hello."""
    devices = [port.device for port in (list_ports() if ports is None else ports)]
    answers = await ask_all(devices, baud=baud, opener=opener)
    found = [(device, answer) for device, answer in zip(devices, answers, strict=True) if isinstance(answer, Hello)]
    _log.info("%d ports, boards answer at: %s", len(devices), ", ".join(device for device, _ in found) or "none")
    return found


async def only_port(baud: int, where: str, ports: Sequence[PortInfo] | None = None) -> str:
    """The port at which a board answers. UsageError, of the job at `where`, if none answers or several do."""
    found = [port for port, _ in await boards(ports, baud)]
    if len(found) == 1:
        return found[0]
    several = f"several boards answer: {', '.join(found)}" if found else "no board answers"
    raise UsageError(
        f"no port is given, and {several}", where=where, do="Add --port, or put it into [rig]; lobetrace ports lists them"
    )


async def _ask(url: str, within: float, baud: int, opener: Opener) -> Hello | LobetraceError:
    try:
        async with asyncio.timeout(within + _PATIENCE_S):
            return await probe(url, baud, hello_timeout=within, opener=opener)
    except TimeoutError:
        return LobetraceError(f"the port could not be opened within {within + _PATIENCE_S:g} s", where=url, do="Leave it out")
