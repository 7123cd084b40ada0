"""One connection, over every kind of link: greeted, read, told, lost, closed."""

from __future__ import annotations

import asyncio
import errno
import re
import termios
from collections.abc import Callable
from functools import partial
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from acquire import wire
from acquire.link import connection, pipe, transport
from acquire.link.reconnect import Batch, Broken, Ended, Idle, Leftover, Link, connect, list_ports, probe
from analysis.base.errors import DeviceError, LinkError, LobetraceError, UsageError

from .conftest import PATIENCE, CancelAt, Rig, RigOf, ScriptedBoard, encoded, every_rig, quick_rigs, read_events

# pyserial's rfc2217, on opening: setDaemon, setName
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning")


async def to_the_end(link: Link) -> tuple[list[wire.Event], Ended | Broken]:
    events: list[wire.Event] = []
    while True:
        match await link.read(PATIENCE):
            case Batch(events=more):
                events += more
            case Ended() | Broken() as end:
                return events, end
            case idle:
                raise AssertionError(idle)


async def free(rig: Rig) -> wire.Hello:
    """Wait until the port can be had again; a thread may still be about to give it back."""
    async with asyncio.timeout(PATIENCE):
        while isinstance(found := await probe(rig.url, opener=rig.opener), LobetraceError):
            assert "holds this port" in found.what, found
            await asyncio.sleep(0)
    return found


@every_rig
async def test_greets_reads_and_tells(kind: str, rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    # Once: a board that answers late, on a busy machine, would be asked again and say hello twice.
    monkeypatch.setattr(connection, "_ASK_EVERY", PATIENCE)

    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener, clock=lambda: 42.0)
        assert link.hello == wire.Hello(rig.board.hello, 0, 5012)
        assert rig.board.heard == [wire.HELLO]
        sent = rig.board.frames(20)
        await rig.say(encoded(sent))
        assert await read_events(link, 20) == sent
        await link.send(wire.ZERO)
        assert await read_events(link, 1) == [wire.Hello(rig.board.hello, 20, 5012)]
        await rig.say(encoded(rig.board.frames(1)))
        came: tuple[wire.Event, ...] = ()
        while not came:  # a line may come in pieces
            outcome = await link.read(PATIENCE)
            assert isinstance(outcome, Batch)
            assert outcome.arrived == 42.0
            came = outcome.events
        assert await link.close() == Leftover(0, 0)


@quick_rigs
async def test_what_comes_with_the_hello_is_not_lost(kind: str, rig_of: RigOf) -> None:
    board = ScriptedBoard()
    late = ScriptedBoard().frames(3)
    board.greeting = b"1,2*ABCD\n" + wire.encode_hello(board.hello, 0, 5012) + encoded(late)
    async with rig_of(kind, board) as rig:
        link = await connect(rig.url, opener=rig.opener)
        assert await read_events(link, 3) == late
        await link.close()


