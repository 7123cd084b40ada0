"""Commands: the core's parser against the one of acquire.wire, and what the board does."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from analysis.base.samples import Board
from tests.firmware.core_on_host import MS, Core

NONE, BAD, HELLO, ZERO, EDGE, TIME, RATE, SETTINGS, TEST, SET = range(10)

lines = st.one_of(
    st.binary(max_size=20).map(lambda b: b.replace(b"\n", b"")),
    st.sampled_from(
        [b"hello", b"zero", b"latch edge", b"latch time", b"Hello", b"latch", b"latch  edge", b"zero ", b"hello\r\r", b""]
    ),
    st.integers(-2, 99999).map(lambda n: b"rate %d" % n),
    st.text("rate 0159\r", max_size=12).map(str.encode),
    st.sampled_from([b"settings", b"test\r", b"set cpr 2400", b"set kind 2 bcd", b"set step 1 0.005", b"set name b.2", b"tests"]),
)


def meaning(command: wire.Command | None) -> int:
    if command is None:
        return BAD
    latch = EDGE if command.argument == "edge" else TIME
    words = {"hello": HELLO, "zero": ZERO, "rate": RATE, "latch": latch, "settings": SETTINGS, "test": TEST, "set": SET}
    return words[command.word]


@given(st.lists(lines, min_size=1, max_size=5))
def test_parsed_as_the_reader_would(core: Core, those: list[bytes]) -> None:
    state = core.ffi.new("struct command_line *")
    for i, line in enumerate(those, 1):
        got = [core.lib.command_byte(state, byte) for byte in line + b"\n"]
        command = wire.parse_command(line)
        assert got == [NONE] * len(line) + [meaning(command) if line.removesuffix(b"\r") else NONE]  # an empty line is nothing
        assert state.lines == i
        if command and command.word == "rate":
            assert state.rate == int(command.argument)


def hello(data: bytes) -> wire.Hello:
    (event,) = [e for e in wire.Decoder().feed(data) if isinstance(e, wire.Hello)]
    return event


def test_first_hello(core: Core) -> None:
    first = hello(core.start(ticks=10_024))
    assert first == wire.Hello(Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=57, rate=200, version="1.1"), 0, 5012)


@pytest.mark.parametrize(
    ("line", "latch", "rate"),
    [
        (b"hello\n", "edge", 200),
        (b"hello\r\n", "edge", 200),
        (b"latch time\n", "time", 200),
        (b"rate 50\n", "edge", 50),
        (b"rate 5000\n", "edge", 380),
        (b"zero\n", "edge", 200),
    ],
)
def test_each_is_answered(core: Core, line: bytes, latch: str, rate: int) -> None:
    core.start()
    answer = hello(core.tell(line))
    assert (answer.board.latch, answer.board.rate) == (latch, rate)
    assert core.lib.t_rate() == rate


def test_half_a_line_waits_for_its_end(core: Core) -> None:
    core.start()
    assert core.tell(b"hel") == b""
    assert hello(core.tell(b"lo\n"))


def test_what_is_not_understood_is_a_fault_with_its_position(core: Core) -> None:
    first = core.start()
    sent = core.tell(b"hello\nhelp\n")
    fault = wire.Decoder().feed(first + sent)[-1]
    assert isinstance(fault, wire.Fault)
    assert (fault.word, fault.number) == ("command", 2)
    assert b"command" not in core.tell(b"x\n" * 3)  # once a second
    assert b",command,5*" in core.after(1000 * MS)
