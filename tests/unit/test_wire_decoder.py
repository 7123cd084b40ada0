"""What a stream of lines means: order, gaps, damage, restarts, and that nothing fed to a decoder can hurt it."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from acquire.wire.frames import LONGEST_LINE, U32
from analysis.base.errors import DeviceError
from analysis.base.samples import Board
from tests.left_out import thorough

ONE = Board(2400, True, "edge", (0.01,), ("mm",), "bench-a", boot=57)
TWO = Board(2400, True, "edge", (0.01, 0.0127), ("mm", "in"), "bench-a", boot=57)
HELLO = wire.encode_hello(ONE, 0, 5012)


def sample(seq: int, channels: int = 1) -> wire.Sample:
    seq &= U32
    return wire.Sample(seq, (400 * seq) & U32, seq % 9000 - 14400, 0, (35,) * channels, (1235 + seq % 7,) * channels)


def line(seq: int, channels: int = 1) -> bytes:
    return wire.encode_sample(*sample(seq, channels))


def decode(data: bytes) -> tuple[list[wire.Event], wire.Counters]:
    decoder = wire.Decoder()
    return decoder.feed(data) + decoder.finish(), decoder.counters


def greeted(board: Board = ONE, seq: int = 0) -> wire.Decoder:
    decoder = wire.Decoder()
    assert len(decoder.feed(wire.encode_hello(board, seq, 0))) == 1
    return decoder


KINDS = {
    "hello": (HELLO, wire.Hello(ONE, 0, 5012)),
    "sample": (line(0), sample(0)),
    "sample of no usual shape": (wire.encode_sample(0, U32, -(2**31), U32, (2**31 - 1,), (-1,)), None),
    "heartbeat": (wire.encode_heartbeat(0, 1, 2, 0, (3,), (4,)), wire.Heartbeat(0, 1, 2, 0, (3,), (4,))),
    "index": (wire.encode_index(0, 1, -2), wire.Index(0, 1, -2)),
    "settings": (
        b"C,0,1,cpr=4,index=no,channels=1,kind1=bcd,step1=1mm,board=b*%04X\n"
        % wire.crc16(b"C,0,1,cpr=4,index=no,channels=1,kind1=bcd,step1=1mm,board=b"),
        wire.Settings(0, 1, 4, False, 1, ("bcd",), (1.0,), ("mm",), "b"),
    ),
    "self-test": (
        wire.encode_test(wire.SelfTest(0, 1, "crank", "", (("a", 1), ("b", 0), ("z", 1)), -3, 2)),
        wire.SelfTest(0, 1, "crank", "", (("a", 1), ("b", 0), ("z", 1)), -3, 2),
    ),
    "fault": (wire.encode_fault(0, 1, "busy", 3), wire.Fault(0, 1, "busy", 3)),
}
JUNK = b"\x00\xff*,S,1" + bytes(range(11, 60)) + b"\n"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("end", [b"\n", b"\r\n"], ids=["lf", "crlf"])
def test_every_kind_whole_byte_by_byte_and_among_junk(kind: str, end: bytes) -> None:
    text, frame = KINDS[kind]
    text = text.removesuffix(b"\n") + end
    expected = [frame] if frame else greeted().feed(text)
    assert greeted().feed(text) == expected
    decoder = greeted()
    for byte in text[:-1]:
        assert decoder.feed(bytes([byte])) == []
    assert decoder.feed(text[-1:]) == expected
    decoder = greeted()
    assert decoder.feed(JUNK + text + JUNK) == [wire.Damage(0, len(JUNK), 0), *expected]
    assert decoder.finish() == [wire.Damage(0, len(JUNK), 0)]
    assert decoder.counters.refused == 2 * len(JUNK)


@pytest.mark.parametrize("seed", range(20), ids="seed{}".format)
def test_random_cuts_change_nothing(seed: int) -> None:
    rng = random.Random(seed)
    data = HELLO + b"".join(line(i) if rng.random() < 0.9 else JUNK for i in range(200)) + b"S,half"
    expected, counters = decode(data)
    decoder, events, at = wire.Decoder(), [], 0
    while at < len(data):
        size = rng.randint(1, 60)
        events += decoder.feed(data[at : at + size])
        at += size
        assert decoder.held < LONGEST_LINE
    events += decoder.finish()
    assert events == expected
    assert decoder.counters == counters


@given(st.lists(st.one_of(st.binary(max_size=300), st.sampled_from([HELLO, line(0), line(1), b"\n", b"*", HELLO[:20]]))))
def test_any_bytes_end_in_events_or_our_own_error_in_bounded_memory(chunks: list[bytes]) -> None:
    decoder = wire.Decoder()
    given_bytes = 0
    for chunk in chunks:
        events = decoder.feed(chunk)
        given_bytes += len(chunk)
        assert all(isinstance(event, tuple | wire.Hello) for event in events)
        assert decoder.held < LONGEST_LINE
        counters = decoder.counters
        assert counters.received == given_bytes >= counters.skipped + counters.refused + decoder.held


def test_an_endless_line_is_refused_without_being_kept() -> None:
    decoder = greeted()
    for _ in range(1000):
        assert decoder.feed(b"x" * 1000) == []
        assert decoder.held == 0
    assert decoder.feed(b"tail\n" + line(0)) == [wire.Damage(0, 1_000_005, 0), sample(0)]


def test_never_more_than_one_line_is_held() -> None:
    decoder = greeted()
    most = 0
    for _ in range(1000):
        decoder.feed(b"x")
        most = max(most, decoder.held)
    assert most == LONGEST_LINE - 1
    assert decoder.counters.refused == 1000


def test_the_rest_of_an_endless_line_is_no_line() -> None:
    decoder = greeted()
    decoder.feed(b"x" * LONGEST_LINE)
    assert decoder.feed(line(0)) == []  # whole and sound, but the end of a line that is too long
    assert decoder.feed(line(0)) == [wire.Damage(0, LONGEST_LINE + len(line(0)), 0), sample(0)]


@pytest.mark.parametrize("length", range(155, 170))
def test_lines_around_the_longest(length: int) -> None:
    body = b"Z,0," + b"x" * (length - 10)  # length with asterisk, sum and line end
    text = b"%b*%04X\n" % (body, wire.crc16(body))
    assert len(text) == length
    whole = greeted()
    piecewise = greeted()
    events = whole.feed(text)
    assert (
        [event for byte in text for event in piecewise.feed(bytes([byte]))]
        == events
        == ([wire.Unknown(0, "Z")] if length <= 156 else [])
    )
    assert whole.counters == piecewise.counters
    assert whole.counters.refused == (0 if length <= 156 else length)


def test_before_the_first_hello_nothing_is_understood_but_everything_counted() -> None:
    decoder = wire.Decoder()
    early = b"0,12*ABCD\n" + line(7) + wire.encode_index(8, 1, 2) + JUNK
    assert decoder.feed(early) == []
    assert decoder.board is None
    assert decoder.counters == wire.Counters(received=len(early), skipped=len(early))
    assert decoder.feed(wire.encode_hello(ONE, 9, 0) + line(9)) == [wire.Hello(ONE, 9, 0), sample(9)]
    assert decoder.counters.lost == 0


@pytest.mark.parametrize("start", [0, 1, 5, U32 - 3, U32])
@pytest.mark.parametrize("gap", [1, 2, 1000, 2**31 - 1])
def test_gaps_are_counted_across_the_wrap(start: int, gap: int) -> None:
    decoder = greeted(seq=start)
    events = decoder.feed(line(start) + line(start + 1 + gap))
    assert events == [sample(start), wire.Damage(gap, 0, 0), sample(start + 1 + gap)]
    assert decoder.counters.lost == gap
    assert decoder.next_seq == (start + 2 + gap) & U32


@pytest.mark.parametrize("start", [0, 5, U32 - 3, U32])
@pytest.mark.parametrize("back", [1, 2, 2**31])
def test_repeated_and_late_frames_are_refused_across_the_wrap(start: int, back: int) -> None:
    decoder = greeted(seq=start)
    events = decoder.feed(line(start) + line(start + 1 - back) + line(start + 1))
    assert events == [sample(start), wire.Damage(0, 0, 1), sample(start + 1)]
    assert (decoder.counters.late, decoder.counters.lost, decoder.counters.refused) == (1, 0, 0)


def test_sequence_runs_over_without_damage() -> None:
    decoder = greeted(seq=U32 - 2)
    events = decoder.feed(b"".join(line(U32 - 2 + i) for i in range(6)))
    assert [event.seq for event in events] == [U32 - 2, U32 - 1, U32, 0, 1, 2]
    assert decoder.counters == wire.Counters(decoder.counters.received, frames=7)


def test_all_kinds_share_one_sequence_and_unknown_ones_count() -> None:
    body = b"Q,2,later"
    unknown = b"%b*%04X\n" % (body, wire.crc16(body))
    data = line(0) + wire.encode_index(1, 0, 0) + unknown + wire.encode_fault(3, 0, "busy", 1)
    data += wire.encode_heartbeat(4, 0, 0, 0, (0,), (0,)) + line(6)
    events = greeted().feed(data)
    assert [type(event) for event in events] == [
        wire.Sample,
        wire.Index,
        wire.Unknown,
        wire.Fault,
        wire.Heartbeat,
        wire.Damage,
        wire.Sample,
    ]
    assert events[5] == wire.Damage(1, 0, 0)


def test_damage_of_all_sorts_is_told_once_and_in_its_place() -> None:
    spoiled = line(1).replace(b"*", b"+")
    events = greeted().feed(line(0) + spoiled + JUNK + line(0) + line(2) + line(3))
    assert events == [sample(0), wire.Damage(1, len(spoiled) + len(JUNK), 1), sample(2), sample(3)]


@pytest.mark.parametrize(("board", "channels"), [(ONE, 2), (TWO, 1)])
def test_frames_of_the_wrong_number_of_channels_are_refused(board: Board, channels: int) -> None:
    decoder = greeted(board)
    wrong = line(0, channels) + wire.encode_heartbeat(0, 0, 0, 0, (0,) * channels, (0,) * channels)
    right = sample(0, 3 - channels)
    assert decoder.feed(wrong + wire.encode_sample(*right)) == [wire.Damage(0, len(wrong), 0), right]


@pytest.mark.parametrize(
    ("boot_before", "boot", "seq", "restarted"),
    [
        (57, 57, 2, False),  # asked for
        (57, 58, 0, True),
        (57, 58, 2, True),  # started again, and by chance at the number expected
        (57, 57, 0, True),
        (0, 0, 2, False),
        (0, 0, 0, True),
    ],
)
def test_a_hello_tells_of_a_new_start(boot_before: int, boot: int, seq: int, restarted: bool) -> None:
    before, after = (Board(2400, True, "edge", (0.01,), ("mm",), "b", boot=n) for n in (boot_before, boot))
    decoder = greeted(before)
    decoder.feed(line(0) + line(1))
    events = decoder.feed(wire.encode_hello(after, seq, 77) + line(seq))
    assert events == [wire.Hello(after, seq, 77, restarted), sample(seq)]
    assert decoder.counters.restarts == restarted
    assert decoder.counters.lost == decoder.counters.late == 0


def test_a_hello_may_change_channels_and_latching() -> None:
    by_time = Board(2400, True, "time", (0.01, 0.01), ("mm", "mm"), "bench-a", boot=57, rate=200)
    decoder = greeted()
    decoder.feed(line(0))
    assert decoder.feed(wire.encode_hello(by_time, 1, 0) + line(1, 2)) == [wire.Hello(by_time, 1, 0), sample(1, 2)]
    assert decoder.board == by_time


def newer(text: str = "H,2.0,0,0,quite=different") -> bytes:
    return b"%b*%04X\n" % (text.encode(), wire.crc16(text.encode()))


def test_another_major_version_fails_for_good_until_reset() -> None:
    decoder = wire.Decoder()
    for data in (newer(), HELLO, line(0)):
        with pytest.raises(DeviceError, match=r"2\.0"):
            decoder.feed(data)
    with pytest.raises(DeviceError):
        decoder.finish()
    decoder.reset()
    assert decoder.counters == wire.Counters()
    assert decoder.feed(HELLO + line(0)) == [wire.Hello(ONE, 0, 5012), sample(0)]


def test_events_in_front_of_a_failure_are_handed_out_first() -> None:
    decoder = wire.Decoder()
    assert decoder.feed(HELLO + line(0) + newer() + line(1)) == [wire.Hello(ONE, 0, 5012), sample(0)]
    with pytest.raises(DeviceError):
        decoder.feed(b"")


@pytest.mark.parametrize("seed", [0, *thorough(*range(1, 5))], ids="seed{}".format)
def test_damaged_frames_do_not_get_through(seed: int) -> None:
    """Of 20 000 lines spoiled at random a 16-bit sum lets 1 in 65 536 through: 0.3 are expected, odds of more than 5 are 1e-6."""
    rng = random.Random(seed)
    decoder = greeted()
    passed = 0
    for i in range(20_000):
        spoiled = bytearray(line(i))
        for _ in range(rng.randint(1, 5)):
            spoiled[rng.randrange(len(spoiled) - 1)] = rng.randrange(256)
        if spoiled == line(i):
            continue
        decoder.reset()
        decoder.feed(wire.encode_hello(ONE, i, 0))
        passed += sum(not isinstance(event, wire.Damage) for event in decoder.feed(bytes(spoiled)))
    assert passed <= 5


@pytest.mark.parametrize("bit", range(8))
def test_a_single_wrong_bit_never_gets_through(bit: int) -> None:
    # A property of every CRC whose polynomial has more than one term, here over the whole line.
    for at in range(len(line(3)) - 1):
        spoiled = bytearray(line(3))
        spoiled[at] ^= 1 << bit
        assert not [event for event in greeted().feed(bytes(spoiled)) if not isinstance(event, wire.Damage)]


def test_frames_lost_in_front_of_a_hello_are_no_new_start() -> None:
    board = Board(2400, True, "edge", (0.01,), ("mm",), "b", boot=57)
    decoder = greeted(board)
    decoder.feed(line(0) + line(1))
    events = decoder.feed(wire.encode_hello(board, 9, 77) + line(9))
    assert events == [wire.Hello(board, 9, 77, False), wire.Damage(7, 0, 0), sample(9)]
    assert decoder.counters.restarts == 0
