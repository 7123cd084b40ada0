"""The core's lines against acquire.wire: what C encodes Python decodes, byte for byte what Python would have sent."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from acquire.wire.parse import parse_line
from analysis.base.samples import Board
from tests.firmware.core_on_host import ASCII, BCD, FRAME24, REFERENCE, SCALE, Core

u32 = st.integers(0, 2**32 - 1)
i32 = st.integers(-(2**31), 2**31 - 1)
pairs = st.lists(st.tuples(i32, i32), min_size=1, max_size=2)


# Check value: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740. The rest: AUTOSAR, Specification of CRC Routines.
@pytest.mark.parametrize(
    ("data", "total"),
    [
        (b"123456789", 0x29B1),
        (bytes.fromhex("00000000"), 0x84C0),
        (bytes.fromhex("F20183"), 0xD374),
        (bytes.fromhex("0FAA0055"), 0x2023),
        (bytes.fromhex("00FF5511"), 0xB8F9),
        (bytes.fromhex("332255AABBCCDDEEFF"), 0xF53F),
        (bytes.fromhex("926B55"), 0x0745),
        (bytes.fromhex("FFFFFFFF"), 0x1D0F),
    ],
)
def test_sum(core: Core, data: bytes, total: int) -> None:
    assert core.crc(data) == total


@given(st.binary(max_size=200))
def test_sum_is_that_of_the_reader(core: Core, data: bytes) -> None:
    assert core.crc(data) == wire.crc16(data)


@given(st.sampled_from("SB"), u32, u32, i32, st.integers(0, 127), pairs)
def test_sample(core: Core, kind: str, seq: int, time: int, crank: int, flags: int, readings: list[tuple[int, int]]) -> None:
    ages, lifts = zip(*readings, strict=True)
    fields = {"seq": seq, "time": time, "crank": crank, "flags": flags, "age": ages, "lift": lifts}
    line = core.line("frame_sample", kind.encode(), core.ffi.new("struct sample *", fields), len(readings))
    shape = wire.Sample if kind == "S" else wire.Heartbeat
    assert parse_line(line[:-1]) == shape(seq, time, crank, flags, ages, lifts)
    assert line == wire.encode_sample(seq, time, crank, flags, ages, lifts, kind=kind)


@given(u32, u32, i32)
def test_index(core: Core, seq: int, time: int, crank: int) -> None:
    line = core.line("frame_index", seq, time, crank)
    assert parse_line(line[:-1]) == wire.Index(seq, time, crank)
    assert line == wire.encode_index(seq, time, crank)


@given(u32, u32, st.sampled_from(["crank-step", "lift2-silent", "busy", "command"]), i32)
def test_fault(core: Core, seq: int, time: int, word: str, number: int) -> None:
    line = core.line("frame_fault", seq, time, word_bytes(core, word), number)
    assert parse_line(line[:-1]) == wire.Fault(seq, time, word, number)
    assert line == wire.encode_fault(seq, time, word, number)


def word_bytes(core: Core, word: str) -> object:
    return core.ffi.from_buffer("char[]", word.encode() + b"\0")


names = st.text("ABCXYZabcxyz0189-.", min_size=1, max_size=24)


@given(u32, u32, st.integers(4, 1_000_000), st.booleans(), st.booleans(), st.integers(1, 2), st.integers(1, 5000), u32, names)
def test_hello(
    core: Core, seq: int, time: int, cpr: int, index: bool, edge: bool, channels: int, rate: int, boot: int, name: str
) -> None:
    kinds = [{"digits": 5, "decimals": 4, "inch": True}, {"digits": 1, "decimals": 5, "inch": True}]
    settings = core.settings(*[0] * channels, cpr=cpr, index=index, name=name.encode(), channel=kinds)
    line = core.line("frame_hello", settings, seq, time, edge, rate, boot)
    sizes = (0.0127, 0.000254)[:channels]  # 25.4 mm an inch
    board = Board(cpr, index, "edge" if edge else "time", sizes, ("in",) * channels, name, boot, rate, "1.1")
    assert parse_line(line[:-1]) == wire.Hello(board, seq, time)
    assert len(line) <= 156


def sound(core: Core, line: bytes) -> bool:
    """The rule of the format, with the core's sum."""
    body, star, total = line.rpartition(b"*")
    return star == b"*" and total == b"%04X" % core.crc(body)


@given(u32, i32, st.integers(0, 127), i32, st.data())
def test_damage_is_refused_by_both(core: Core, time: int, crank: int, flags: int, lift: int, data: st.DataObject) -> None:
    fields = {"seq": 7, "time": time, "crank": crank, "flags": flags, "age": (35, 0), "lift": (lift, 0)}
    line = core.line("frame_sample", b"S", core.ffi.new("struct sample *", fields), 1)[:-1]
    assert sound(core, line)
    body = len(line) - 5
    at = data.draw(st.integers(0, 8 * body - 1))
    burst = data.draw(st.integers(1, 0xFFFF))  # a burst of up to 16 bits is always found by 16 bits of sum
    damaged = (int.from_bytes(line[:body], "big") ^ (burst << at)) & ((1 << 8 * body) - 1)
    broken = damaged.to_bytes(body, "big") + line[body:]
    if broken != line:
        assert not sound(core, broken)
        assert parse_line(broken) is None


@given(st.binary(max_size=170))
def test_both_judge_arbitrary_lines_alike(core: Core, body: bytes) -> None:
    line = body + b"*%04X" % core.crc(body)
    assert sound(core, line)
    flipped = line[:-1] + bytes([line[-1] ^ 1])
    assert not sound(core, flipped)
    assert parse_line(flipped) is None


