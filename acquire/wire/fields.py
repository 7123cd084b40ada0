"""What the fields of a line may be: numbers, words, steps and key=value (firmware-notes/wire-format.md section 1). No state."""

from __future__ import annotations

import re
from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from acquire.wire.frames import I32_HIGH, I32_LOW, U32, WORD

MM_PER_INCH: Final = Decimal("25.4")
_U32_TEXT: Final = re.compile(rb"0|[1-9][0-9]{0,9}")
_I32_TEXT: Final = re.compile(rb"0|-?[1-9][0-9]{0,9}")
_STEP: Final = re.compile(r"((?:0|[1-9][0-9]*)(?:\.[0-9]+)?)(mm|in)")


class RefusedError(Exception):
    """Why a line must be refused, in a few words. Ours to catch: it never leaves the reading of lines."""


def need(holds: bool, otherwise: str) -> None:
    """RefusedError with the words of `otherwise` unless it holds."""
    if not holds:
        raise RefusedError(otherwise)


def to_u32(text: bytes) -> int:
    """A number from 0 to 2^32 - 1."""
    if not _U32_TEXT.fullmatch(text) or (number := int(text)) > U32:
        raise RefusedError(f"{text.decode('ascii')!r} is no whole number from 0 to {U32}")
    return number


def to_i32(text: bytes) -> int:
    """A number from -2^31 to 2^31 - 1."""
    if not _I32_TEXT.fullmatch(text) or not I32_LOW <= (number := int(text)) <= I32_HIGH:
        raise RefusedError(f"{text.decode('ascii')!r} is no whole number from {I32_LOW} to {I32_HIGH}")
    return number


def to_word(text: bytes) -> str:
    """A word: letters, digits, dots and hyphens."""
    if not WORD.fullmatch(word := text.decode("ascii")):
        raise RefusedError(f"{word!r} is no word")
    return word


def to_step(text: str) -> tuple[float, str]:
    """A channel's step in mm, and the unit it was written in. Decimal, so that 0.0005in is 0.0127 mm and not nearly so."""
    found = _STEP.fullmatch(text)
    size = Decimal(found[1]) if found else Decimal(0)
    if not found or not size:
        raise RefusedError(f"a channel's step is a number above 0 and mm or in, not {text!r}")
    return float(size * MM_PER_INCH if found[2] == "in" else size), found[2]


def to_cpr(text: str) -> int:
    """Counts per crank revolution."""
    cpr = to_u32(text.encode("ascii"))
    need(4 <= cpr <= 1_000_000, "cpr is 4 to 1000000")
    return cpr


def to_yes(text: str, key: str) -> bool:
    """`yes` or `no`."""
    need(text in ("yes", "no"), f"{key} is yes or no")
    return text == "yes"


def to_name(text: str) -> str:
    """A board's name."""
    need(bool(WORD.fullmatch(text)) and len(text) <= 32, "board is at most 32 letters, digits, dots and hyphens")
    return text


def to_keys(fields: Iterable[bytes]) -> dict[str, str]:
    """Fields key=value, each key once."""
    keys: dict[str, str] = {}
    for field in fields:
        key, equals, value = field.decode("ascii").partition("=")
        need(bool(equals) and key not in keys, f"{field.decode('ascii')!r} is no key=value, or its key is there twice")
        keys[key] = value
    return keys
