"""The frames of firmware-notes/wire-format.md as frozen shapes, and the numbers its lines are made of. No I/O, no state.

`encode` makes lines of them, `parse` reads one line, and `decoder` says what a stream of lines means.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from dataclasses import dataclass
from typing import Final, NamedTuple, TypeAlias

from analysis.base.samples import Board

VERSION: Final = "1.1"
MAJOR: Final = 1
LONGEST_LINE: Final = 160  # bytes, with its line end; a reader holds no more
LONGEST_BODY: Final = 150
U32: Final = 0xFFFF_FFFF
I32_LOW: Final = -0x8000_0000
I32_HIGH: Final = 0x7FFF_FFFF
HALF: Final = 0x8000_0000
PRINTABLE: Final = re.compile(rb"[ -)+-~]*")  # 0x20 to 0x7E without the asterisk
WORD: Final = re.compile(r"[A-Za-z0-9.-]+")


@dataclass(frozen=True)
class Hello:
    """What the board is. `seq` is the number the next frame will carry.

    `restarted`: a hello before it was there, and the decoder takes this one for a new start of the board.
    """

    board: Board
    seq: int
    time_us: int
    restarted: bool = False


class LatchedFrame(NamedTuple):
    """Crank and indicator latched together; integers as on the wire. `age_us` and `lift` hold one number per channel (1 or 2)."""

    seq: int
    time_us: int
    crank: int
    flags: int
    age_us: tuple[int, ...]
    lift: tuple[int, ...]


class Sample(LatchedFrame):
    """Latched at an edge of the encoder, or by the clock."""

    __slots__ = ()


class Heartbeat(LatchedFrame):
    """Latched while the crank stands still."""

    __slots__ = ()


class Index(NamedTuple):
    """The encoder's index pulse, and the crank count it was seen at."""

    seq: int
    time_us: int
    crank: int


class Fault(NamedTuple):
    """Something the board noticed about itself; words that we do not know are kept."""

    seq: int
    time_us: int
    word: str
    number: int


@dataclass(frozen=True)
class Settings:
    """What the owner has set: `channels` in use, and of each that the board told of the indicator's kind, step in mm and unit."""

    seq: int
    time_us: int
    cpr: int
    index: bool
    channels: int
    kinds: tuple[str, ...]
    steps_mm: tuple[float, ...]
    units: tuple[str, ...]
    board: str


@dataclass(frozen=True)
class SelfTest:
    """What the inputs say at this moment: `of` is "crank", "ch1" or "ch2"; `levels` are pairs of a line's name and 0 or 1.

    `kind` of a channel's indicator, empty for the crank. Only a gauge that sends its readings has `age_us`, `got` (bits or
    characters of the newest frame) and `raw` (that frame).
    """

    seq: int
    time_us: int
    of: str
    kind: str
    levels: tuple[tuple[str, int], ...]
    count: int
    bad: int
    age_us: int | None = None
    got: int | None = None
    raw: str = ""


class Unknown(NamedTuple):
    """A numbered frame of a kind that a later minor version added: counted, not understood."""

    seq: int
    kind: str


Numbered: TypeAlias = Sample | Heartbeat | Index | Fault | Settings | SelfTest | Unknown
Frame: TypeAlias = Hello | Numbered


class Command(NamedTuple):
    """A line to the board: a word, and what it is told: nothing for "hello", "zero", "settings" and "test"; "edge" or "time" for
    "latch"; a number for "rate"; a key and its value for "set".
    """

    word: str
    argument: str = ""


def crc16(body: bytes) -> int:
    """CRC-16/IBM-3740 of `body`; the check value of b"123456789" is 0x29B1."""
    return crc_hqx(body, 0xFFFF)


def wrap_u32(number: int) -> int:
    """A counter that has run on, as a u32 of the wire."""
    return number & U32


def wrap_i32(number: int) -> int:
    """A counter that has run on, as an i32 of the wire (two's complement)."""
    return ((number - I32_LOW) & U32) + I32_LOW
