"""What blocks, kept out of the event loop: a call in a thread, and a blocking port behind asyncio's face. No pyserial here."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import Any, Final, TypeVar

from acquire.link.pipe import Pipe

_T = TypeVar("_T")


async def in_thread(call: Callable[[], _T], undo: Callable[[_T], object]) -> _T:
    """`call` in a thread of its own. If we are cancelled meanwhile, what it still brings is undone there, and nobody waits for it.

    Not in the loop's own threads: they are few, and the program's end waits for them, while some drivers take minutes to open.
    """
    loop, lock, given_up, brought = asyncio.get_running_loop(), threading.Lock(), False, list[_T]()
    done: asyncio.Future[None] = loop.create_future()

    def settle(error: Exception | None) -> None:
        if not done.done():
            done.set_exception(error) if error else done.set_result(None)

    def work() -> None:
        error = None
        try:
            result = call()
            with lock:
                brought.append(result)
                late = given_up
            if late:
                undo(result)
        except Exception as failure:
            error = failure
        with contextlib.suppress(RuntimeError):  # the loop has been closed meanwhile: nobody is left to tell
            loop.call_soon_threadsafe(settle, error)

    threading.Thread(target=work, name="open", daemon=True).start()
    try:
        await done
    except asyncio.CancelledError:
        if done.done() and not done.cancelled():
            done.exception()  # seen, so that asyncio does not complain
        with lock:
            given_up = True
            late = list(brought)
        for result in late:
            undo(result)
        raise
    return brought[0]


def close_quietly(port: Any) -> None:
    """Close what may be gone already."""
    with contextlib.suppress(OSError):
        port.close()


class ThreadTransport(asyncio.Transport):
    """A blocking pyserial port behind asyncio's face: one thread reads, writes and closes it."""

    TURN: Final = 0.05  # seconds a read waits, so the longest that a command waits for the thread

    def __init__(self, loop: asyncio.AbstractEventLoop, pipe: Pipe, port: Any) -> None:
        super().__init__()
        self._loop, self._pipe, self._port = loop, pipe, port
        self._raw = getattr(port, "_socket", None)  # pyserial forgets to close it if its shutdown fails
        self._commands: SimpleQueue[bytes] = SimpleQueue()
        self._unsent = 0
        self._reading = threading.Event()
        self._reading.set()
        self._closing = False
        self._aborted = False

    def start(self) -> None:
        """Begin. Synchronous, so that nothing can come between open and begin."""
        self._pipe.connection_made(self)
        threading.Thread(target=self._run, name="rfc2217", daemon=True).start()

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        """Nothing to set: what is not sent yet always counts."""

    def get_write_buffer_size(self) -> int:
        """Bytes not sent yet."""
        return self._unsent

    def pause_reading(self) -> None:
        """Hand nothing on. pyserial's own thread goes on to read and keeps it all: nothing is lost, but nothing holds it back."""
        self._reading.clear()

    def resume_reading(self) -> None:
        """Go on."""
        self._reading.set()

    def is_closing(self) -> bool:
        """Whether close or abort was called."""
        return self._closing

    def write(self, data: bytes | bytearray | memoryview) -> None:
        """Have the thread send `data`."""
        self._unsent += len(data)
        self._pipe.pause_writing()
        self._commands.put(bytes(data))

    def close(self) -> None:
        """Send what is left, then release the port."""
        self._closing = True

    def abort(self) -> None:
        """Release the port. Ends a send that hangs, too."""
        self._closing = self._aborted = True
        if self._raw is not None:
            with contextlib.suppress(OSError):
                self._raw.shutdown(socket.SHUT_RDWR)

    def _run(self) -> None:
        error: Exception | None = None
        try:
            while not self._aborted:
                sent = self._send()
                if self._closing and not sent:
                    break
                if self._reading.is_set():
                    if data := self._port.read(max(1, self._port.in_waiting)):
                        self._tell(self._pipe.data_received, data)
                else:
                    self._reading.wait(self.TURN)
        except Exception as failure:  # whatever it is, the reader must hear of it
            error = None if self._closing else failure
        close_quietly(self._port)
        if self._raw is not None:
            self._raw.close()
        self._tell(self._pipe.connection_lost, error)

    def _send(self) -> bool:
        try:
            data = self._commands.get_nowait()
        except Empty:
            return False
        self._port.write(data)
        self._tell(self._sent, len(data))
        return True

    def _sent(self, count: int) -> None:
        self._unsent -= count
        if not self._unsent:
            self._pipe.resume_writing()

    def _tell(self, what: Callable[..., object], *args: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has been closed meanwhile: nobody is left to tell
            self._loop.call_soon_threadsafe(what, *args)
