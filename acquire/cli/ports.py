"""`lobetrace ports`: which serial ports there are, and what answers there. Each is opened for itself alone, all at the same time."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Any

from acquire.cli import say
from acquire.cli.frame_words import of_board
from acquire.link.discovery import ask_all
from acquire.link.reconnect import PortInfo, list_ports
from acquire.wire import Hello
from analysis.base.errors import LobetraceError
from analysis.base.foreign import shown
from analysis.base.samples import Board


def run(addresses: Sequence[str], ask: bool, within: float, baud: int, as_json: bool) -> int:
    """List the ports of this machine, or those at `addresses`, with what answered hello `within` so many seconds.

    Exit code 2 if addresses were given and at one of them no board answered.
    """
    found = [PortInfo(address, "") for address in addresses] if addresses else list_ports()
    devices = [port.device for port in found]
    answers: Sequence[Hello | LobetraceError | None] = asyncio.run(ask_all(devices, within, baud)) if ask else [None] * len(found)
    if as_json:
        say.result_json({"ports": [_fields(port, answer) for port, answer in zip(found, answers, strict=True)]}, "ports")
    else:
        for port, answer in zip(found, answers, strict=True):
            say.result("  ".join(filter(None, [port.device, _known(port.description), _words(answer)])))
        if not found:
            say.person("There is no serial port. Plug the board in, or try `lobetrace simulate`.")
    return 2 if addresses and ask and not all(isinstance(answer, Hello) for answer in answers) else 0


def _known(description: str) -> str:
    return "" if description in ("n/a", "") else f"({shown(description)})"


def _words(answer: Hello | LobetraceError | None) -> str:
    match answer:
        case Hello():
            return f"answers: {of_board(answer.board)}"
        case None:
            return ""
        case _:
            return f"no board: {answer.what}"


def _fields(port: PortInfo, answer: Hello | LobetraceError | None) -> dict[str, Any]:
    fields: dict[str, Any] = {"port": port.device, "what": port.description}
    match answer:
        case Hello():
            return fields | {"board": _board(answer.board)}
        case None:
            return fields
        case _:
            return fields | {"board": None, "why": answer.what}


def _board(board: Board) -> dict[str, Any]:
    return {
        "name": board.name,
        "counts_per_turn": board.cpr,
        "index": board.index,
        "latch": board.latch,
        "steps_mm": list(board.steps_mm),
        "units": list(board.units),
        "boot": board.boot,
        "wire": board.version,
    }
