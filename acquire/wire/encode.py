"""Frames -> lines, and the commands to the board (firmware-notes/wire-format.md sections 2 and 3)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Final

from acquire.wire.fields import MM_PER_INCH
from acquire.wire.frames import (
    I32_HIGH,
    I32_LOW,
    LONGEST_BODY,
    PRINTABLE,
    U32,
    WORD,
    Command,
    Fault,
    Frame,
    Heartbeat,
    Hello,
    Index,
    Sample,
    SelfTest,
    Settings,
    crc16,
)
from acquire.wire.owner import levels_of
from acquire.wire.parse import parse_line
from analysis.base.errors import DeviceError, UsageError
from analysis.base.samples import Board

HELLO: Final = Command("hello")
ZERO: Final = Command("zero")
_STEP_DIGITS: Final = Context(prec=12, rounding=ROUND_HALF_EVEN)  # more than any scale has, fewer than a float's noise
SETTINGS: Final = Command("settings")
TEST: Final = Command("test")
KINDS: Final = ("scale", "bcd", "frame24", "ascii")
_CPR: Final = r"[4-9]|[1-9][0-9]{1,5}|1000000"
_STEP: Final = r"(?:0|[1-9][0-9]*)(?:\.[0-9]{1,5})?"
_SET: Final = (
    rf"cpr (?:{_CPR})|index (?:yes|no)|channels [12]|kind [12] (?:{'|'.join(KINDS)})|unit [12] (?:mm|in)"
    rf"|step [12] (?P<step>{_STEP})|name [A-Za-z0-9.-]{{1,24}}"
)
_RATE: Final = r"[1-9][0-9]{0,2}|[1-4][0-9]{3}|5000"
_COMMAND: Final = re.compile(rf"hello|zero|settings|test|latch (?:edge|time)|rate (?:{_RATE})|set (?:{_SET})".encode("ascii"))
_STEP_MOST: Final = 65535  # the digits of a step, without the point


def encode_body(body: str) -> bytes:
    """Put sum and line end to a body. UsageError if it is empty, too long, or holds what a line cannot."""
    raw = body.encode("ascii", "replace")
    if not 1 <= len(body) <= LONGEST_BODY or not PRINTABLE.fullmatch(raw) or raw.decode("ascii") != body:
        raise UsageError(f"a frame cannot hold {body!r}", do=f"Send 1 to {LONGEST_BODY} printable ASCII characters without '*'")
    return sealed(raw)


def sealed(body: bytes) -> bytes:
    """As `encode_body`, of a body that is known to be one: for those who make thousands of lines."""
    return b"%b*%04X\n" % (body, crc16(body))


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
    if not WORD.fullmatch(word):
        raise UsageError(f"{word!r} is no word of the wire format", do="Use letters, digits, '-' and '.'")
    return encode_body(f"F,{_u32(seq)},{_u32(time_us)},{word},{_i32(number)}")


def encode_settings(settings: Settings) -> bytes:
    """The settings, when asked for."""
    keys = {"cpr": settings.cpr, "index": "yes" if settings.index else "no", "channels": settings.channels}
    for i, (kind, step, unit) in enumerate(zip(settings.kinds, settings.steps_mm, settings.units, strict=True), 1):
        keys |= {f"kind{i}": kind, f"step{i}": _step_text(step, unit)}
    return _keyed("C", settings.seq, settings.time_us, keys | {"board": settings.board})


def encode_test(test: SelfTest) -> bytes:
    """The self-test of one input, when asked for. UsageError if its levels are not those of its kind."""
    if tuple(name for name, _ in test.levels) != levels_of(test.kind):
        raise UsageError(f"{test.levels} are not the levels of {test.kind or 'the crank'}", do="Give those of section 2.8")
    keys: dict[str, object] = {"of": test.of} | ({"kind": test.kind} if test.kind else {}) | dict(test.levels)
    keys |= {"count": _i32(test.count), "bad": _u32(test.bad)}
    if test.age_us is not None and test.got is not None:
        keys |= {"age": _u32(test.age_us), "got": _u32(test.got), "raw": test.raw}
    return _keyed("T", test.seq, test.time_us, keys)


def _keyed(kind: str, seq: int, time_us: int, keys: Mapping[str, object]) -> bytes:
    line = encode_body(",".join([kind, _u32(seq), _u32(time_us), *(f"{key}={value}" for key, value in keys.items())]))
    if parse_line(line[:-1]) is None:
        raise UsageError(f"the wire format has no line {line!r}", do="See firmware-notes/wire-format.md sections 2.7 and 2.8")
    return line


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
        case Settings():
            return encode_settings(frame)
        case SelfTest():
            return encode_test(frame)
        case _:
            raise UsageError("a frame of unknown kind cannot be sent again", do="Leave it out")


def latch(how: str) -> Command:
    """The command that changes how samples are latched: "edge" or "time"."""
    return _checked(Command("latch", how))


def rate(samples_per_second: int) -> Command:
    """The command for at most so many samples a second, 1 to 5000."""
    return _checked(Command("rate", str(samples_per_second)))


def setting(text: str) -> Command:
    """The command that sets one thing, as in "cpr 2400" or "kind 1 scale" (firmware-notes/wire-format.md section 3.2)."""
    return _checked(Command("set", text))


def encode_command(command: Command) -> bytes:
    """The line that tells the board. UsageError if there is no such command."""
    return " ".join(filter(None, _checked(command))).encode("ascii") + b"\n"


def parse_command(line: bytes) -> Command | None:
    """What a board makes of a line from the host, without its b"\\n" (a b"\\r" may stand at its end). None: it is no command."""
    found = _COMMAND.fullmatch(line.removesuffix(b"\r"))
    if not found or (found["step"] and not 1 <= int(found["step"].replace(b".", b"")) <= _STEP_MOST):
        return None
    return Command(*found[0].decode("ascii").split(" ", 1))


def _checked(command: Command) -> Command:
    if parse_command(" ".join(filter(None, command)).encode("ascii", "replace")) != command:
        raise UsageError(
            f"there is no command {' '.join(command)!r}", do="See firmware-notes/wire-format.md section 3 for those there are"
        )
    return command


def _step_text(step_mm: float, unit: str) -> str:
    size = Decimal(repr(step_mm))
    return f"{_STEP_DIGITS.divide(size, MM_PER_INCH if unit == 'in' else Decimal(1)):f}{unit}"


def _u32(number: int) -> str:
    if not 0 <= number <= U32:
        raise UsageError(f"{number} does not fit a u32 of the wire", do="Wrap a counter that has run on with wrap_u32")
    return str(number)


def _i32(number: int) -> str:
    if not I32_LOW <= number <= I32_HIGH:
        raise UsageError(f"{number} does not fit an i32 of the wire", do="Wrap a counter that has run on with wrap_i32")
    return str(number)