@every_rig
async def test_idle_is_not_an_end(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        assert await link.read(0.01) == Idle(0.01)
        await rig.say(encoded(sent := rig.board.frames(1)))
        assert await read_events(link, 1) == sent
        assert await link.read(0.0) == Idle(0.0)
        await link.close()


@every_rig
async def test_unplugged_while_reading_with_half_a_frame(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        sent = rig.board.frames(2)
        half = encoded(rig.board.frames(1))[:15]
        await rig.say(encoded(sent) + half)
        size, events = 0, []
        while size < len(encoded(sent)) + len(half):
            outcome = await link.read(PATIENCE)
            assert isinstance(outcome, Batch)
            size += outcome.size
            events += outcome.events
        assert events == sent
        reading = asyncio.create_task(to_the_end(link))
        await asyncio.sleep(0)
        await rig.unplug()
        rest, end = await reading
        assert rest == [wire.Damage(0, len(half), 0)]  # nothing invented, and it is said
        assert isinstance(end, Broken)
        assert isinstance(end.error, LinkError)
        assert end.error.where == rig.url
        assert await link.read(PATIENCE) == end  # it stays so
        with pytest.raises(LinkError, match="over"):
            await link.send(wire.HELLO)
        assert await link.close() == Leftover(0, 0)


@quick_rigs
async def test_unplugged_while_sending_is_no_complaint(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        await rig.unplug()
        try:  # whether the loss or the write is seen first is the system's choice
            await link.send(wire.ZERO)
        except LinkError as error:
            assert "zero" in error.what  # noqa: PT017
        _, end = await to_the_end(link)
        assert isinstance(end, Broken)
        await link.close()


@every_rig
async def test_a_polite_end(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        if not rig.ends_politely:
            return  # declared on the rig: nothing but an unplugging can be had there
        link = await connect(rig.url, opener=rig.opener)
        await rig.say(encoded(sent := rig.board.frames(5)))
        await rig.end()
        assert await to_the_end(link) == (sent, Ended("closed by the other side"))
        await link.close()


@pytest.mark.parametrize("kind", ["socket", "rfc2217"])
async def test_what_came_before_the_end_is_not_lost(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url)
        await rig.say(encoded(sent := rig.board.frames(2000)))
        await rig.end()
        events, _ = await to_the_end(link)
        assert events == sent
        await link.close()


@every_rig
async def test_closing_ends_a_waiting_reader_and_frees_the_port(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        reading = asyncio.create_task(link.read(PATIENCE))
        await asyncio.sleep(0)
        await link.close()
        assert await reading == Ended("closed by us")
        assert await link.read(PATIENCE) == Ended("closed by us")
        assert await link.close() == Leftover(0, 0)
        with pytest.raises(LinkError):
            await link.send(wire.HELLO)
        again = await connect(rig.url, opener=rig.opener)
        await again.close()


async def test_close_says_what_was_never_read(rig_of: RigOf) -> None:
    async with rig_of("memory") as rig:
        link = await connect(rig.url, opener=rig.opener)
        await rig.say(b"S,1,2")
        await link.read(PATIENCE)
        await rig.say(b"S,1,2,3")
        assert await link.close() == Leftover(12, 0)


async def test_a_board_that_takes_nothing_holds_up_neither_send_nor_close(rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "_SEND_WITHIN", 0.05)
    monkeypatch.setattr(connection, "_CLOSE_WITHIN", 0.05)

    rig = rig_of("pty")
    async with rig:
        link = await connect(rig.url, opener=rig.opener)
        asyncio.get_running_loop().remove_reader(rig.master)

        async def send_on() -> None:
            for _ in range(100_000):  # until the system's own room is full
                await link.send(wire.ZERO)

        with pytest.raises(LinkError, match="does not take"):
            await send_on()
        assert await link.close() == Leftover(0, len(b"zero\n"))


async def test_close_aborts_after_its_time_and_counts(rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "_CLOSE_WITHIN", 0.01)
    monkeypatch.setattr(connection, "_SEND_WITHIN", 0.01)

    async with rig_of("memory") as rig:
        link = await connect(rig.url, opener=rig.opener)
        rig.port.stuck = True
        with pytest.raises(LinkError):
            await link.send(wire.rate(200))
        assert await link.close() == Leftover(0, len(b"rate 200\n"))
        assert rig.port.aborted


async def test_a_close_that_is_cancelled_lets_go_at_once(rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "_CLOSE_WITHIN", 6 * PATIENCE)
    monkeypatch.setattr(connection, "_SEND_WITHIN", 0.01)

    async with rig_of("memory") as rig:
        link = await connect(rig.url, opener=rig.opener)
        rig.port.stuck = True
        with pytest.raises(LinkError):
            await link.send(wire.ZERO)
        closing = asyncio.create_task(link.close())
        await asyncio.sleep(0)
        closing.cancel()
        with pytest.raises(asyncio.CancelledError):
            await closing
        await asyncio.sleep(0)
        assert rig.port.over


async def test_a_connect_that_fails_does_not_wait_for_what_the_board_does_not_take(
    rig_of: RigOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "_CLOSE_WITHIN", 6 * PATIENCE)

    async with rig_of("memory") as rig:
        rig.stuck = True
        with pytest.raises(DeviceError):
            await connect(rig.url, hello_timeout=0.01, opener=rig.opener)
        assert rig.port.over


async def test_a_slow_reader_loses_nothing(rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipe, "MOST_HELD", 1000)

    async with rig_of("memory") as rig:
        link = await connect(rig.url, opener=rig.opener)
        sent = rig.board.frames(500)
        for frame in sent:
            await rig.say(wire.encode_frame(frame))
        assert rig.port.paused == 1
        assert len(rig.port.waiting) > 400  # held back by the port, not by us
        assert await read_events(link, 500) == sent
        await link.close()


async def test_a_slow_reader_loses_nothing_over_tcp(rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipe, "MOST_HELD", 10_000)

    async with rig_of("socket") as rig:
        link = await connect(rig.url, opener=rig.opener)
        sent = rig.board.frames(30_000)
        await rig.say(encoded(sent))
        for _ in range(200):
            await asyncio.sleep(0)  # it could all come now
        assert await read_events(link, len(sent)) == sent
        await link.close()


async def test_one_reader_at_a_time(rig_of: RigOf) -> None:
    async with rig_of("memory") as rig:
        link = await connect(rig.url, opener=rig.opener)
        reading = asyncio.create_task(link.read(PATIENCE))
        await asyncio.sleep(0)
        with pytest.raises(UsageError, match="two tasks"):
            await link.read(PATIENCE)
        await link.close()
        await reading


@every_rig
async def test_not_a_board(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind, ScriptedBoard(greeting=b"ready\r\n\x80\xff\x00")) as rig:
        with pytest.raises(DeviceError, match="not a lobetrace board, or not at this baud rate") as caught:
            await connect(rig.url, hello_timeout=0.2, opener=rig.opener)
        assert caught.value.where == rig.url


@every_rig
async def test_nothing_answers(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind, ScriptedBoard(deaf=True)) as rig:
        with pytest.raises(DeviceError, match="nothing answered"):
            await connect(rig.url, hello_timeout=0.2, opener=rig.opener)


async def test_asks_again_while_the_board_is_still_starting(rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "_ASK_EVERY", 0.01)

    class Starting(ScriptedBoard):
        def hear(self, data: bytes) -> bytes:
            answer = super().hear(data)
            return answer if len(self.heard) >= 3 else b""

    async with rig_of("pty", Starting()) as rig:
        link = await connect(rig.url)
        assert len(rig.board.heard) >= 3
        await link.close()


NEWER = b"H,2.0,0,0*%04X\n" % wire.crc16(b"H,2.0,0,0")


@every_rig
async def test_newer_major_version(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind, ScriptedBoard(greeting=NEWER)) as rig:
        with pytest.raises(DeviceError, match=r"wire format 2\.0") as caught:
            await connect(rig.url, opener=rig.opener)
        assert caught.value.where == rig.url


async def test_newer_major_version_in_the_middle(rig_of: RigOf) -> None:
    async with rig_of("memory") as rig:
        link = await connect(rig.url, opener=rig.opener)
        await rig.say(encoded(sent := rig.board.frames(1)) + NEWER)
        events, end = await to_the_end(link)
        assert events == sent
        assert isinstance(end, Broken)
        assert isinstance(end.error, DeviceError)
        await link.close()


async def test_the_other_side_closes_before_hello(rig_of: RigOf) -> None:
    async with rig_of("socket", ScriptedBoard(deaf=True)) as rig:
        connecting = asyncio.create_task(connect(rig.url))
        while not rig.board.heard:
            await asyncio.sleep(0)
        await rig.end()
        with pytest.raises(LinkError, match="before the board said hello"):
            await connecting


async def test_a_busy_port_is_refused(rig_of: RigOf) -> None:
    async with rig_of("pty") as rig:
        link = await connect(rig.url)
        with pytest.raises(LinkError, match="another program holds this port") as caught:
            await connect(rig.url)
        assert caught.value.where == rig.url
        assert caught.value.do
        await rig.say(encoded(sent := rig.board.frames(1)))  # and the first does not notice
        assert await read_events(link, 1) == sent
        await link.close()


def port_info(device: str) -> SimpleNamespace:
    return SimpleNamespace(device=device, description=f"board at {device}")


async def test_a_missing_port_names_those_that_exist(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(transport.serial.tools.list_ports, "comports", lambda: [port_info("/dev/b"), port_info("/dev/a")])
    assert [(port.device, port.description) for port in list_ports()] == [
        ("/dev/a", "board at /dev/a"),
        ("/dev/b", "board at /dev/b"),
    ]

    found = await probe(str(tmp_path / "none"))
    assert isinstance(found, LinkError)
    assert found.what == "there is no such port"
    assert found.do == "Ports on this machine: /dev/a, /dev/b"


async def test_a_missing_port_on_a_machine_without_any(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(transport.serial.tools.list_ports, "comports", list)

    assert "has no serial port" in str(await probe(str(tmp_path / "none")))


async def test_a_file_is_not_a_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no port")

    for url in (str(tmp_path / "file"), str(tmp_path), "/dev/null"):
        found = await probe(url)
        assert isinstance(found, LinkError)
        assert found.what == "this is not a serial port"


@pytest.mark.parametrize(
    ("error", "sentence"),
    [
        (serial.SerialException(errno.EACCES, "could not open port"), "you may not open this port"),
        (serial.SerialException(errno.EIO, "could not open port"), "its device has gone"),
        (ValueError("Not a valid baudrate"), "cannot be set to 115200 baud"),
        (serial.SerialException("could not open port 'COM9': FileNotFoundError(2, 'x', None, 2)"), "no such port"),
        (
            serial.SerialException("could not open port 'COM9': PermissionError(13, 'Access is denied.', None, 5)"),
            "another program holds",
        ),
        (serial.SerialException("something new"), "something new"),
    ],
)
async def test_what_opening_may_say(error: Exception, sentence: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **options: object) -> None:
        assert options["exclusive"] is True
        raise error

    monkeypatch.setattr(transport.serial, "Serial", refuse)

    found = await probe("COM9")
    assert isinstance(found, LinkError)
    assert sentence in found.what


@pytest.mark.parametrize(("dtr", "rts"), [(None, None), (True, False), (False, True)])
async def test_a_port_opens_with_its_control_lines_as_told_and_leaves_them_so(
    dtr: bool | None, rts: bool | None, rig_of: RigOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pseudo-terminal has no such lines, so what the library is told is looked at; HUPCL it has."""
    told: list[tuple[str, bool]] = []

    class Watched(serial.Serial):
        def _update_dtr_state(self) -> None:
            told.append(("dtr", self._dtr_state))

        def _update_rts_state(self) -> None:
            told.append(("rts", self._rts_state))

    monkeypatch.setattr(transport.serial, "Serial", Watched)
    async with rig_of("pty") as rig:
        settings = termios.tcgetattr(rig.slave)
        settings[2] |= termios.HUPCL
        termios.tcsetattr(rig.slave, termios.TCSANOW, settings)
        given = {} if dtr is None else {"dtr": dtr, "rts": rts}
        link = await connect(rig.url, opener=partial(transport.open_pipe, **given))
        assert told == [("dtr", bool(dtr)), ("rts", bool(rts))]
        assert not termios.tcgetattr(rig.slave)[2] & termios.HUPCL
        await link.close()


@pytest.mark.parametrize("scheme", ["socket", "rfc2217"])
async def test_nobody_listens(scheme: str, rig_of: RigOf) -> None:
    async with rig_of("socket") as rig:
        port = rig.port
    for host in ("127.0.0.1", "localhost"):
        found = await probe(f"{scheme}://{host}:{port}")
        assert isinstance(found, LinkError)
        assert found.what == "nothing listens at this address"


@pytest.mark.parametrize(
    "url", ["tcp://host:1", "socket://", "socket://host", "socket://host:x", "rfc2217://:5", "socket://host:99999"]
)
async def test_what_is_no_address(url: str) -> None:
    with pytest.raises(UsageError):
        await connect(url)


async def cancel_everywhere(attempt: Callable[[], Any], after: Callable[[Any], Any]) -> int:
    """Cancel `attempt()` at each of its awaits in turn, then `after(result or None)`. Returns how many there were."""
    for n in count():
        task = asyncio.ensure_future(_awaited(CancelAt(attempt(), n)))
        await asyncio.wait([task])
        await after(None if task.cancelled() else task.result())
        if not task.cancelled():
            return n
    raise AssertionError


async def _awaited(what: CancelAt) -> object:
    return await what


@every_rig
async def test_cancelled_at_every_await_of_connect(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:

        async def after(link: Link | None) -> None:
            if link:
                await link.close()
            assert (await free(rig)).board == rig.board.hello

        assert await cancel_everywhere(lambda: connect(rig.url, opener=rig.opener), after) >= 2


@every_rig
async def test_cancelled_at_every_await_of_read(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        link = await connect(rig.url, opener=rig.opener)
        events: list[wire.Event] = []
        sent: list[wire.Event] = []

        async def after(outcome: Batch | None) -> None:
            if outcome:
                events.extend(outcome.events)
            elif not sent:  # cancelled while waiting for nothing: now there is something
                sent.extend(frames := rig.board.frames(3))
                await rig.say(encoded(frames))

        assert await cancel_everywhere(lambda: link.read(PATIENCE), after) >= 1
        events += await read_events(link, 3 - len(events))
        assert events == sent
        await link.close()


@every_rig
async def test_cancelled_at_every_await_of_close_and_send(kind: str, rig_of: RigOf) -> None:
    async with rig_of(kind) as rig:
        links: list[Link] = []

        async def sent_and_closed() -> None:
            await links[-1].send(wire.HELLO)
            await links[-1].close()

        async def after(_: object) -> None:
            await links[-1].close()
            await free(rig)
            links.append(await connect(rig.url, opener=rig.opener))

        links.append(await connect(rig.url, opener=rig.opener))
        assert await cancel_everywhere(sent_and_closed, after) >= 1
        await links[-1].close()


def test_only_the_transport_imports_pyserial() -> None:
    sources = Path(connection.__file__).parent.rglob("*.py")
    users = [path.name for path in sources if re.search(r"^\s*(import|from) serial", path.read_text("utf-8"), re.MULTILINE)]
    assert users == ["transport.py"]
