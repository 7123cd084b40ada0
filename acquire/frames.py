"""One line of the wire <-> one frozen frame (firmware-notes/wire-format.md). No I/O, no state.

What a stream of lines means is `acquire.wire`.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Final, NamedTuple, TypeAlias

from analysis.errors import DeviceError, UsageError
from analysis.samples import Board

VERSION: Final = "1.0"
MAJOR: Final = 1
LONGEST_LINE: Final = 160  # bytes, with its line end; a reader holds no more
LONGEST_BODY: Final = 150
U32: Final = 0xFFFF_FFFF
I32_LOW: Final = -0x8000_0000
I32_HIGH: Final = 0x7FFF_FFFF
_MM_PER_INCH: Final = Decimal("25.4")
_STEP_DIGITS: Final = Context(prec=12, rounding=ROUND_HALF_EVEN)  # more than any scale has, fewer than a float's noise


@dataclass(frozen=True)
class Hello:
    """What the board is. `seq` is the number the next frame will carry.

    `restarted`: a hello before it was there, and the decoder takes this one for a new start of the board.
    """

    board: Board
    seq: int
    time_us: int
    restarted: bool = False


class Sample(NamedTuple):
    """Crank and indicator latched together; integers as on the wire. `age_us` and `lift` hold one number per channel (1 or 2)."""

    seq: int
    time_us: int
    crank: int
    flags: int
    age_us: tuple[int, ...]
    lift: tuple[int, ...]


class Heartbeat(NamedTuple):
    """The crank stands still. The fields of a `Sample`."""

    seq: int
    time_us: int
    crank: int
    flags: int
    age_us: tuple[int, ...]
    lift: tuple[int, ...]


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


class Unknown(NamedTuple):
    """A numbered frame of a kind that a later minor version added: counted, not understood."""

    seq: int
    kind: str


Numbered: TypeAlias = Sample | Heartbeat | Index | Fault | Unknown
Frame: TypeAlias = Hello | Numbered


class Command(NamedTuple):
    """A line to the board: "hello", "zero", "latch" ("edge" or "time") or "rate" (a number, as text)."""

    word: str
    argument: str = ""


# --- frames -> lines ---------------------------------------------------------------------------------------------------


def crc16(body: bytes) -> int:
    """CRC-16/IBM-3740 of `body`; the check value of b"123456789" is 0x29B1."""
    return crc_hqx(body, 0xFFFF)


def encode_body(body: str) -> bytes:
    """Put sum and line end to a body. UsageError if it is empty, too long, or holds what a line cannot."""
    raw = body.encode("ascii", "replace")
    if not 1 <= len(body) <= LONGEST_BODY or not _PRINTABLE.fullmatch(raw) or raw.decode("ascii") != body:
        raise UsageError(f"a frame cannot hold {body!r}", do=f"Send 1 to {LONGEST_BODY} printable ASCII characters without '*'")
    return b"%b*%04X\n" % (raw, crc16(raw))


def wrap_u32(number: int) -> int:
    """A counter that has run on, as a u32 of the wire."""
    return number & U32


def wrap_i32(number: int) -> int:
    """A counter that has run on, as an i32 of the wire (two's complement)."""
    return ((number - I32_LOW) & U32) + I32_LOW


def encode_hello(board: Board, seq: int, time_us: int) -> bytes:
    """The hello of `board`; `seq` is the number of the next frame. UsageError if the board cannot be said in a hello."""
    fields = [
        "H",
        board.version,
        _u32(seq),
        _u32(time_us),
        f"cpr={board.cpr}",
        f"index={'yes' if board.index else 'no'}",
        f"latch={board.latch}",
    ]
    fields += [
        f"ch{i}={_step_text(step, unit)}" for i, (step, unit) in enumerate(zip(board.steps_mm, board.units, strict=True), 1)
    ]
    if board.rate:
        fields.append(f"rate={_u32(board.rate)}")
    if board.boot:
        fields.append(f"boot={_u32(board.boot)}")
    fields.append(f"board={board.name}")
    line = encode_body(",".join(fields))
    try:
        sound = parse_line(line[:-1]) is not None and len(board.steps_mm) <= 2
    except DeviceError:
        sound = True  # another major version: a simulator may well want to send it
    if not sound:
        raise UsageError(f"this board cannot be said in a hello: {board}", do="See firmware-notes/wire-format.md section 2.1")
    return line


def encode_sample(
    seq: int, time_us: int, crank: int, flags: int, age_us: Sequence[int], lift: Sequence[int], *, kind: str = "S"
) -> bytes:
    """A sample line, so `encode_sample(*sample)`. Values as on the wire (see `wrap_u32`, `wrap_i32`): UsageError out of range."""
    if len(age_us) != len(lift) or len(lift) not in (1, 2):
        raise UsageError("a sample has one or two channels, each with an age and a lift", do="Give both for each channel")
    readings = (_i32(n) for pair in zip(age_us, lift, strict=True) for n in pair)
    return encode_body(",".join([kind, _u32(seq), _u32(time_us), _i32(crank), _u32(flags), *readings]))


def encode_heartbeat(seq: int, time_us: int, crank: int, flags: int, age_us: Sequence[int], lift: Sequence[int]) -> bytes:
    """A heartbeat line; arguments of `encode_sample`."""
    return encode_sample(seq, time_us, crank, flags, age_us, lift, kind="B")


def encode_index(seq: int, time_us: int, crank: int) -> bytes:
    """An index pulse."""
    return encode_body(f"I,{_u32(seq)},{_u32(time_us)},{_i32(crank)}")


def encode_fault(seq: int, time_us: int, word: str, number: int) -> bytes:
    """A fault. UsageError if `word` is no word of the wire."""
    if not _WORD.fullmatch(word):
        raise UsageError(f"{word!r} is no word of the wire format", do="Use letters, digits, '-' and '.'")
    return encode_body(f"F,{_u32(seq)},{_u32(time_us)},{word},{_i32(number)}")


def encode_frame(frame: Frame) -> bytes:
    """Any frame that `parse_line` can give, back to its line. UsageError for an `Unknown`, whose content was not kept."""
    match frame:
        case Hello():
            return encode_hello(frame.board, frame.seq, frame.time_us)
        case Sample():
            return encode_sample(*frame)
        case Heartbeat():
            return encode_heartbeat(*frame)
        case Index():
            return encode_index(*frame)
        case Fault():
            return encode_fault(*frame)
        case _:
            raise UsageError("a frame of unknown kind cannot be sent again", do="Leave it out")


# --- commands ----------------------------------------------------------------------------------------------------------

HELLO: Final = Command("hello")
ZERO: Final = Command("zero")


def latch(how: str) -> Command:
    """The command that changes how samples are latched: "edge" or "time"."""
    return _checked(Command("latch", how))


def rate(samples_per_second: int) -> Command:
    """The command for at most so many samples a second, 1 to 5000."""
    return _checked(Command("rate", str(samples_per_second)))


def encode_command(command: Command) -> bytes:
    """The line that tells the board. UsageError if there is no such command."""
    return " ".join(filter(None, _checked(command))).encode("ascii") + b"\n"


def parse_command(line: bytes) -> Command | None:
    """What a board makes of a line from the host, without its b"\\n" (a b"\\r" may stand at its end). None: it is no command."""
    found = _COMMAND.fullmatch(line.removesuffix(b"\r"))
    return Command(*found[0].decode("ascii").split(" ")) if found else None


def _checked(command: Command) -> Command:
    if not _COMMAND.fullmatch(" ".join(filter(None, command)).encode("ascii", "replace")):
        raise UsageError(
            f"there is no command {' '.join(command)!r}", do="Use hello, zero, latch edge, latch time, or rate 1 to 5000"
        )
    return command


# --- lines -> frames ---------------------------------------------------------------------------------------------------

_PRINTABLE: Final = re.compile(rb"[ -)+-~]*")
_WORD: Final = re.compile(r"[A-Za-z0-9.-]+")
_U32_TEXT: Final = re.compile(rb"0|[1-9][0-9]{0,9}")
_I32_TEXT: Final = re.compile(rb"0|-?[1-9][0-9]{0,9}")
_STEP: Final = re.compile(r"((?:0|[1-9][0-9]*)(?:\.[0-9]+)?)(mm|in)")
_VERSION: Final = re.compile(r"(0|[1-9][0-9]*)\.(0|[1-9][0-9]*)")
_COMMAND: Final = re.compile(rb"hello|zero|latch (?:edge|time)|rate (?:[1-9][0-9]{0,2}|[1-4][0-9]{3}|5000)")


class _RefusedError(Exception):
    """A field is not what the format says. Never leaves this module."""


def parse_line(line: bytes) -> Frame | None:
    """The frame in one line without its b"\\n" (one b"\\r" may stand at its end), or None if the line must be refused.

    DeviceError if it is a sound hello of another major version.
    """
    line = line.removesuffix(b"\r")
    body = line[:-5]
    if not 1 <= len(body) <= LONGEST_BODY or line[-5:] != b"*%04X" % crc_hqx(body, 0xFFFF) or not _PRINTABLE.fullmatch(body):
        return None
    kind, *fields = body.split(b",")
    try:
        match kind:
            case b"S":
                return Sample(*_readings(fields))
            case b"B":
                return Heartbeat(*_readings(fields))
            case b"I" if len(fields) == 3:
                return Index(_to_u32(fields[0]), _to_u32(fields[1]), _to_i32(fields[2]))
            case b"F" if len(fields) == 4:
                return Fault(_to_u32(fields[0]), _to_u32(fields[1]), _to_word(fields[2]), _to_i32(fields[3]))
            case b"H":
                return _parse_hello([field.decode("ascii") for field in fields])
            case b"I" | b"F":
                return None
            case _:
                return Unknown(_to_u32(fields[0]), kind.decode()) if fields and len(kind) == 1 and kind.isupper() else None
    except _RefusedError:
        return None


def _readings(fields: list[bytes]) -> tuple[int, int, int, int, tuple[int, ...], tuple[int, ...]]:
    if len(fields) not in (6, 8):
        raise _RefusedError
    numbers = [_to_i32(field) for field in fields[4:]]
    return (
        _to_u32(fields[0]),
        _to_u32(fields[1]),
        _to_i32(fields[2]),
        _to_u32(fields[3]),
        tuple(numbers[::2]),
        tuple(numbers[1::2]),
    )


def _parse_hello(fields: list[str]) -> Hello:
    found = _VERSION.fullmatch(fields[0]) if fields else None
    if not found:
        raise _RefusedError
    if int(found[1]) != MAJOR:  # said before anything else is looked at: another major version may have other fields
        raise DeviceError(
            f"the board speaks wire format {fields[0]}, and this program speaks {MAJOR}.x",
            do=f"Load firmware with wire format {MAJOR}.x into the board, or use a lobetrace that speaks {fields[0]}",
        )
    if len(fields) < 3:
        raise _RefusedError
    seq, time_us = (_to_u32(field.encode("ascii")) for field in fields[1:3])
    keys: dict[str, str] = {}
    for field in fields[3:]:
        key, equals, value = field.partition("=")
        if not equals or key in keys:
            raise _RefusedError
        keys[key] = value
    return Hello(_board(fields[0], keys), seq, time_us)


def _board(version: str, keys: Mapping[str, str]) -> Board:
    if not {"cpr", "index", "latch", "ch1", "board"} <= keys.keys():
        raise _RefusedError
    steps, units = zip(*(_step(keys[key]) for key in ("ch1", "ch2") if key in keys), strict=True)
    cpr = _to_u32(keys["cpr"].encode("ascii"))
    name = keys["board"]
    if not (
        4 <= cpr <= 1_000_000
        and keys["index"] in ("yes", "no")
        and keys["latch"] in ("edge", "time")
        and _WORD.fullmatch(name)
        and len(name) <= 32
    ):
        raise _RefusedError
    return Board(
        cpr=cpr,
        index=keys["index"] == "yes",
        latch=keys["latch"],
        steps_mm=steps,
        units=units,
        name=name,
        boot=_to_u32(keys.get("boot", "0").encode("ascii")),
        rate=_to_u32(keys.get("rate", "0").encode("ascii")),
        version=version,
    )


def _step(text: str) -> tuple[float, str]:
    found = _STEP.fullmatch(text)
    size = Decimal(found[1]) if found else Decimal(0)
    if not found or not size:
        raise _RefusedError
    return float(size * _MM_PER_INCH if found[2] == "in" else size), found[
        2
    ]  # decimal, so that 0.0005in is 0.0127 and not nearly so


def _step_text(step_mm: float, unit: str) -> str:
    size = Decimal(repr(step_mm))
    return f"{_STEP_DIGITS.divide(size, _MM_PER_INCH if unit == 'in' else Decimal(1)):f}{unit}"


def _to_u32(text: bytes) -> int:
    if not _U32_TEXT.fullmatch(text) or (number := int(text)) > U32:
        raise _RefusedError
    return number


def _to_i32(text: bytes) -> int:
    if not _I32_TEXT.fullmatch(text) or not I32_LOW <= (number := int(text)) <= I32_HIGH:
        raise _RefusedError
    return number


def _to_word(text: bytes) -> str:
    if not _WORD.fullmatch(word := text.decode("ascii")):
        raise _RefusedError
    return word


def _u32(number: int) -> str:
    if not 0 <= number <= U32:
        raise UsageError(f"{number} does not fit a u32 of the wire", do="Wrap a counter that has run on with wrap_u32")
    return str(number)


def _i32(number: int) -> str:
    if not I32_LOW <= number <= I32_HIGH:
        raise UsageError(f"{number} does not fit an i32 of the wire", do="Wrap a counter that has run on with wrap_i32")
    return str(number)
