"""Ways of damaging bytes, drawn from a seeded generator."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

# What readers stumble over: numbers at the edges, names that mean something elsewhere, characters that drive terminals.
ODD: Final = (
    b"", b"0", b"-1", b"1e999", b"nan", b"inf", b"-0", b"9" * 5000, b"2147483648", b"-9223372036854775809", b"18446744073709551616",
    b"true", b"null", b"[]", b"{}", b'"', b"\\", b"\x00", b"\r", b"\n", b"\x1b[2J", b"\xff\xfe", b"\xed\xa0\x80", "\u202e".encode(),
    b"[" * 3000, b"{\"a\":" * 500, b",,,,,,,,,,", b"#",
    b"# {\"end\": {\"rows\": 0, \"sha256\": \"\"}}\n", b"=cmd|' /C calc'!A0", b"../../etc",
)  # fmt: skip


def _flip(data: bytearray, at: int, rng: np.random.Generator) -> None:
    data[at] ^= 1 << int(rng.integers(8))


def _drop(data: bytearray, at: int, rng: np.random.Generator) -> None:
    del data[at : at + int(rng.integers(1, 40))]


def _repeat(data: bytearray, at: int, rng: np.random.Generator) -> None:
    data[at:at] = data[at : at + int(rng.integers(1, 200))]


def _insert(data: bytearray, at: int, rng: np.random.Generator) -> None:
    data[at:at] = ODD[int(rng.integers(len(ODD)))]


def _noise(data: bytearray, at: int, rng: np.random.Generator) -> None:
    data[at:at] = rng.bytes(int(rng.integers(1, 30)))


def _token(data: bytearray, at: int, rng: np.random.Generator) -> None:
    """The number or word at a place becomes an odd one."""
    ends = b',:= \n[]{}"'
    low = high = at
    while low > 0 and data[low - 1] not in ends:
        low -= 1
    while high < len(data) and data[high] not in ends:
        high += 1
    data[low:high] = ODD[int(rng.integers(len(ODD)))]


def _cut(data: bytearray, at: int, _: np.random.Generator) -> None:
    del data[at:]


WAYS: Final[Sequence[Callable[[bytearray, int, np.random.Generator], None]]] = (
    _flip, _flip, _drop, _repeat, _insert, _noise, _token, _token, _token, _cut,
)  # fmt: skip


def damaged(sound: bytes, rng: np.random.Generator) -> bytes:
    """One to four kinds of damage, most of them near the beginning, where headers are."""
    data = bytearray(sound)
    for _ in range(int(rng.integers(1, 5))):
        if not data:
            break
        reach = len(data) if rng.random() < 0.5 else min(len(data), 2000)
        WAYS[int(rng.integers(len(WAYS)))](data, int(rng.integers(reach)), rng)
    return bytes(data)


def rows_changed(sound: bytes, rng: np.random.Generator) -> bytes:
    """A capture whose rows hold other numbers, all of them possible: single ones, a stretch of one column, rows out of order."""
    lines = sound.split(b"\n")
    rows = [k for k, line in enumerate(lines) if line[:1].isdigit()]
    for _ in range(int(rng.integers(1, 6))):
        at, long = int(rng.integers(len(rows))), int(rng.choice([1, 3, 50, 1000]))
        column, by = int(rng.integers(6)), int(rng.choice([-(2**31), -1000, -7, 1, 13, 5000, 2**20, 2**31 - 1]))
        for k in rows[at : at + long]:
            fields = [int(field) for field in lines[k].split(b",")]
            fields[column] = fields[column] + by if rng.random() < 0.7 else by
            lows, highs = (0, 0, -(2**31), 0, 0, -(2**31)), (2**32, 2**32, 2**31, 2**16, 2**32, 2**31)
            lines[k] = b",".join(b"%d" % min(max(f, lo), hi - 1) for f, lo, hi in zip(fields, lows, highs, strict=True))
        if rng.random() < 0.2:
            there = int(rng.integers(len(rows)))
            lines[rows[at]], lines[rows[there]] = lines[rows[there]], lines[rows[at]]
    return b"\n".join(lines)
