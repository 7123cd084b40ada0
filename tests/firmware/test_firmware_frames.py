"""The core's lines against acquire.wire: what C encodes Python decodes, byte for byte what Python would have sent."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from acquire.wire.parse import parse_line
from analysis.base.samples import Board
from tests.firmware.core_on_host import REFERENCE, Core

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
    texts = [word_bytes(core, t) for t in (str(cpr), "0.0005in", "0.00001in", name)]
    steps = [texts[1], texts[2] if channels == 2 else core.ffi.NULL]
    identity = core.ffi.new("struct identity *", {"cpr": texts[0], "step": steps, "name": texts[3], "index": index})
    line = core.line("frame_hello", identity, seq, time, edge, rate, boot)
    sizes = (0.0127, 0.000254)[:channels]  # 25.4 mm an inch
    board = Board(cpr, index, "edge" if edge else "time", sizes, ("in",) * channels, name, boot, rate)
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


def test_the_worked_example_of_the_format(core: Core) -> None:
    """firmware-notes/wire-format.md section 6, line for line."""
    notes = (REFERENCE.parent / "wire-format.md").read_text(encoding="utf-8")
    printed = notes.split("## 6. Worked example")[1].split("```")[1].strip().splitlines()
    texts = [word_bytes(core, t) for t in ("2400", "0.01mm", "bench-a")]
    identity = core.ffi.new("struct identity *", {"cpr": texts[0], "step": [texts[1]], "name": texts[2], "index": True})

    def sample(kind: bytes, seq: int, time: int, crank: int, flags: int, age: int, lift: int) -> bytes:
        fields = {"seq": seq, "time": time, "crank": crank, "flags": flags, "age": [age], "lift": [lift]}
        return core.line("frame_sample", kind, core.ffi.new("struct sample *", fields), 1)

    # The example's board names no rate, which this one always does: the hello differs in that key alone.
    hello = core.line("frame_hello", identity, 0, 5012, True, 200, 57)
    assert hello.partition(b"*")[0].replace(b",rate=200", b"").decode() == printed[0].partition("*")[0]
    sent = [
        sample(b"S", 0, 883120, -14400, 0, 35, 1235),
        sample(b"S", 1, 883520, -14399, 0, 40, 1235),
        core.line("frame_index", 2, 883590, -14398),
        core.line("frame_fault", 3, 883600, word_bytes(core, "crank-step"), 17),
        sample(b"B", 4, 1083600, -14398, 2, 12, 1236),
    ]
    assert [line.decode().removesuffix("\n") for line in sent] == printed[1:]
