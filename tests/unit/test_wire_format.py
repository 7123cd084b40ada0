"""The lines themselves: the sum against values from outside, the worked example, and what a line may and may not hold."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from acquire.wire import encode, fields, frames, owner, parse
from analysis.base.errors import DeviceError, UsageError
from analysis.base.samples import Board

NOTES = Path(__file__).parents[2] / "firmware-notes" / "wire-format.md"
BENCH = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=57)

u32 = st.integers(0, frames.U32)
i32 = st.integers(frames.I32_LOW, frames.I32_HIGH)
words = st.text("ABCXYZabcxyz0189-.", min_size=1, max_size=32)
readings = st.integers(1, 2).flatmap(lambda c: st.tuples(st.tuples(*[i32] * c), st.tuples(*[i32] * c)))
sample_like = st.tuples(u32, u32, i32, u32, readings).map(lambda t: (*t[:4], *t[4]))
steps = st.tuples(st.integers(1, 99999), st.integers(0, 6), st.sampled_from(["mm", "in"]))


def boards() -> st.SearchStrategy[Board]:
    def board(cpr, index, latch, scales, name, boot, rate, minor):  # noqa: ANN001, ANN202
        size = [fields.to_step(f"{n / 10**d:.{d}f}{unit}") for n, d, unit in scales]
        return Board(cpr, index, latch, tuple(s for s, _ in size), tuple(u for _, u in size), name, boot, rate, f"1.{minor}")

    return st.builds(
        board,
        st.integers(4, 1_000_000),
        st.booleans(),
        st.sampled_from(["edge", "time"]),
        st.lists(steps, min_size=1, max_size=2),
        words,
        u32,
        u32,
        st.integers(0, 999),
    )


def settings() -> st.SearchStrategy[wire.Settings]:
    def made(seq, time, cpr, index, used, scales, kinds, name):  # noqa: ANN001, ANN202
        size = [fields.to_step(f"{n / 10**d:.{d}f}{unit}") for n, d, unit in scales]
        told = max(used, len(size))
        size, kinds = (size * 2)[:told], kinds[:told]
        return wire.Settings(seq, time, cpr, index, used, kinds, tuple(s for s, _ in size), tuple(u for _, u in size), name)

    scales = st.lists(st.tuples(st.integers(1, 65535), st.integers(0, 5), st.sampled_from(["mm", "in"])), min_size=1, max_size=2)
    kinds = st.tuples(*[st.sampled_from(wire.KINDS)] * 2)
    name = st.text("ABCabc019-.", min_size=1, max_size=24)
    return st.builds(made, u32, u32, st.integers(4, 1_000_000), st.booleans(), st.integers(1, 2), scales, kinds, name)


def self_tests() -> st.SearchStrategy[wire.SelfTest]:
    def made(numbers, kind, of, bits, gauge):  # noqa: ANN001, ANN202
        levels = tuple(zip(owner.levels_of(kind), bits, strict=False))
        extra = gauge if kind in ("bcd", "frame24", "ascii") else (None, None, "")
        return wire.SelfTest(*numbers[:2], of if kind else "crank", kind, levels, *numbers[2:], *extra)

    numbers, bits = st.tuples(u32, u32, i32, u32), st.tuples(*[st.integers(0, 1)] * 3)
    gauge = st.tuples(u32, st.integers(0, 255), st.text("09AF=+-._z", max_size=24))
    return st.builds(made, numbers, st.sampled_from(["", *wire.KINDS]), st.sampled_from(["ch1", "ch2"]), bits, gauge)


all_frames = st.one_of(
    settings(),
    self_tests(),
    st.builds(wire.Hello, boards(), u32, u32),
    sample_like.map(lambda t: wire.Sample(*t)),
    sample_like.map(lambda t: wire.Heartbeat(*t)),
    st.builds(wire.Index, u32, u32, i32),
    st.builds(wire.Fault, u32, u32, words, i32),
)


# Check value: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740. The rest: AUTOSAR, Specification of CRC Routines, the
# table of 16-bit CCITT-FALSE results.
@pytest.mark.parametrize(
    ("data", "total"),
    [
        (b"123456789".hex(), 0x29B1),
        ("00000000", 0x84C0),
        ("F20183", 0xD374),
        ("0FAA0055", 0x2023),
        ("00FF5511", 0xB8F9),
        ("332255AABBCCDDEEFF", 0xF53F),
        ("926B55", 0x0745),
        ("FFFFFFFF", 0x1D0F),
    ],
)
def test_sum_is_ibm_3740(data: str, total: int) -> None:
    assert wire.crc16(bytes.fromhex(data)) == total


def example(which: int = 0) -> list[bytes]:
    block = NOTES.read_text("utf-8").split("## 6. Worked example")[1].split("```")[2 * which + 1]
    return block.strip().encode("ascii").split(b"\n")


def test_worked_example_says_what_the_notes_say() -> None:
    expected = [
        wire.Hello(BENCH, seq=0, time_us=5012),
        wire.Sample(0, 883120, -14400, 0, (35,), (1235,)),
        wire.Sample(1, 883520, -14399, 0, (40,), (1235,)),
        wire.Index(2, 883590, -14398),
        wire.Fault(3, 883600, "crank-step", 17),
        wire.Heartbeat(4, 1083600, -14398, 2, (12,), (1236,)),
    ]
    assert [parse.parse_line(line) for line in example()] == expected
    assert [wire.encode_frame(frame) for frame in expected] == [line + b"\n" for line in example()]
    decoder = wire.Decoder()
    assert decoder.feed(b"\n".join(example()) + b"\n") == expected
    assert decoder.counters == wire.Counters(received=sum(map(len, example())) + 6, frames=6)


def read_example(which: int) -> tuple[list[wire.Event], wire.Counters]:
    decoder = wire.Decoder()
    return decoder.feed(b"\n".join(example(which)) + b"\n"), decoder.counters


def test_worked_example_of_two_channels() -> None:
    events, counters = read_example(1)
    board = Board(10_000, True, "edge", (0.005, 0.01), ("mm", "mm"), "bench-b", boot=58, rate=200, version="1.1")
    assert events == [
        wire.Hello(board, seq=0, time_us=812),
        wire.Sample(0, 100733, 1, 8, (0, 99921), (0, 0)),
        wire.Sample(1, 105733, 21, 8, (0, 104921), (2, 0)),
        wire.Index(2, 112983, 50),
        wire.Sample(3, 110733, 41, 0, (0, 7420), (4, -204)),
        wire.Sample(4, 115733, 61, 0, (0, 12420), (6, -204)),
        wire.Heartbeat(5, 315733, 62, 0, (0, 3120), (6, -203)),
    ]
    assert (counters.lost, counters.refused, counters.frames) == (0, 0, 7)


def test_worked_example_of_samples_by_time() -> None:
    events, counters = read_example(2)
    board = Board(2400, False, "time", (0.0127,), ("in",), "bench-c", boot=59, rate=100, version="1.1")
    assert events == [
        wire.Hello(board, seq=0, time_us=4294940100),
        wire.Sample(0, 4294945100, 0, 4, (5000,), (0,)),
        wire.Sample(1, 4294955100, 0, 0, (2150,), (412,)),
        wire.Sample(2, 4294965100, 0, 0, (12150,), (412,)),
        wire.Sample(3, 7804, 0, 0, (1830,), (412,)),
        wire.Damage(1, 0, 0),
        wire.Sample(5, 27804, 3, 1, (21830,), (412,)),
    ]
    assert (counters.lost, counters.refused) == (1, 0)
    times = [e.time_us for e in events if isinstance(e, wire.Sample)]
    assert [(b - a) % 2**32 for a, b in pairwise(times)] == [10_000, 10_000, 10_000, 20_000]  # over the clock's run-over


def test_worked_example_of_settings_and_self_test() -> None:
    expected = [
        wire.Settings(6, 2315733, 10_000, True, 2, ("scale", "frame24"), (0.005, 0.01), ("mm", "mm"), "bench-b"),
        wire.SelfTest(7, 2415733, "crank", "", (("a", 1), ("b", 1), ("z", 0)), 62, 0),
        wire.SelfTest(8, 2415801, "ch1", "scale", (("a", 1), ("b", 1)), 6, 0),
        wire.SelfTest(9, 2415869, "ch2", "frame24", (("clock", 1), ("data", 1)), -203, 1, 41870, 24, "BC0001"),
    ]
    assert [parse.parse_line(line) for line in example(3)] == expected
    assert [wire.encode_frame(frame) for frame in expected] == [line + b"\n" for line in example(3)]


def test_settings_and_self_test_of_a_later_minor_version() -> None:
    """Keys in any order, and keys that nobody knows yet."""
    (told, crank), plain = (parse.parse_line(line(body)) for body in (SETTINGS, SELF_TEST)), parse.parse_line
    shuffled = "C,6,7,board=b,colour=blue,step1=0.005mm,kind1=scale,channels=1,index=no,cpr=2400"
    assert plain(line(shuffled)) == told
    assert plain(line(SELF_TEST + ",noise=3")) == crank
    assert told == wire.Settings(6, 7, 2400, False, 1, ("scale",), (0.005,), ("mm",), "b")
    assert crank == wire.SelfTest(8, 9, "ch1", "ascii", (("line", 1),), -5, 2, 30, 3, "+1=")


SETTINGS = "C,6,7,cpr=2400,index=no,channels=1,kind1=scale,step1=0.005mm,board=b"
SELF_TEST = "T,8,9,of=ch1,kind=ascii,line=1,count=-5,bad=2,age=30,got=3,raw=+1="


def test_inch_scale_is_exact() -> None:
    # 1 inch is 25.4 mm exactly (international yard and pound agreement, 1959).
    board = Board(2400, True, "time", (0.0127, 0.01), ("in", "mm"), "b", rate=200)
    line = wire.encode_hello(board, 7, 8)
    assert b",ch1=0.0005in,ch2=0.01mm," in line
    assert parse.parse_line(line[:-1]) == wire.Hello(board, 7, 8)


@given(all_frames)
def test_encoded_frames_come_back(frame: wire.Frame) -> None:
    line = wire.encode_frame(frame)
    assert line.endswith(b"\n")
    assert len(line) <= frames.LONGEST_LINE
    assert parse.parse_line(line[:-1]) == frame
    assert parse.parse_line(line[:-1] + b"\r") == frame


@given(sample_like, st.sampled_from([b"", b"\r"]))
def test_shortcut_agrees_with_the_long_way(
    numbers: tuple[int, int, int, int, tuple[int, ...], tuple[int, ...]], end: bytes
) -> None:
    line = wire.encode_sample(*numbers)[:-1] + end
    shortcut = parse.usual_sample_1 if len(numbers[4]) == 1 else parse.usual_sample_2
    other = parse.usual_sample_2 if len(numbers[4]) == 1 else parse.usual_sample_1
    assert shortcut(line) == parse.parse_line(line) == wire.Sample(*numbers)
    assert other(line) is None


def line(body: str) -> bytes:
    """`body` with a right sum, without looking at what it says."""
    raw = body.encode("latin-1")
    return b"%b*%04X" % (raw, wire.crc16(raw))


REFUSED_BODIES = [
    *(SETTINGS.replace(f",{part}", "") for part in SETTINGS.split(",")[3:]),  # each of them must be there
    *(
        SETTINGS.replace(a, b)
        for a, b in (("2400", "3"), ("=no", "=maybe"), ("channels=1", "channels=2"), ("mm", ""), ("=b", "= "))
    ),
    SETTINGS + ",cpr=2400",
    SETTINGS + ",loose",
    "C,6",
    "C,x,7" + SETTINGS[5:],
    *(SELF_TEST.replace(f",{part}", "") for part in ("of=ch1", "count=-5", "bad=2")),
    *(SELF_TEST.replace(a, b) for a, b in (("line=1", "line=2"), ("-5", "-0"), ("bad=2", "bad=-2"), ("30", "x"), ("+1=", "+ 1"))),
    "T,8",
    "S,1,2,3,4,5",  # a number too few
    "S,1,2,3,4,5,6,7",  # half a channel
    "S,1,2,3,4,5,6,7,8,9",
    "S,01,2,3,4,5,6",  # leading zero
    "S,+1,2,3,4,5,6",
    "S,1,2,-0,4,5,6",
    "S,1,2, 3,4,5,6",
    "S,1,2,3_0,4,5,6",
    "S,1,2,3.0,4,5,6",
    "S,-1,2,3,4,5,6",  # signs where there are none
    "S,1,-2,3,4,5,6",
    "S,1,2,3,-4,5,6",
    "S,4294967296,2,3,4,5,6",
    "S,1,4294967296,3,4,5,6",
    "S,1,2,2147483648,4,5,6",
    "S,1,2,-2147483649,4,5,6",
    "S,1,2,3,4294967296,5,6",
    "S,1,2,3,4,2147483648,6",
    "S,1,2,3,4,5,-2147483649",
    "S,1,2,3,4,5,6,2147483648,8",
    "S,1,2,3,4,5,6,7,2147483648",
    "S,99999999999,2,3,4,5,6",
    "S,1,2,,4,5,6",
    "S,1,2,3,4,5,",
    "S,,2,3,4,5,6",
    "S,1,2,3,4,5,-",
    "s,1,2,3,4,5,6",
    "B,1,2,3,4,5",
    "B,1,2,3,4,5,6,7,8,9,10",
    "I,1,2",
    "I,1,2,3,4",
    "I,1,2,three",
    "F,1,2,crank-step",
    "F,1,2,crank step,3",
    "F,1,2,,3",
    "F,1,2,word,3,4",
    "Z",  # an unknown kind must be numbered too
    "Z,x",
    "ZZ,1",
    "1,1",
    "Z,1\x7f",
    "Z,1\t",
    "Z,\xe9",
    "Z,1," + "x" * 147,  # 151 characters
    "H",
    "H,1",
    "H,1.0",
    "H,1.0,0,5012",
    "H,1.0,0,5012,index=yes,latch=edge,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,latch=edge,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm",
    "H,1.0,0,5012,cpr=3,index=yes,latch=edge,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=1000001,index=yes,latch=edge,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=maybe,latch=edge,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=often,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01um,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.00mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=-0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,board=",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,board=a b",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,board=" + "a" * 33,
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,boot=-1,board=a",
    "H,1.0,0,5012,cpr=2400,cpr=2400,index=yes,latch=edge,ch1=0.01mm,board=a",
    "H,1.0,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,board=a,loose",
    "H,1.0,-1,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,board=a",
    "H,one,0,5012,cpr=2400,index=yes,latch=edge,ch1=0.01mm,board=a",
]


@pytest.mark.parametrize("body", REFUSED_BODIES)
def test_fields_that_are_not_as_the_format_says_are_refused(body: str) -> None:
    assert parse.parse_line(line(body)) is None
    assert parse.usual_sample_1(line(body)) is None
    assert parse.usual_sample_2(line(body)) is None


@pytest.mark.parametrize(
    "bad",
    [
        b"",
        b"*FFFF",
        b"S,0,883120,-14400,0,35,1235*ce78",  # lower case
        b"S,0,883120,-14400,0,35,1235*CE79",
        b"S,0,883120,-14400,0,35,1235CE78",
        b"S,0,883120,-14400,0,35,1235*CE78 ",
        b"S,0,883120,-14400,0,35,1235*CE78\r\r",
        b" S,0,883120,-14400,0,35,1235*CE78",
    ],
)
def test_lines_that_are_no_lines_are_refused(bad: bytes) -> None:
    assert parse.parse_line(b"S,0,883120,-14400,0,35,1235*CE78") is not None
    assert parse.parse_line(bad) is None
    assert parse.usual_sample_1(bad) is None


def test_a_body_holds_no_asterisk_even_with_a_right_sum() -> None:
    assert parse.parse_line(line("Z,1,a*b")) is None


@pytest.mark.parametrize("minor", ["1.1", "1.7", "1.4294967296"])
def test_every_minor_version_is_accepted_with_what_it_adds(minor: str) -> None:
    hello = parse.parse_line(
        line(f"H,{minor},0,5012,colour=blue,cpr=2400,index=yes,latch=edge,ch1=0.01mm,ch3=1mm,boot=57,board=bench-a")
    )
    assert isinstance(hello, wire.Hello)
    assert hello.board.version == minor
    assert (hello.board.cpr, hello.board.steps_mm, hello.board.boot) == (2400, (0.01,), 57)
    assert parse.parse_line(line("Z,7,whatever it is")) == wire.Unknown(7, "Z")
    assert parse.parse_line(line("F,1,2,new-word,3")) == wire.Fault(1, 2, "new-word", 3)
    assert parse.parse_line(line("S,1,2,3,4294967295,5,6")) == wire.Sample(1, 2, 3, 4294967295, (5,), (6,))


@pytest.mark.parametrize("major", ["0.9", "2.0", "10.1"])
def test_another_major_version_is_refused_by_name(major: str) -> None:
    with pytest.raises(DeviceError, match=re.escape(f"wire format {major}")) as caught:
        parse.parse_line(line(f"H,{major},0,5012,something=else"))
    assert "1.x" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "command"),
    [
        (b"hello", wire.HELLO),
        (b"zero\r", wire.ZERO),
        (b"latch edge", wire.latch("edge")),
        (b"latch time\r", wire.latch("time")),
        (b"rate 1", wire.rate(1)),
        (b"rate 5000", wire.rate(5000)),
        (b"settings", wire.SETTINGS),
        (b"test\r", wire.TEST),
        (b"set cpr 4", wire.setting("cpr 4")),
        (b"set cpr 1000000", wire.setting("cpr 1000000")),
        (b"set index no", wire.setting("index no")),
        (b"set channels 2", wire.setting("channels 2")),
        (b"set kind 2 frame24", wire.setting("kind 2 frame24")),
        (b"set unit 1 in", wire.setting("unit 1 in")),
        (b"set step 1 0.005", wire.setting("step 1 0.005")),
        (b"set step 2 65535", wire.setting("step 2 65535")),
        (b"set name bench-a.2", wire.setting("name bench-a.2")),
    ],
)
def test_commands(text: bytes, command: wire.Command) -> None:
    assert wire.parse_command(text) == command
    assert wire.encode_command(command) == text.removesuffix(b"\r") + b"\n"


@pytest.mark.parametrize(
    "text",
    [
        *(
            b"set " + rest
            for rest in (
                *(b"", b"cpr 3", b"cpr 04", b"cpr 1000001", b"index maybe", b"channels 3", b"kind 3 scale", b"kind 1 Scale"),
                *(b"unit 1 um", b"step 1 0", b"step 1 0.000", b"step 1 .5", b"step 1 5.", b"step 1 65536", b"step 1 0.000001"),
                *(b"name ", b"name " + b"n" * 25, b"name a b", b"speed 3"),
            )
        ),
        b"settings x",
        b"tests",
        b"",
        b"hello ",
        b"HELLO",
        b"latch",
        b"latch both",
        b"rate 0",
        b"rate 01",
        b"rate 5001",
        b"rate -1",
        b"zero\r\r",
    ],
)
def test_what_is_no_command(text: bytes) -> None:
    assert wire.parse_command(text) is None


@given(st.binary(max_size=40))
def test_any_line_from_a_host_is_a_command_or_none(text: bytes) -> None:
    command = wire.parse_command(text)
    assert command is None or wire.encode_command(command) == text.removesuffix(b"\r") + b"\n"


@pytest.mark.parametrize(
    "call",
    [
        lambda: wire.rate(0),
        lambda: wire.rate(5001),
        lambda: wire.latch("sometimes"),
        lambda: wire.encode_command(wire.Command("hello\nzero")),
        lambda: wire.encode_sample(-1, 0, 0, 0, (0,), (0,)),
        lambda: wire.encode_sample(0, 2**32, 0, 0, (0,), (0,)),
        lambda: wire.encode_sample(0, 0, 2**31, 0, (0,), (0,)),
        lambda: wire.encode_sample(0, 0, 0, 0, (0,), (-(2**31) - 1,)),
        lambda: wire.encode_sample(0, 0, 0, 0, (0,), ()),
        lambda: wire.encode_sample(0, 0, 0, 0, (0, 0, 0), (0, 0, 0)),
        lambda: wire.encode_fault(0, 0, "two words", 0),
        lambda: wire.encode_fault(0, 0, "x" * 150, 0),
        lambda: wire.encode_hello(Board(3, True, "edge", (0.01,), ("mm",), "b"), 0, 0),
        lambda: wire.encode_hello(Board(2400, True, "edge", (0.01,), ("mm",), "no, no"), 0, 0),
        lambda: wire.encode_hello(Board(2400, True, "edge", (0.01,) * 3, ("mm",) * 3, "b"), 0, 0),
        lambda: wire.setting("cpr 3"),
        lambda: wire.encode_command(wire.Command("set cpr", "2400")),
        lambda: wire.encode_settings(wire.Settings(0, 0, 3, True, 1, ("scale",), (0.01,), ("mm",), "b")),
        lambda: wire.encode_test(wire.SelfTest(0, 0, "crank", "", (("a", 1),), 0, 0)),
        lambda: wire.encode_test(wire.SelfTest(0, 0, "no, no", "", (("a", 1), ("b", 0), ("z", 0)), 0, 0)),
        lambda: wire.encode_frame(wire.Unknown(1, "Z")),
        lambda: encode.encode_body("a*b"),
        lambda: encode.encode_body("é"),
    ],
)
def test_a_sender_is_told_what_cannot_be_sent(call) -> None:  # noqa: ANN001
    with pytest.raises(UsageError):
        call()


@given(st.integers(-(2**70), 2**70))
def test_counters_wrap_as_twos_complement(n: int) -> None:
    # The oracle is the stdlib's conversion of fixed-width integers.
    raw = (n % 2**32).to_bytes(4, "little")
    assert wire.wrap_u32(n) == int.from_bytes(raw, "little")
    assert wire.wrap_i32(n) == int.from_bytes(raw, "little", signed=True)
