"""Where the second screen listens: HOST:PORT as it is typed, a socket bound to it, and the address to open."""

from __future__ import annotations

import ipaddress
import re
import socket
from contextlib import suppress
from typing import Final, NamedTuple

from analysis.base.errors import UsageError

_PATTERN: Final = re.compile(r"(?:\[(?P<six>[0-9A-Fa-f:.]+)\]|(?P<host>[\w.-]+))(?::(?P<port>\d{1,5}))?", re.ASCII)
_WAITING: Final = 32  # connections that wait to be taken
_UNSENT: Final = 1 << 16  # bytes that the system keeps for one that does not read
_ELSEWHERE: Final = {socket.AF_INET: "192.0.2.1", socket.AF_INET6: "2001:db8::1"}  # RFC 5737, RFC 3849: nobody's


class Bound(NamedTuple):
    """A listening socket. `host`: what stands in its address; `names`: what a browser may call it besides its own number."""

    sock: socket.socket
    host: str
    names: frozenset[str]

    @property
    def on_the_network(self) -> bool:
        """Whether other machines reach it."""
        return not ipaddress.ip_address(self.sock.getsockname()[0]).is_loopback

    @property
    def root(self) -> str:
        """The address to open, without what is secret in it."""
        return f"http://{f'[{self.host}]' if ':' in self.host else self.host}:{self.sock.getsockname()[1]}/"


def bound(asked: str) -> Bound:
    """A socket for "HOST", "HOST:PORT" or "[IPV6]:PORT"; without a port any that is free. UsageError if that cannot be had."""
    found = _PATTERN.fullmatch(asked)
    port = int((found and found["port"]) or 0)
    if found is None or port > 65535:
        raise UsageError(f"{asked!r} is no address for a second screen", do="Write --screen HOST or --screen HOST:PORT")
    host = found["six"] or found["host"]
    try:
        family, _, _, _, at = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    except OSError as error:
        raise UsageError(f"there is no host {host!r} for the second screen", do="Use this machine's own address") from error
    try:
        sock = socket.create_server(at[:2], family=family, backlog=_WAITING)
    except OSError as error:
        why = error.strerror or str(error)
        raise UsageError(
            f"the second screen cannot listen at {asked}: {why}", do="Use this machine's own address, and a port that is free"
        ) from error
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _UNSENT)  # each connection takes it over
    mine = ipaddress.ip_address(sock.getsockname()[0])
    shown = _reachable(family) if mine.is_unspecified else host
    return Bound(sock, shown, frozenset({host.lower(), shown.lower(), *(("localhost",) if mine.is_loopback else ())}))


def _reachable(family: int) -> str:
    """This machine's address on the network it would send by. Nothing is sent: a datagram socket only looks up its way."""
    with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as way:
        way.connect((_ELSEWHERE[socket.AddressFamily(family)], 9))
        return str(way.getsockname()[0])
    return socket.gethostname()
