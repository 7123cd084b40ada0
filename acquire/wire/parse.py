"""One line -> one frame, or nothing (firmware-notes/wire-format.md sections 1, 2, 4 and 5). No state."""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Mapping
from typing import Final

from acquire.wire.fields import RefusedError, need, to_cpr, to_i32, to_keys, to_name, to_step, to_u32, to_word, to_yes
from acquire.wire.frames import (
    HALF,
    LONGEST_BODY,
    MAJOR,
    PRINTABLE,
    U32,
    Fault,
    Frame,
    Heartbeat,
    Hello,
    Index,
    Sample,
    Unknown,
)
from acquire.wire.owner import parse_settings, parse_test
from analysis.base.errors import VersionError
from analysis.base.samples import Board

_VERSION: Final = re.compile(r"(0|[1-9][0-9]*)\.(0|[1-9][0-9]*)")


def parse_line(line: bytes) -> Frame | None:
    """The frame in one line without its b"\\n" (one b"\\r" may stand at its end), or None if the line must be refused.

    VersionError if it is a sound hello of another major version.
    """
    try:
        return read_line(line)
    except RefusedError:
        return None


def read_line(line: bytes) -> Frame:
    """The same, but a RefusedError that says why: for whoever brings a board up."""
    line = line.removesuffix(b"\r")
    body = line[:-5]
    if not body or line[-5:-4] != b"*":
        raise RefusedError("an asterisk and four digits must end it")
    total = b"%04X" % crc_hqx(body, 0xFFFF)
    if line[-4:] != total:
        raise RefusedError(f"its sum is {total.decode()}")
    if len(body) > LONGEST_BODY:
        raise RefusedError(f"it is longer than {LONGEST_BODY} characters")
    if not PRINTABLE.fullmatch(body):
        raise RefusedError("it holds characters that no line may hold")
    kind, *fields = body.split(b",")
    match kind:
        case b"S":
            return Sample(*_readings(fields))
        case b"B":
            return Heartbeat(*_readings(fields))
        case b"I":
            need(len(fields) == 3, "an index has 3 fields behind its kind")
            return Index(to_u32(fields[0]), to_u32(fields[1]), to_i32(fields[2]))
        case b"F":
            need(len(fields) == 4, "a fault has 4 fields behind its kind")
            return Fault(to_u32(fields[0]), to_u32(fields[1]), to_word(fields[2]), to_i32(fields[3]))
        case b"H":
            return _parse_hello(fields)
        case b"C":
            return parse_settings(fields)
        case b"T":
            return parse_test(fields)
        case _:
            need(len(kind) == 1 and kind.isupper(), "its kind must be one capital letter")
            need(bool(fields), "a number must follow its kind")
            return Unknown(to_u32(fields[0]), kind.decode())


# The shortcut for the usual line. It says yes, or None: then ask `parse_line`. One function a shape: unpacking by name is fast.

_U, _I = rb"(0|[1-9][0-9]{0,9})", rb"(0|-?[1-9][0-9]{0,9})"
_SUM = rb")\*([0-9A-F]{4})\r?"
_match_1: Final = re.compile(rb"(S," + b",".join([_U, _U, _I, _U, _I, _I]) + _SUM).fullmatch
_match_2: Final = re.compile(rb"(S," + b",".join([_U, _U, _I, _U, _I, _I, _I, _I]) + _SUM).fullmatch
_new: Final = tuple.__new__  # NamedTuple's own constructor costs twice that


def usual_sample_1(line: bytes) -> Sample | None:
    """A sound sample of one channel, without its b"\\n", or None if it may be anything else."""
    found = _match_1(line)
    if found is None:
        return None
    body, seq_, time_, crank_, flags_, age_, lift_, total = found.groups()
    seq, time, crank, flags, age, lift = int(seq_), int(time_), int(crank_), int(flags_), int(age_), int(lift_)
    # An or of numbers that are not negative fits 32 bits if each does: one question instead of three.
    fit = (seq | time | flags) <= U32 and 0 <= (crank + HALF) | (age + HALF) | (lift + HALF) <= U32
    if not fit or crc_hqx(body, 0xFFFF) != int(total, 16):
        return None
    return _new(Sample, (seq, time, crank, flags, (age,), (lift,)))


def usual_sample_2(line: bytes) -> Sample | None:
    """The same for two channels."""
    found = _match_2(line)
    if found is None:
        return None
    body, seq_, time_, crank_, flags_, age1_, lift1_, age2_, lift2_, total = found.groups()
    seq, time, crank, flags = int(seq_), int(time_), int(crank_), int(flags_)
    age1, lift1, age2, lift2 = int(age1_), int(lift1_), int(age2_), int(lift2_)
    signed = (crank + HALF) | (age1 + HALF) | (lift1 + HALF) | (age2 + HALF) | (lift2 + HALF)
    if (seq | time | flags) > U32 or not 0 <= signed <= U32 or crc_hqx(body, 0xFFFF) != int(total, 16):
        return None
    return _new(Sample, (seq, time, crank, flags, (age1, age2), (lift1, lift2)))


def _readings(fields: list[bytes]) -> tuple[int, int, int, int, tuple[int, ...], tuple[int, ...]]:
    need(len(fields) in (6, 8), "a sample or heartbeat has 6 fields behind its kind, or 8 with two channels")
    numbers = [to_i32(field) for field in fields[4:]]
    return (
        to_u32(fields[0]),
        to_u32(fields[1]),
        to_i32(fields[2]),
        to_u32(fields[3]),
        tuple(numbers[::2]),
        tuple(numbers[1::2]),
    )


def _parse_hello(fields: list[bytes]) -> Hello:
    version = fields[0].decode("ascii") if fields else ""
    found = _VERSION.fullmatch(version)
    if not found:
        raise RefusedError("a hello begins with the version of the wire format")
    if int(found[1]) != MAJOR:  # said before anything else is looked at: another major version may have other fields
        raise VersionError(
            f"the board speaks wire format {version}, and this program speaks {MAJOR}.x",
            do=f"Load firmware with wire format {MAJOR}.x into the board, or use a lobetrace that speaks {version}",
        )
    need(len(fields) >= 3, "number and time must follow a hello's version")
    seq, time_us = map(to_u32, fields[1:3])
    return Hello(_board(version, to_keys(fields[3:])), seq, time_us)


def _board(version: str, keys: Mapping[str, str]) -> Board:
    missing = {"cpr", "index", "latch", "ch1", "board"} - keys.keys()
    need(not missing, f"a hello must have {', '.join(sorted(missing))}")
    steps, units = zip(*(to_step(keys[key]) for key in ("ch1", "ch2") if key in keys), strict=True)
    need(keys["latch"] in ("edge", "time"), "latch is edge or time")
    return Board(
        cpr=to_cpr(keys["cpr"]),
        index=to_yes(keys["index"], "index"),
        latch=keys["latch"],
        steps_mm=steps,
        units=units,
        name=to_name(keys["board"]),
        boot=to_u32(keys.get("boot", "0").encode("ascii")),
        rate=to_u32(keys.get("rate", "0").encode("ascii")),
        version=version,
    )