def examples() -> list[list[str]]:
    """The blocks of firmware-notes/wire-format.md section 6, line for line."""
    notes = (REFERENCE.parent / "wire-format.md").read_text(encoding="utf-8")
    return [block.strip().splitlines() for block in notes.split("## 6. Worked example")[1].split("```")[1::2]]


def told(core: Core, frame: wire.Frame) -> str:
    """What the core makes of a frame that is not a hello."""
    if isinstance(frame, wire.Index):
        line = core.line("frame_index", *frame)
    elif isinstance(frame, wire.Fault):
        line = core.line("frame_fault", frame.seq, frame.time_us, word_bytes(core, frame.word), frame.number)
    else:
        assert isinstance(frame, wire.Sample | wire.Heartbeat)
        names = ("seq", "time", "crank", "flags", "age", "lift")
        sample = core.ffi.new("struct sample *", dict(zip(names, frame, strict=True)))
        kind = b"B" if isinstance(frame, wire.Heartbeat) else b"S"
        line = core.line("frame_sample", kind, sample, len(frame.lift))
    return line.decode().removesuffix("\n")


HELLOS = (  # settings, seq, time, by edge, rate, boot
    ({"name": b"bench-a"}, 0, 5012, True, 200, 57),
    ({"name": b"bench-b", "cpr": 10000, "channels": 2}, 0, 812, True, 200, 58),
    ({"name": b"bench-c", "index": False}, 0, 4294940100, False, 100, 59),
)
CHANNELS = (
    [{"digits": 1, "decimals": 2}, {}],
    [{"digits": 5, "decimals": 3}, {"digits": 1, "decimals": 2, "kind": FRAME24}],
    [{"digits": 5, "decimals": 4, "inch": True}, {}],
)


@pytest.mark.parametrize("which", range(3))
def test_the_worked_examples_of_the_format(core: Core, which: int) -> None:
    printed = examples()[which]
    settings, *rest = HELLOS[which]
    hello = core.line("frame_hello", core.settings(SCALE, channel=CHANNELS[which], **settings), *rest).decode()
    if which == 0:  # a board of 1.0, which names no rate: the hello differs in these two alone
        hello = hello.replace("H,1.1", "H,1.0").replace(",rate=200", "")
        assert hello.partition("*")[0] == printed[0].partition("*")[0]
    else:
        assert hello == printed[0] + "\n"
    frames = [parse_line(line.encode()) for line in printed[1:]]
    assert [told(core, frame) for frame in frames if frame] == printed[1:]


def test_the_worked_example_of_settings_and_self_test(core: Core) -> None:
    printed = examples()[3]
    settings = core.settings(SCALE, SCALE, name=b"bench-b", cpr=10000, channel=CHANNELS[1])
    raw = core.ffi.from_buffer(bytes.fromhex("CB0010") + b"\0" * 4)
    test = [
        core.ffi.new("struct test *", fields)
        for fields in (
            {"levels": 0b11, "count": 62},
            {"levels": 0b11 << 3, "count": 6},
            {"levels": 0b11 << 5, "count": -203, "bad": 1, "age": 41870, "raw": raw, "raw_count": 24},
        )
    ]
    sent = [
        core.line("frame_settings", 6, 2315733, settings),
        core.line("frame_test_crank", 7, 2415733, test[0]),
        core.line("frame_test_channel", 8, 2415801, test[1], 0, SCALE),
        core.line("frame_test_channel", 9, 2415869, test[2], 1, FRAME24),
    ]
    assert [line.decode().removesuffix("\n") for line in sent] == printed
    assert [wire.encode_frame(frame) for line in sent if (frame := parse_line(line[:-1]))] == sent  # as the host would say it


@given(u32, u32, i32, u32, u32, st.integers(0, 255), st.binary(min_size=24, max_size=24), st.integers(0, 24))
def test_the_longest_of_each_fits_its_line(
    core: Core, seq: int, time: int, count: int, bad: int, age: int, bits: int, text: bytes, letters: int
) -> None:
    typed = bytes(0x20 + byte % 0x5F for byte in text)  # what the core keeps of a line is printable
    for kind, raw, got in ((BCD, text, bits), (ASCII, typed, letters), (SCALE, text, 0)):
        fields = {"levels": 0xFF, "count": count, "bad": bad, "age": age, "raw": core.ffi.from_buffer(raw), "raw_count": got}
        line = core.line("frame_test_channel", seq, time, core.ffi.new("struct test *", fields), 1, kind)
        test = parse_line(line[:-1])
        assert isinstance(test, wire.SelfTest)
        assert (test.seq, test.of, test.count, test.bad) == (seq, "ch2", count, bad)
        assert (test.age_us, test.got) == ((None, None) if kind == SCALE else (age, got))
        assert wire.encode_frame(test) == line
    channels = [{"kind": FRAME24, "digits": 1, "decimals": 5, "inch": True}] * 2
    full = core.settings(SCALE, SCALE, cpr=1_000_000, name=b"n" * 24, channel=channels)
    line = core.line("frame_settings", 2**32 - 1, 2**32 - 1, full)
    told = parse_line(line[:-1])
    assert isinstance(told, wire.Settings)
    assert (told.seq, told.cpr, told.kinds, told.units) == (2**32 - 1, 1_000_000, ("frame24",) * 2, ("in",) * 2)
    assert line.endswith(b"board=" + b"n" * 24 + line[-6:])
