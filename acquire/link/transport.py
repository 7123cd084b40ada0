"""Opening a port, whatever kind it is: the only module that imports pyserial.

A device (/dev/ttyUSB0, COM3) goes through pyserial-asyncio; `socket://host:port` through asyncio itself, since pyserial's own
handler stops the event loop for 300 ms at close; `rfc2217://host:port` through pyserial in a thread, since pyserial-asyncio
cannot do it. What else is wrong with the libraries is walled in here, each with its reason beside it, so that others could take
their place in this file.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import queue
import re
import socket
import stat
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlsplit

import serial
import serial.rfc2217
import serial.tools.list_ports
import serial_asyncio

from acquire.link.pipe import Pipe
from acquire.link.threaded import ThreadTransport, close_quietly, in_thread
from analysis.base.errors import LinkError, UsageError

try:
    import grp
    import termios
except ImportError:  # Windows
    termios = None  # type: ignore[assignment]

_OPEN_WITHIN: Final = 5.0  # seconds for a network address to answer


@dataclass(frozen=True)
class PortInfo:
    """A serial port of this machine: its device name, and what the system says about it."""

    device: str
    description: str


def list_ports() -> list[PortInfo]:
    """The serial ports of this machine, by name."""
    return sorted((PortInfo(p.device, p.description or "") for p in serial.tools.list_ports.comports()), key=lambda p: p.device)


async def open_pipe(url: str, baud: int, pipe: Pipe, *, dtr: bool = False, rts: bool = False) -> None:
    """Open `url` for us alone, and tie it to `pipe`. LinkError if it cannot be had, UsageError if it is no address.

    `dtr` and `rts`: whether the control lines of a serial port of this machine are asserted while it is open.
    """
    scheme, separator, _ = url.partition("://")
    if separator and scheme not in _OPENERS:
        raise UsageError(
            f"{scheme}:// is no kind of link", where=url, do="Use a device name, socket://HOST:PORT or rfc2217://HOST:PORT"
        )
    if separator and not _host_and_port(url):
        raise UsageError("this address lacks a host or a port number", where=url, do=f"Write it as {scheme}://HOST:PORT")
    try:
        if separator:
            await _OPENERS[scheme](url, baud, pipe)
        else:
            await _open_device(url, baud, pipe, dtr, rts)
    except (OSError, ValueError) as error:  # SerialException is an OSError; a baud rate that cannot be set is a ValueError
        raise _sentence(url, baud, error) from error


async def _open_device(url: str, baud: int, pipe: Pipe, dtr: bool, rts: bool) -> None:
    # The library opens inside the event loop, which can take long: so open in a thread, and hand it the open port.
    port = await in_thread(lambda: _opened(url, baud, dtr, rts), close_quietly)
    transport = _SerialTransport(asyncio.get_running_loop(), pipe, port)
    pipe.connection_made(transport)  # the library does so only in the next loop turn, and a cancel may come before


def _opened(url: str, baud: int, dtr: bool, rts: bool) -> serial.Serial:
    """The port, open. The library asserts both lines unless told before; many boards start anew when DTR is asserted."""
    # It is not exclusive by default: two programs on one port would share the bytes between them without a word.
    port = serial.Serial(None, baud, exclusive=True, timeout=0, write_timeout=0)
    port.dtr, port.rts, port.port = dtr, rts, url
    port.open()
    _leave_lines(port)
    return port


def _leave_lines(port: serial.Serial) -> None:
    """Have the system leave DTR as it is when the port is closed: a line that stays up does not fall as it is opened again."""
    if termios is None:
        return  # Windows has no such setting
    with contextlib.suppress(termios.error, OSError):
        settings = termios.tcgetattr(port.fileno())
        settings[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, settings)


class _SerialTransport(serial_asyncio.SerialTransport):  # type: ignore[misc]  # the library carries no types
    """pyserial-asyncio 0.6 (pinned, unmaintained) with its ends mended."""

    _loop: asyncio.AbstractEventLoop | None
    _protocol: asyncio.Protocol | None
    _serial: Any

    def abort(self) -> None:
        """Release the port. The library's own fails with an AttributeError once the port is lost."""
        if self._loop is not None:
            with contextlib.suppress(Exception):  # termios.error, where there is termios; the port may be gone
                self._serial.reset_output_buffer()  # else the system itself waits in close for what the device does not take
            super().abort()

    def _fatal_error(self, exc: Exception, _message: str = "") -> None:
        # The library tells the loop's exception handler too, which prints a traceback for a cable pulled out. We tell the reader.
        self._abort(exc)

    def _call_connection_lost(self, exc: Exception | None) -> None:
        # The library's own (1) waits with tcdrain, in the event loop, for a device that may never take what is left, (2) tells
        # of the loss while the port is still open and locked, so that who opens it again is refused, (3) fails if called twice.
        if self._protocol is None:
            return
        protocol = self._protocol
        self._remove_writer()
        self._write_buffer.clear()
        close_quietly(self._serial)
        self._protocol = self._loop = self._serial = None
        protocol.connection_lost(exc)


async def _open_socket(url: str, _baud: int, pipe: Pipe) -> None:
    host, port = _host_and_port(url) or ("", 0)
    async with asyncio.timeout(_OPEN_WITHIN):
        await asyncio.get_running_loop().create_connection(lambda: pipe, host, port)


async def _open_rfc2217(url: str, baud: int, pipe: Pipe) -> None:
    # Many servers never acknowledge the modem lines: without ign_set_control the open would time out on them.
    full = url if "ign_set_control" in url else f"{url}{'&' if '?' in url else '?'}ign_set_control"
    port = await in_thread(lambda: _open_far(full, baud), close_quietly)
    ThreadTransport(asyncio.get_running_loop(), pipe, port).start()


