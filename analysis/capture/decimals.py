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

_Bytes = npt.NDArray[np.uint8]
_Places = npt.NDArray[np.int32]
_Fours = npt.NDArray[np.uint16]

LONGEST: Final = 12  # digits: three fours, and more than 32 bits need
_AHEAD: Final = LONGEST - 4
_ZERO: Final = np.uint8(ord("0"))


def integers(text: bytes, low: Ints, high: Ints, values: Ints) -> bool:
    """Fill `values`, shape (c, n), from `text`: n whole lines, each c integers with single commas between, ended by b"\\n".

    `low` and `high`, shape (c,), are the least and greatest number of each column. False if any line is anything else, or there are
    more or fewer of them: `first_bad` finds it, and `values` hold no meaning.
    """
    columns, rows = values.shape
    raw = np.frombuffer(text, np.uint8)
    separators = np.flatnonzero(raw < ord("-")).astype(np.int32)  # half as wide: half as slow
    if separators.size != rows * columns or not _regular(raw, separators, columns):
        return False
    if not rows:
        return True
    ends = np.ascontiguousarray(separators.reshape(rows, columns).T)
    digit = raw - _ZERO  # what lies below "0" wraps round to far above 9
    is_digit = digit < 10
    digits = int(np.count_nonzero(is_digit))
    fours = _fours(digit, is_digit.view(np.uint8))
    before = np.concatenate([np.array([-1], np.int32), ends[-1, :-1]])  # the separator in front of each field
    minuses = 0
    for value, end, least, greatest in zip(values, ends, low.tolist(), high.tolist(), strict=True):
        length = end - before
        length -= 1
        negative = raw.take(before + 1) == ord("-") if least < 0 else None  # elsewhere a minus is no digit, and found below
        if negative is not None:
            length -= negative
            minuses += int(np.count_nonzero(negative))
        shortest, longest = int(length.min()), int(length.max())
        if shortest < 1 or longest > LONGEST:
            return False
        _spell(fours, end, length, shortest, longest, value)
        if negative is not None:
            np.negative(value, out=value, where=negative)
        if (
            10**longest > (greatest if negative is None else min(greatest, -least))
            and not least <= value.min() <= value.max() <= greatest
        ):
            return False
        before = end
    return digits == raw.size - separators.size - minuses


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


def _regular(raw: _Bytes, separators: _Places, columns: int) -> bool:
    """Whether all are commas, but each `columns`-th a line end, and the text ends with the last."""
    line_ends = separators[columns - 1 :: columns]
    return (
        raw.size == (line_ends[-1] + 1 if line_ends.size else 0)
        and bool((raw.take(line_ends) == ord("\n")).all())
        and np.count_nonzero(raw == ord(",")) == separators.size - line_ends.size
    )


def _fours(digit: _Bytes, is_digit: _Bytes) -> _Fours:
    """Behind each byte that is a digit: the number that it and up to three digits straight before it spell. Changes `digit`.

    What belongs to byte i stands at i + `_AHEAD` + 1, with zeros in front, so that `_spell` can look back.
    """
    digit *= is_digit
    two = digit.copy()
    two[1:] += digit[:-1] * np.uint8(10)
    two *= is_digit
    padded = np.empty(digit.size + _AHEAD + 1, np.uint16)
    padded[: _AHEAD + 1] = 0
    fours = padded[_AHEAD + 1 :]
    fours[:] = two
    fours[2:] += np.multiply(two[:-2] * is_digit[1:-1], 100, dtype=np.uint16)
    return padded


def _spell(fours: _Fours, end: _Places, length: _Places, shortest: int, longest: int, value: Ints) -> None:
    """Put the number of `length` digits before each `end` into `value`."""
    value[:] = fours[_AHEAD:].take(end)
    for place in range(4, longest, 4):
        more = fours[_AHEAD - place :].take(end)
        if shortest <= place:
            more *= length > place
        value += more * np.int64(10**place)
