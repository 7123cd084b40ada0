"""The bulk decoder is judged by the streaming one: the same events and the same counts, whatever is fed."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire import wire, wire_bulk
from acquire.frames import I32_HIGH, I32_LOW, U32
from acquire.wire_bulk import decode_stream
from analysis.errors import DeviceError
from analysis.samples import Board


def board(channels: int, boot: int = 57) -> Board:
    return Board(2400, True, "edge", (0.01,) * channels, ("mm",) * channels, "bench-a", boot=boot)


def numbered(rng: random.Random, seq: int, channels: int) -> bytes:
    """A frame of any kind, mostly a sample, its numbers from all magnitudes."""

    def signed() -> int:
        return rng.choice(
            [0, -1, I32_LOW, I32_HIGH, rng.randint(-9, 9), rng.randint(-99999, 99999), rng.randint(I32_LOW, I32_HIGH)]
        )

    def unsigned() -> int:
        return rng.choice([0, U32, rng.randint(0, 9), rng.randint(0, 999999), rng.randint(0, U32)])

    seq &= U32
    pick = rng.random()
    if pick < 0.9:
        encoder = wire.encode_sample if pick < 0.8 else wire.encode_heartbeat
        return encoder(
            seq, unsigned(), signed(), unsigned(), [signed() for _ in range(channels)], [signed() for _ in range(channels)]
        )
    if pick < 0.94:
        return wire.encode_index(seq, unsigned(), signed())
    if pick < 0.97:
        return wire.encode_fault(seq, unsigned(), "busy", signed())
    body = b"Q,%d,later" % seq
    return b"%b*%04X\n" % (body, wire.crc16(body))


def stream(rng: random.Random, frames: int) -> bytes:
    """A lively stream: restarts, gaps, repeats, wrong channels, line ends of both kinds."""
    channels, seq = rng.randint(1, 2), rng.choice([0, rng.randint(0, U32), U32 - frames // 2])
    parts = [numbered(rng, 3, channels), wire.encode_hello(board(channels), seq, 0)]
    for _ in range(frames):
        pick = rng.random()
        if pick < 0.02:
            channels, seq = rng.randint(1, 2), rng.choice([seq, seq + 1, 0])
            parts.append(wire.encode_hello(board(channels, rng.randint(0, 2)), seq & U32, 0))
        elif pick < 0.05:
            parts.append(numbered(rng, rng.choice([seq - 1, seq - rng.randint(1, 50), seq + 2**31]), channels))
        elif pick < 0.06:
            parts.append(numbered(rng, seq, 3 - channels))
        else:
            seq += rng.choice([0] * 30 + [1, 2, 1000])
            text = numbered(rng, seq, channels)
            parts.append(text if rng.random() < 0.8 else text[:-1] + b"\r\n")
            seq += 1
    return b"".join(parts)


def mutate(rng: random.Random, data: bytes, times: int) -> bytes:
    """Flip bits, cut bytes out, put bytes in."""
    spoiled = bytearray(data)
    for _ in range(times):
        at = rng.randrange(len(spoiled))
        match rng.randrange(4):
            case 0:
                spoiled[at] ^= 1 << rng.randrange(8)
            case 1:
                del spoiled[at : at + rng.randint(1, 10)]
            case 2:
                spoiled[at:at] = rng.randbytes(rng.randint(1, 10))
            case _:
                spoiled[at:at] = rng.choice([b"\n", b"*", b",", b"\r", b"-", b"0", b"\n\n", b"x" * 200])
    return bytes(spoiled)


def assert_agrees(data: bytes) -> wire_bulk.Stream:
    decoder = wire.Decoder()
    expected = decoder.feed(data) + decoder.finish()
    bulk = decode_stream(data)
    assert list(bulk.events()) == expected
    assert bulk.counters == decoder.counters
    return bulk


@pytest.mark.parametrize("seed", range(30), ids="seed{}".format)
def test_agrees_on_sound_and_on_spoiled_streams(seed: int) -> None:
    rng = random.Random(seed)
    data = stream(rng, 400)
    assert_agrees(data)
    for times in (1, 20, 300):
        assert_agrees(mutate(rng, data, times))


@pytest.mark.parametrize("seed", range(5), ids="seed{}".format)
def test_agrees_across_block_boundaries(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(seed)
    data = mutate(rng, stream(rng, 300), 40)
    for size in (1, 50, 333, 5000):
        monkeypatch.setattr(wire_bulk, "_BLOCK", size)
        assert_agrees(data)


@settings(max_examples=300)
@given(
    st.lists(
        st.one_of(
            st.binary(max_size=40),
            st.text("SB,*0123456789ABCDEF-\r\n", max_size=60).map(str.encode),
            st.sampled_from(
                ["S,0,0,0,0,0,0", "S,1,-0,0,0,0,0", "B,00,1,2,3,4,5", "S,1,1,1,1,1,4294967296", "S,-1,1,1,1,1,1", "S,1,,1,1,1,1"]
            ).map(lambda body: b"%b*%04X\n" % (body.encode(), wire.crc16(body.encode()))),
            st.integers(0, 5).map(lambda seq: wire.encode_sample(seq, 1, 2, 3, (4,), (5,))),
            st.integers(0, 2).map(lambda seq: wire.encode_hello(board(1), seq, 0)),
        )
    )
)
def test_agrees_on_anything(parts: list[bytes]) -> None:
    assert_agrees(b"".join(parts))


def test_arrays_hold_the_numbers() -> None:
    data = wire.encode_hello(board(2), 5, 0)
    data += wire.encode_sample(5, 10, -3, 1, (7, -8), (100, 200)) + wire.encode_index(6, 11, -2)
    data += wire.encode_heartbeat(8, 20, -2, 64, (9, 10), (-101, 201))
    bulk = assert_agrees(data)
    assert bulk.seq.tolist() == [5, 8]
    assert bulk.time_us.tolist() == [10, 20]
    assert bulk.crank.tolist() == [-3, -2]
    assert bulk.flags.tolist() == [1, 64]
    assert bulk.still.tolist() == [False, True]
    assert bulk.age_us.tolist() == [[7, 9], [-8, 10]]
    assert bulk.lift.tolist() == [[100, -101], [200, 201]]
    assert bulk.lift.dtype == np.int64
    assert [(row, type(event).__name__) for row, event in bulk.others] == [(0, "Hello"), (1, "Index"), (1, "Damage")]


@pytest.mark.parametrize("data", [b"", b"\n", b"no line end", b"\r\n", JUNK := b"\xff" * 5000 + b"\n"])
def test_streams_without_a_board(data: bytes) -> None:
    bulk = assert_agrees(data)
    assert len(bulk.seq) == 0
    assert bulk.counters.skipped == len(data)


def test_another_major_version_is_refused() -> None:
    body = b"H,2.0,0,0"
    with pytest.raises(DeviceError, match=r"2\.0"):
        decode_stream(wire.encode_hello(board(1), 0, 0) + b"%b*%04X\n" % (body, wire.crc16(body)))


def test_a_digit_of_the_sum_that_is_none() -> None:
    bodies = (b"S,0,%d,0,0,0,0" % i for i in range(1_000_000))
    body = next(body for body in bodies if wire.crc16(body) == 0xFFFF)
    for total, rows in ((b"FFFF", 1), (b"FFFf", 0), (b"FFFG", 0), (b"gFFF", 0), (b"FF F", 0)):
        bulk = assert_agrees(wire.encode_hello(board(1), 0, 0) + body + b"*" + total + b"\n")
        assert len(bulk.seq) == rows


def test_a_long_repeat_is_all_late() -> None:
    once = b"".join(wire.encode_sample(i, 0, 0, 0, (0,), (0,)) for i in range(500))
    bulk = assert_agrees(wire.encode_hello(board(1), 0, 0) + once + once + wire.encode_sample(500, 0, 0, 0, (0,), (0,)))
    assert bulk.counters.late == 500
    assert len(bulk.seq) == 501
