"""`lobetrace ports`: which serial ports there are. Opens none."""

from __future__ import annotations

from acquire.cli import say
from acquire.transport import list_ports


def run(as_json: bool) -> None:
    """List them, with what the system knows of each."""
    found = list_ports()
    if as_json:
        say.result_json({"ports": [{"port": port.device, "what": port.description} for port in found]})
        return
    for port in found:
        say.result(f"{port.device}  {port.description}" if port.description not in ("n/a", "") else port.device)
    if not found:
        say.person("There is no serial port. Plug the board in, or try `lobetrace simulate`.")
