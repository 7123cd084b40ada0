"""Rows of decimal integers, as bytes -> arrays, without a loop over rows.

Method: at every byte at once, the number that the one, two, then four digits ending there spell (bytes and halfwords: cheap);
then, at the end of each field, up to three such fours are put together. numpy lets go of the interpreter lock meanwhile, so that
blocks can be read in several threads.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.samples import Ints

LONGEST: Final = 12  # digits: three fours, and more than 32 bits need
_ZERO: Final = np.uint8(ord("0"))


def integers(text: bytes, low: Ints, high: Ints) -> Ints | None:
    """The integers of `text`: whole lines, each `len(low)` of them with single commas between, ended by b"\\n".

    Returns shape (c, n), int64, one contiguous row of the array per column of the text; `low` and `high`, shape (c,), are the least
    and greatest number of each column. None if any line is anything else: `first_bad` finds it.
    """
    columns = len(low)
    raw = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(raw < ord("-"))  # the separator behind each field
    if not _regular(raw, ends, columns):
        return None
    if not ends.size:
        return np.zeros((columns, 0), np.int64)
    digit = raw - _ZERO  # what lies below "0" wraps round to far above 9
    is_digit = digit < 10
    length = np.diff(ends, prepend=-1) - 1
    negative = raw[ends - length] == ord("-")
    length -= negative
    if length.min() < 1 or length.max() > LONGEST or length.sum() != np.count_nonzero(is_digit):
        return None
    values = _values(_fours(digit, is_digit.view(np.uint8)), ends, length, columns)
    np.negative(values, out=values, where=negative.reshape(-1, columns).T)
    sound = (values.min(axis=1) >= low) & (values.max(axis=1) <= high)
    return values if sound.all() else None


def first_bad(text: bytes, low: Ints, high: Ints) -> int:
    """Index of the first line of `text` that `integers` refuses, or the number of lines. Slow: for the error message."""
    row = re.compile(rb",".join([rb"-?[0-9]{1,%d}" % LONGEST] * len(low)))
    lines = text.split(b"\n")[:-1]
    for i, line in enumerate(lines):
        if not row.fullmatch(line) or not all(
            a <= int(field) <= b for field, a, b in zip(line.split(b","), low, high, strict=True)
        ):
            return i
    return len(lines)


def _regular(raw: npt.NDArray[np.uint8], ends: Ints, columns: int) -> bool:
    """Whether the separators are commas, and a line end in place of each `columns`-th, the last byte among them."""
    rows, rest = divmod(ends.size, columns)
    if rest or raw.size != (ends[-1] + 1 if rows else 0):
        return False
    return bool((raw[ends[columns - 1 :: columns]] == ord("\n")).all()) and np.count_nonzero(raw == ord(",")) == rows * (
        columns - 1
    )


def _fours(digit: npt.NDArray[np.uint8], is_digit: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint16]:
    """At each byte that is a digit: the number that it and up to three digits straight before it spell. Changes `digit`."""
    digit *= is_digit
    two = digit.copy()
    two[1:] += digit[:-1] * np.uint8(10)
    two *= is_digit
    fours = two.astype(np.uint16)
    fours[2:] += np.multiply(two[:-2] * is_digit[1:-1], 100, dtype=np.uint16)
    return fours


def _values(fours: npt.NDArray[np.uint16], ends: Ints, length: Ints, columns: int) -> Ints:
    """The number in front of each of `ends`, of `length` digits, without sign. Shape (columns, n)."""
    values = np.ascontiguousarray(fours[ends - 1].reshape(-1, columns).T, dtype=np.int64)
    ends, length = ends.reshape(-1, columns), length.reshape(-1, columns)
    for column, longest in enumerate(length.max(axis=0)):
        for place in range(4, longest, 4):
            # In the first line this may reach before the text, and so round to its end: then it is multiplied by zero.
            more = fours[ends[:, column] - (place + 1)] * np.int64(10**place)
            more *= length[:, column] > place
            values[column] += more
    return values
