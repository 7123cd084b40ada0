"""The numbers by which people judge a link, and the words for what came."""

from __future__ import annotations

import pytest

from acquire import wire
from acquire.cli.frame_words import of_board, of_event
from acquire.link.health import Health, HealthWatch
from acquire.link.raw import escaped, why_refused
from acquire.wire.parse import parse_line
from analysis.base.samples import Board

BOARD = Board(2400, True, "edge", (0.01, 0.0127), ("mm", "in"), "bench-a", boot=57)


def frames(first: int, count: int) -> list[wire.Event]:
    return [wire.Index(n, n, 0) for n in range(first, first + count)]


def test_a_steady_link_has_its_rate_and_silence_pulls_it_down() -> None:
    now = [0.0]
    watch = HealthWatch(lambda: now[0])
    assert watch.now() == Health()
    for tick in range(1, 51):  # ten frames each tenth of a second for five seconds
        now[0] = tick / 10
        watch.came(frames(tick * 10, 10), now[0])
    steady = watch.now()
    assert steady.frames_s == pytest.approx(100.0, rel=0.06)
    assert (steady.frames, steady.age_s) == (500, 0.0)
    now[0] += 1.0
    assert watch.now().frames_s == pytest.approx(50.0, rel=0.06)  # the last two seconds, half of them empty
    now[0] += 1.5
    assert watch.now().frames_s == 0.0
    assert watch.now().age_s == 2.5
    assert "newest 2.50 s ago" in watch.now().line()


def test_damage_is_counted_and_makes_nothing_newer() -> None:
    now = [1.0]
    watch = HealthWatch(lambda: now[0])
    watch.came([wire.Damage(3, 40, 2), *frames(0, 2)], 1.0)
    now[0] = 5.0
    watch.came([wire.Damage(1, 0, 0)], 5.0)
    watch.came([], 5.0)
    watch.gone()
    assert watch.now() == Health(0.0, frames=2, lost=4, late=2, refused=40, losses=1, age_s=4.0)
    assert "link lost 1x" in watch.now().line()


def test_every_kind_of_event_in_words() -> None:
    sample = wire.Sample(7, 1_500_000, -600, 1 | 2 | 64, (40, 1500), (123, 10))
    assert of_event(sample, BOARD) == (
        "sample    7 at 1.500000 s: count -600 = -90.00 deg, lift 1.2300 mm 0.0 ms old, lift 0.1270 mm 1.5 ms old"
        "; frames dropped before it; illegal crank steps; latched by time"
    )
    assert of_event(wire.Heartbeat(*sample._replace(flags=0)), BOARD).startswith("standing  7 at 1.500000 s: count -600")
    assert of_event(wire.Index(8, 2_000_001, 5), BOARD) == "index     8 at 2.000001 s: at count 5"
    assert of_event(wire.Fault(9, 0, "busy", 12), BOARD) == "fault     9 at 0.000000 s: busy 12"
    assert of_event(wire.Damage(3, 40, 2), BOARD) == "damage    3 frames lost, 40 bytes refused, 2 frames out of order"
    assert of_event(wire.Unknown(3, "Q"), BOARD) == "unknown   3: of kind Q, which this version does not know"
    assert of_board(BOARD) == (
        "bench-a: 2400 counts a turn, with index, latched by edge, indicator 0.01 mm and 0.0005 in, wire format 1.0"
    )
    assert "has started again: bench-a" in of_event(wire.Hello(BOARD, 0, 0, restarted=True), BOARD)


def test_escaped_shows_each_byte_and_can_be_read_back() -> None:
    every = bytes(range(256))
    assert escaped(b"S,1*00\\\r\n\t\x00\xff") == r"S,1*00\\\r\n\t\x00\xff"
    assert escaped(every).encode("ascii").decode("unicode_escape").encode("latin-1") == every


def line(body: bytes) -> bytes:
    return b"%s*%04X\n" % (body, wire.crc16(body))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (b"S,0,1,2,0,3,4", "it has no line end"),
        (b"\n", "an asterisk and four digits must end it"),
        (b"S,0,1,2,0,3,4\n", "an asterisk and four digits must end it"),
        (b"123456789*29B2\n", "its sum is 29B1"),  # the check value of CRC-16/IBM-3740
        (b"123456789*29b1\n", "its sum is 29B1"),
        (line(b"S," + b"1" * 150), "it is longer than 150 characters"),
        (line(b"F,1,2,caf\xe9,1"), "it holds characters that no line may hold"),
        (line(b"S,0,1,2,0,3"), "a sample or heartbeat has 6 fields behind its kind, or 8 with two channels"),
        (line(b"S,00,1,2,0,3,4"), "'00' is no whole number from 0 to 4294967295"),
        (line(b"B,0,1,2147483648,0,3,4"), "'2147483648' is no whole number from -2147483648 to 2147483647"),
        (line(b"I,0,1"), "an index has 3 fields behind its kind"),
        (line(b"F,0,1,b_d,3"), "'b_d' is no word"),
        (line(b"F,0"), "a fault has 4 fields behind its kind"),
        (line(b"ab,0"), "its kind must be one capital letter"),
        (line(b"Q"), "a number must follow its kind"),
        (line(b"H"), "a hello begins with the version of the wire format"),
        (line(b"H,1.0,0"), "number and time must follow a hello's version"),
        (line(b"H,1.0,0,1,cpr"), "'cpr' is no key=value, or its key is there twice"),
        (line(b"H,1.0,0,1,cpr=9"), "a hello must have board, ch1, index, latch"),
        (line(b"H,1.0,0,1,cpr=3,index=no,latch=edge,ch1=1mm,board=a"), "cpr is 4 to 1000000"),
        (
            line(b"H,1.0,0,1,cpr=9,index=no,latch=edge,ch1=1cm,board=a"),
            "a channel's step is a number above 0 and mm or in, not '1cm'",
        ),
        (line(b"H,2.0,0,1"), "the board speaks wire format 2.0, and this program speaks 1.x"),
        (b"123456789*29B1\n", "its kind must be one capital letter"),
    ],
)
def test_why_a_line_is_no_frame(text: bytes, why: str) -> None:
    assert why_refused(text) == why


@pytest.mark.parametrize("body", [b"S,0,1,2,0,3,4", b"B,0,1,-2,0,3,4,5,6", b"I,0,1,2", b"F,1,2,busy,3", b"Q,9,what,ever"])
def test_what_is_sound_is_not_refused(body: bytes) -> None:
    assert why_refused(line(body)) == "" == why_refused(line(body)[:-1] + b"\r\n")
    assert parse_line(line(body)[:-1]) is not None