class _FarPort(serial.rfc2217.Serial):
    """pyserial's client of RFC 2217 with its ends mended, for servers that hang up in mid-sentence."""

    _socket: socket.socket | None
    _read_buffer: Any
    _over = False

    def _telnet_read_loop(self) -> None:
        # The library's reading thread prints a traceback when it cannot answer, or does not understand what it is told.
        with contextlib.suppress(Exception):
            super()._telnet_read_loop()  # type: ignore[misc]  # not in the stubs
        self._read_buffer.put(None)  # its own sign for: over

    def read(self, size: int = 1) -> bytes:
        # The library's own throws away what came before the end, if nobody had read it by then.
        found: list[bytes | None] = []
        with contextlib.suppress(queue.Empty):
            found.append(self._read_buffer.get(timeout=self.timeout))
            while len(found) < size:
                found.append(self._read_buffer.get_nowait())
        self._over = self._over or None in found
        data = b"".join(filter(None, found))
        if self._over and not data:
            raise serial.SerialException("the server is gone")
        return data

    def close(self) -> None:
        raw = self._socket
        super().close()  # forgets its socket without closing it if the other side is gone already
        if raw is not None:
            raw.close()


def _open_far(url: str, baud: int) -> _FarPort:
    port = _FarPort(None, baud, timeout=ThreadTransport.TURN)
    port.port = url
    port.open()
    return port


_OPENERS: Final[dict[str, Callable[[str, int, Pipe], Coroutine[Any, Any, None]]]] = {
    "socket": _open_socket,
    "rfc2217": _open_rfc2217,
}


def _host_and_port(url: str) -> tuple[str, int] | None:
    parts = urlsplit(url)
    try:
        return (parts.hostname, parts.port) if parts.hostname and parts.port else None
    except ValueError:
        return None


# By errno: what happened, and what to do.
_IN_USE = ("another program holds this port", "Close the other program (a terminal, a second lobetrace), then try again")
_MISSING = ("there is no such port", "")
_FOREIGN = ("this is not a serial port", "")
_UNREACHED = ("this host cannot be reached", "Check the address and the network")
_SENTENCES: Final[dict[int, tuple[str, str]]] = {
    errno.ENOENT: _MISSING,
    errno.ENODEV: _MISSING,
    errno.ENXIO: _MISSING,
    errno.EIO: ("the port is there but its device has gone", "Unplug the board, plug it in again, then try again"),
    errno.EBUSY: _IN_USE,
    errno.EAGAIN: _IN_USE,
    errno.ENOTTY: _FOREIGN,
    errno.EISDIR: _FOREIGN,
    errno.EINVAL: _FOREIGN,
    errno.ECONNREFUSED: (
        "nothing listens at this address",
        "Start the serial server or the simulator there, or correct the port number",
    ),
    errno.EHOSTUNREACH: _UNREACHED,
    errno.ENETUNREACH: _UNREACHED,
    errno.ETIMEDOUT: ("no answer from this host", "Check the address and the network"),
}


def _sentence(url: str, baud: int, error: Exception) -> LinkError:
    number = _number(error)
    if isinstance(error, ValueError):
        what, do = f"this port cannot be set to {baud} baud", "Give a baud rate that the port knows, such as 115200"
    elif number in (errno.EACCES, errno.EPERM):
        what, do = _not_allowed(url)
    else:
        what, do = _SENTENCES.get(
            number or 0, (f"the port could not be opened ({error})", "Check the address, the cable and the power")
        )
    if "://" not in url and not do:
        ports = ", ".join(port.device for port in list_ports())
        do = f"Ports on this machine: {ports}" if ports else "This machine has no serial port: plug the board in and look again"
    return LinkError(what, where=url, do=do)


def _not_allowed(device: str) -> tuple[str, str]:
    """Who may open a device file, and how to become one of them."""
    what = "you may not open this port"
    try:
        owner = os.stat(device)
        group = grp.getgrgid(owner.st_gid).gr_name
    except (OSError, KeyError, NameError):  # no such group, or a system without them
        return what, "Ask whoever runs this machine for the right to open serial ports"
    both = stat.S_IRGRP | stat.S_IWGRP
    if owner.st_mode & both != both or owner.st_gid in (os.getegid(), *os.getgroups()):
        return f"{what}: it has no rights for the group {group}", f"Give them: sudo chmod g+rw {device}"
    return (
        f"{what}: it belongs to the group {group}, which you are not in",
        f"Join it: sudo usermod -aG {group} $USER, then log out and in again",
    )


def _number(error: BaseException | None) -> int | None:
    """The errno in `error`, or in what it was made of: neither pyserial nor asyncio hands it on everywhere."""
    while error is not None:
        if isinstance(error, TimeoutError):
            return errno.ETIMEDOUT
        if isinstance(error, socket.gaierror):
            return errno.EHOSTUNREACH
        for number in (getattr(error, "errno", None), *error.args[:1]):
            if isinstance(number, int):
                return number
        # Several addresses of one host, each refused: asyncio tells in the text only.
        if found := re.search(r"\[Errno (\d+)\]", str(error)):
            return int(found[1])
        # On Windows pyserial tells in the text only; access is denied there to a port that another program holds.
        if "FileNotFoundError" in str(error):
            return errno.ENOENT
        if "PermissionError" in str(error):
            return errno.EBUSY
        error = error.__context__
    return None
