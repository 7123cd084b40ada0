"""--screen: the second screen of `lobetrace live` and `replay`, its address and its QR code."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from acquire.cli import say
from analysis.base.errors import UsageError

if TYPE_CHECKING:
    from acquire.dashboard.second import Second

SCREEN: Final = "--screen"
HERE: Final = "127.0.0.1"
# What stands after --screen and is not the job: a number, localhost, or a name with a colon behind it.
_ADDRESS: Final = re.compile(r"\d+(\.\d+){3}(:\d*)?|\[[0-9A-Fa-f:.]+\](:\d*)?|localhost|[\w.-]+:\d*", re.ASCII)


def asked_for(arguments: Sequence[str]) -> list[str]:
    """The arguments, with this machine alone behind a --screen that stands without an address."""
    end = arguments.index("--") if "--" in arguments else len(arguments)
    given: list[str] = []
    for k, argument in enumerate(arguments):
        bare = argument == SCREEN and k < end and not (k + 1 < end and _ADDRESS.fullmatch(arguments[k + 1]))
        given.append(f"{SCREEN}={HERE}" if bare else argument)
    return given


def opened(asked: str) -> Second | None:
    """The second screen that is asked for, once its address has been shown; None if none is."""
    if not asked:
        return None
    second = second_screen(asked)
    show(second)
    return second


def second_screen(asked: str) -> Second:
    """A second screen that listens at "HOST" or "HOST:PORT". UsageError without its extra, or where it cannot listen."""
    try:
        from acquire.screen.code import qr_lines
        from acquire.screen.server import ScreenServer
    except ModuleNotFoundError as error:
        if error.name is None or error.name.split(".")[0] not in ("aiohttp", "segno"):
            raise
        raise UsageError(
            f"the second screen needs {error.name}", do="Install it with: pip install 'lobetrace[screen]'"
        ) from error
    from acquire.dashboard.second import Second
    from acquire.screen.address import bound

    at = bound(asked.removesuffix(":"))
    server = ScreenServer(at)
    return Second(server.show, server.serve, server.address, tuple(qr_lines(server.address)) if at.on_the_network else ())


def show(second: Second) -> None:
    """Print the address and, where another machine can open it, its code; then wait until it has been read."""
    say.person(f"The second screen: {second.address}")
    if not second.code:
        return
    for line in second.code:
        _white_on_black(line)
    say.person("Whoever has this address can watch, and can change nothing. On the live screen, s shows it again.")
    if say.at_a_terminal():
        say.person("Press Enter to begin.")
        with suppress(EOFError):
            input()


def _white_on_black(line: str) -> None:
    """In these colors whatever the terminal's own are, since a reader wants dark on light."""
    print(f"\x1b[97;40m{line}\x1b[0m", file=sys.stderr, flush=True)
