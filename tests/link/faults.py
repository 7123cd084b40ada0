"""What can go wrong on a line, as data: what is said, and what must come of it. Every link of the suite is given the same."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

from acquire import wire
from acquire.wire.frames import I32_HIGH, U32

from .conftest import ScriptedBoard, encoded


@dataclass(frozen=True)
class Story:
    """`said` by the board once it has been greeted, piece by piece, and the events that it must come out as, in order."""

    said: tuple[bytes, ...]
    events: tuple[wire.Event, ...]


@cache  # each kind of link is given the same
def at_wrong_speed(data: bytes, sent: int, read: int) -> bytes:
    """What a receiver at `read` baud makes of `data` sent at `sent` baud, 8N1, looking at the middle of its own bits."""
    line = [1] * 20
    for byte in data:
        line += [0, *(byte >> i & 1 for i in range(8)), 1]
    line += [1] * 20
    at, step, got = 0.0, sent / read, bytearray()
    while at < len(line) - 11 * step:
        if line[int(at)]:  # no start bit yet: a sixteenth of a bit further, as such receivers do
            at += step / 16
            continue
        got.append(sum(line[int(at + (i + 1.5) * step)] << i for i in range(8)))
        at += 9.5 * step  # the middle of what should be the stop bit
    return bytes(got)


def _half_a_frame(board: ScriptedBoard, rng: random.Random) -> Story:
    a, b, c, d = board.frames(4)
    cut = rng.randrange(1, len(encoded([b])) - 1)
    said = encoded([a]), encoded([b])[:cut], encoded([c, d])
    return Story(said, (a, wire.Damage(2, cut + len(encoded([c])), 0), d))


def _junk(rng: random.Random, count: int) -> bytes:
    return bytes(rng.choice([byte for byte in range(256) if byte != 10]) for _ in range(count))


def _garbage(board: ScriptedBoard, rng: random.Random) -> Story:
    a, b = board.frames(2)
    junk = _junk(rng, rng.randrange(1, 400)) + b"\n"
    return Story((encoded([a]), junk, encoded([b])), (a, wire.Damage(0, len(junk), 0), b))


def _garbage_runs_into_a_frame(board: ScriptedBoard, rng: random.Random) -> Story:
    a, b, c = board.frames(3)
    junk = _junk(rng, rng.randrange(1, 400))
    return Story((encoded([a]), junk + encoded([b, c])), (a, wire.Damage(1, len(junk) + len(encoded([b])), 0), c))


def _wrong_baud(board: ScriptedBoard, rng: random.Random) -> Story:
    """As when one side is set anew while the other goes on: a stretch at another speed, then the right one again."""
    a, *lost, z = board.frames(32)
    sent, read = rng.choice([(9600, 115200), (57600, 115200), (115200, 57600), (115200, 38400), (115200, 128000)])
    heard = at_wrong_speed(encoded(lost), sent, read) + b"\n"
    assert len(heard) > 10
    return Story((encoded([a]), heard, encoded([z])), (a, wire.Damage(len(lost), len(heard), 0), z))


def _a_bit_of_each_frame(board: ScriptedBoard, rng: random.Random) -> Story:
    """CRC-16 finds every single wrong bit, wherever it is."""
    a, *bad, z = board.frames(40)
    heard = b"".join(_flipped(encoded([frame]), rng) for frame in bad)
    return Story((encoded([a]), heard, encoded([z])), (a, wire.Damage(len(bad), len(heard), 0), z))


def _flipped(line: bytes, rng: random.Random) -> bytes:
    at, bit = rng.randrange(len(line) - 1), 1 << rng.randrange(8)  # the line end stays, or two lines would be one
    return line[:at] + bytes([line[at] ^ bit]) + line[at + 1 :] if line[at] ^ bit != 10 else _flipped(line, rng)


def _repeated(board: ScriptedBoard, _: random.Random) -> Story:
    a, b, c = board.frames(3)
    return Story((encoded([a, b, b]), encoded([a, b, c])), (a, b, wire.Damage(0, 0, 3), c))


def _reordered(board: ScriptedBoard, _: random.Random) -> Story:
    a, b, c, d, e = board.frames(5)
    said = encoded([a, d, b, c, e])
    return Story((said,), (a, wire.Damage(2, 0, 0), d, wire.Damage(0, 0, 2), e))


def _lost(board: ScriptedBoard, rng: random.Random) -> Story:
    a, *lost, z = board.frames(rng.randrange(3, 3000))
    return Story((encoded([a]), encoded([z])), (a, wire.Damage(len(lost), 0, 0), z))


def _every_counter_runs_over(board: ScriptedBoard, _: random.Random) -> Story:
    frames = [
        wire.Sample(
            i, wire.wrap_u32(U32 - 1000 + 400 * i), wire.wrap_i32(I32_HIGH - 3 + i), 0, (35,), (wire.wrap_i32(I32_HIGH - 1 + i),)
        )
        for i in range(8)
    ]
    board.seq = len(frames)
    return Story((encoded(frames),), tuple(frames))


def _started_again(board: ScriptedBoard, rng: random.Random) -> Story:
    """The supply fell in the middle of a line; the new start begins with a line end and a hello, as the wire format says."""
    a, b, c = board.frames(3)
    half = encoded([c])[: rng.randrange(1, 20)]
    board.hello, board.seq = replace(board.hello, boot=58), 0
    hello = wire.Hello(board.hello, 0, 5012, restarted=True)
    d, e = (frame._replace(lift=(7,)) for frame in board.frames(2))
    said = encoded([a, b]), half, b"\n" + wire.encode_hello(board.hello, 0, 5012), encoded([d, e])
    return Story(said, (a, b, wire.Damage(0, len(half) + 1, 0), hello, d, e))


FAULTS: dict[str, Callable[[ScriptedBoard, random.Random], Story]] = {
    "half-a-frame": _half_a_frame,
    "garbage": _garbage,
    "garbage-into-a-frame": _garbage_runs_into_a_frame,
    "wrong-baud": _wrong_baud,
    "bits": _a_bit_of_each_frame,
    "repeated": _repeated,
    "reordered": _reordered,
    "lost": _lost,
    "counters-run-over": _every_counter_runs_over,
    "started-again": _started_again,
}
