"""What gauges send, against published examples and against encoders written here from the description."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from analysis.base.samples import Board
from tests.firmware.core_on_host import ASCII, BCD, FRAME24, MS, SCALE, Core

MORE, READING, REFUSED = range(3)
BOARD = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a")
PAUSE = 11 * MS


def packed(bits: list[int]) -> bytes:
    """Bits in order of arrival, the first in bit 0 of the first byte."""
    padded = bits + [0] * (-len(bits) % 8)
    return bytes(sum(bit << i for i, bit in enumerate(padded[k : k + 8])) for k in range(0, len(padded), 8))


def digits_on_the_wire(digits: str) -> list[int]:
    """Each digit least significant bit first."""
    return [int(digit, 16) >> i & 1 for digit in digits for i in range(4)]


def bcd(core: Core, digits: str, *, inch: bool = False, decimals: int = 3) -> int | None:
    unit, count = core.ffi.new("struct unit *", {"inch": inch, "decimals": decimals}), core.ffi.new("int32_t *")
    return count[0] if core.lib.gauge_bcd(packed(digits_on_the_wire(digits)), unit, count) else None


# Both examples are printed in instrument manuals of the 13-digit frame (digit by digit: header, sign, value, point, unit).
@pytest.mark.parametrize(
    ("digits", "decimals", "count"), [("FFFF801234530", 3, -12345), ("FFFF021076540", 4, 210765), ("FFFF021076540", 5, 2107650)]
)
def test_bcd_published(core: Core, digits: str, decimals: int, count: int) -> None:
    assert bcd(core, digits, decimals=decimals) == count


def test_bcd_bits_on_the_wire() -> None:
    # The first example as 52 bits; one of the manuals prints digits in this order.
    printed = "1111 1111 1111 1111 0001 0000 1000 0100 1100 0010 1010 1100 0000"
    assert digits_on_the_wire("FFFF801234530") == [int(b) for b in printed.replace(" ", "")]


@pytest.mark.parametrize(
    "digits",
    [
        "FFF0801234530",  # header
        "FFFF101234530",  # sign
        "FFFF80123A530",  # no decimal digit
        "FFFF801234560",  # point beyond the fifth place
        "FFFF801234531",  # inches, and the channel counts millimetres
        *[f"FFFF80123453{judgement}" for judgement in "234567"],  # some senders put a judgement where the unit belongs
        "FFFF021076540",  # finer than the channel's thousandths
    ],
)
def test_bcd_refused(core: Core, digits: str) -> None:
    assert bcd(core, digits) is None


@given(st.integers(0, 999_999), st.integers(0, 5), st.booleans(), st.booleans(), st.integers(0, 5))
def test_bcd_every_value(core: Core, value: int, point: int, minus: bool, inch: bool, decimals: int) -> None:
    got = bcd(core, f"FFFF{8 * minus}{value:06d}{point}{int(inch)}", inch=inch, decimals=decimals)
    exact = Decimal(-value if minus else value).scaleb(decimals - point)
    assert got == (int(exact) if exact == int(exact) and abs(exact) < 2**31 else None)


@given(st.integers(0, 2**52 - 1), st.booleans(), st.integers(0, 5))
def test_bcd_any_bits_are_a_number_or_refused(core: Core, bits: int, inch: bool, decimals: int) -> None:
    unit, count = core.ffi.new("struct unit *", {"inch": inch, "decimals": decimals}), core.ffi.new("int32_t *")
    sound = core.lib.gauge_bcd(bits.to_bytes(7, "little"), unit, count)
    assert not sound or bits & 0xFFFF == 0xFFFF


# Bit meanings as in libsigrokdecode's `caliper` decoder: 16 bits of magnitude, least significant first, then eight flags, of which
# the fifth to arrive is minus and the eighth inch; hundredths of a millimetre, or 2000ths of an inch. The other flags say nothing
# there, and no gauge sets them (common practice): one that is set here is a frame that has slipped.
def frame24(magnitude: int, flags: int = 0) -> list[int]:
    return [(magnitude | flags << 16) >> i & 1 for i in range(24)]


@given(st.integers(0, 65535), st.booleans(), st.booleans(), st.sampled_from([0, 1, 2, 3, 5, 6]))
def test_24_bits(core: Core, magnitude: int, minus: bool, inch: bool, spare: int) -> None:
    flags = minus << 4 | inch << 7
    unit, count = core.ffi.new("struct unit *", {"inch": inch, "decimals": 4 if inch else 2}), core.ffi.new("int32_t *")
    assert core.lib.gauge_24bit(packed(frame24(magnitude, flags)), unit, count)
    size = Decimal(count[0]).scaleb(-4 if inch else -2)
    assert size == Decimal(-magnitude if minus else magnitude) / (2000 if inch else 100)
    assert not core.lib.gauge_24bit(packed(frame24(magnitude, flags | 1 << spare)), unit, count)
    unit.inch = not inch
    assert not core.lib.gauge_24bit(packed(frame24(magnitude, flags)), unit, count)


def typed(core: Core, text: bytes, *, inch: bool = False, decimals: int = 3) -> list[int | None]:
    """Each reading of a serial gauge, None where one was refused."""
    unit, count = core.ffi.new("struct unit *", {"inch": inch, "decimals": decimals}), core.ffi.new("int32_t *")
    line, found = core.ffi.new("struct gauge_line *"), []
    for byte in text:
        got = core.lib.gauge_ascii(line, byte, 0, unit, count)
        if got != MORE:
            found.append(count[0] if got == READING else None)
    return found


@pytest.mark.parametrize(
    ("text", "counts"),
    [
        (b"+12.345\r\n", [12345]),
        (b"-12.345mm\r", [-12345]),
        (b"  0.010 mm \n", [10]),
        (b"01A+0012.345\r\n-1\n", [12345, -1000]),
        (b"+ 1.5\n", [1500]),
        (b"\r\n\r\n5.\n", [5000]),
        (b"1.2.3\n", [None]),
        (b"+\n", [None]),
        (b"Err\n", [None]),
        (b"1.2345\n", [None]),  # finer than the channel
        (b"1.2340\n", [1234]),
        (b"1.2in\n", [None]),
        (b"1.2 kg\n", [None]),
        (b"99999999999\n", [None]),
        (b"+1.000" + b" " * 40 + b"\n+2.000\n", [None, 2000]),
        (b"+1.0\x0000\n", [None]),
    ],
)
def test_text(core: Core, text: bytes, counts: list[int | None]) -> None:
    assert typed(core, text) == counts


@pytest.mark.parametrize("unit", [b"", b"in", b" inch", b'"', b"IN"])
def test_text_in_inches(core: Core, unit: bytes) -> None:
    assert typed(core, b"-0.12345" + unit + b"\r\n", inch=True, decimals=5) == [-12345]
    assert typed(core, b"-0.12345mm\r\n", inch=True, decimals=5) == [None]


@given(st.integers(-(2**30), 2**30), st.integers(0, 5))
def test_text_every_value(core: Core, value: int, places: int) -> None:
    text = f"{Decimal(value).scaleb(-places):f}"
    expected = value * 10 ** (5 - places)
    assert typed(core, text.encode() + b"\n", decimals=5) == [expected if abs(expected) < 2**31 else None]


@given(st.binary(max_size=200))
def test_text_anything(core: Core, text: bytes) -> None:
    assert len(typed(core, text)) <= text.count(b"\r") + text.count(b"\n")


# The whole way: bits or bytes into a board, samples out.


def send_bits(core: Core, bits: list[int], channel: int = 0) -> None:
    for bit in bits:
        core.lib.t_bit(channel, bit)
        core.lib.t_pass(MS // 5)


def beat(core: Core) -> wire.Heartbeat:
    """The newest heartbeat, after two more periods."""
    sent = core.after(200 * MS) + core.after(200 * MS)
    events = wire.Decoder().feed(wire.encode_hello(BOARD, 0, 0) + sent)
    return next(e for e in reversed(events) if isinstance(e, wire.Heartbeat))


def test_a_reading_is_as_old_as_its_first_bit(core: Core) -> None:
    core.start(BCD, decimals=3)
    core.after(PAUSE)
    send_bits(core, digits_on_the_wire("FFFF801234530"))
    core.work()
    core.lib.t_pass(PAUSE)
    got = beat(core)
    bits_us = 52 * 200
    assert got.lift == (-12345,)
    assert got.age_us == (bits_us + 11_000 + 400_000,)
    assert got.flags == 0


def test_no_reading_yet_is_silence(core: Core) -> None:
    core.start(FRAME24)
    assert beat(core).flags == 4
    sent = core.after(800 * MS)
    assert b"lift1-silent,1" in sent


def test_silence_is_told_once_a_second_and_the_age_saturates(core: Core) -> None:
    core.start(ASCII, decimals=3)
    core.lib.t_gauge(b"+1.000\r\n", 8)
    core.work()
    assert beat(core).flags == 0
    faults = b"".join(core.after(200 * MS) for _ in range(25))
    assert faults.count(b"lift1-silent") in (4, 5)
    for _ in range(240):  # two hours: the ticks run over three times meanwhile
        core.after(30_000 * MS)
    late = beat(core)
    assert late.flags == 4
    assert late.age_us[0] == pytest.approx(1e9, rel=1e-3)
    core.lib.t_gauge(b"+2.000\r\n", 8)
    core.work()
    fresh = beat(core)
    assert (fresh.flags, fresh.lift) == (0, (2000,))


def test_broken_and_refused_frames_are_counted_and_flagged(core: Core) -> None:
    core.start(BCD, decimals=3)
    core.after(PAUSE)
    send_bits(core, digits_on_the_wire("FFFF801234530")[:40])
    core.after(PAUSE)
    send_bits(core, digits_on_the_wire("FFFF801234532"))
    sent = core.work() + core.after(1000 * MS)
    assert b"lift1-bad,2*" in sent
    core.lib.t_pass(PAUSE)
    send_bits(core, digits_on_the_wire("FFFF000100030"))
    core.work()
    got = beat(core)
    assert (got.lift, got.flags) == ((1000,), 16)
    core.tell(b"zero\n")
    assert beat(core).flags == 0


def test_a_frame_not_fetched_in_time_does_not_shift_the_next(core: Core) -> None:
    core.start(FRAME24)
    core.lib.t_pass(PAUSE)
    send_bits(core, frame24(100))
    core.lib.t_pass(PAUSE)
    send_bits(core, frame24(200)[:10])  # the first one waits still: the second takes its place, from its first bit on ...
    assert b"lift1-bad,1*" in core.work()  # ... and the first is counted
    send_bits(core, frame24(200)[10:])
    core.lib.t_pass(PAUSE)
    got = beat(core)
    assert (got.lift, got.flags) == ((200,), 16)


@pytest.mark.parametrize("kind", [BCD, FRAME24])
@pytest.mark.parametrize("more", [1, 2, 100, 300])
def test_a_bit_too_many_is_no_reading(core: Core, kind: int, more: int) -> None:
    sound = digits_on_the_wire("FFFF000100030") if kind == BCD else frame24(1000)
    core.start(kind, decimals=3 if kind == BCD else 2)
    core.lib.t_pass(PAUSE)
    send_bits(core, sound)
    assert beat(core).lift == (1000,)
    for i in (0, len(sound) // 2, len(sound)):
        send_bits(core, sound[:i] + [1] * more + sound[i:])
        core.lib.t_pass(PAUSE)
        core.work()
    got = beat(core)
    assert (got.lift, got.flags & 16) == ((1000,), 16)
    assert b"lift1-bad,3*" in core.after(1000 * MS) + core.after(1000 * MS)


@pytest.mark.parametrize("at", range(24))
def test_one_spurious_edge_gives_no_wrong_reading(core: Core, at: int) -> None:
    """At every place of a frame, whatever the data line says at that moment."""
    core.start(FRAME24)
    core.lib.t_pass(PAUSE)
    for spurious in (0, 1):
        for value in (1235, 1236):
            bits = frame24(value)
            send_bits(core, bits[:at] + ([spurious] if value == 1236 else []) + bits[at:])
            core.lib.t_pass(PAUSE)
            assert beat(core).lift == (1235,)


def test_a_frame_is_judged_after_the_pause_only(core: Core) -> None:
    core.start(FRAME24)
    core.lib.t_pass(PAUSE)
    send_bits(core, frame24(777))
    core.work()
    core.lib.t_pass(9 * MS)
    assert beat(core).lift == (777,)
    core.start(FRAME24)
    core.lib.t_pass(PAUSE)
    send_bits(core, frame24(777))
    core.work()
    core.lib.t_bit(0, 0)  # 0.2 ms later
    assert beat(core).lift == (0,)


def test_a_frame_that_was_under_way_at_the_start_is_no_fault(core: Core) -> None:
    core.start(FRAME24)
    send_bits(core, frame24(777)[9:])
    core.lib.t_pass(PAUSE)
    assert beat(core).flags == 4
    send_bits(core, frame24(777))
    got = beat(core)
    assert (got.lift, got.flags) == ((777,), 0)


# A plunger's travel is 25 mm or less, and half a metre a second is faster than one is released (both common practice).
@pytest.mark.parametrize(
    ("first", "second", "ms", "inch", "jumps"),
    [
        (b"0.000", b"24.900", 200, False, 0),
        (b"0.000", b"25.100", 200, False, 1),
        (b"12.000", b"-13.100", 200, False, 1),
        (b"0.000", b"9.900", 20, False, 0),
        (b"0.000", b"11.000", 20, False, 1),
        (b"0.00000", b"0.99", 200, True, 0),
        (b"0.00000", b"1.01", 200, True, 1),
        (b"-9999", b"9999", 900, False, 1),
    ],
)
def test_a_jump_is_further_than_a_plunger_goes(core: Core, first: bytes, second: bytes, ms: int, inch: bool, jumps: int) -> None:
    core.start(ASCII, inch=inch, decimals=5 if inch else 3)
    for reading in (first, second):
        core.lib.t_gauge(reading + b"\n", len(reading) + 1)
        sent = core.work()
        core.lib.t_pass(ms * MS)
    got = beat(core)
    assert got.lift == (int(Decimal(second.decode()).scaleb(5 if inch else 3)),)  # it is told all the same
    assert got.flags & 16 == 16 * jumps
    assert (b"lift1-jump,1*" in sent) == bool(jumps)


def test_the_gauge_is_asked_and_asked_again(core: Core) -> None:
    core.start(SCALE, BCD, decimals=3)
    core.after(20 * MS)
    assert core.lib.t_requested(1)
    core.after(PAUSE)
    core.lib.t_bit(1, 1)
    core.after(MS)
    assert not core.lib.t_requested(1)  # it has begun to send
    core.after(20 * MS)
    assert core.lib.t_requested(1)
    core.after(260 * MS)
    assert not core.lib.t_requested(1)  # no answer: let go ...
    core.after(20 * MS)
    assert core.lib.t_requested(1)  # ... and asked anew
