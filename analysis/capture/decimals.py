"""Rows of decimal integers, as bytes -> arrays.

Arrow's reader of separated values does it, in threads and without the interpreter lock. It is more lenient than the format: blank
lines, other line ends, white space and hexadecimal it would pass over, so whoever feeds it looks for them (`odd_bytes`).
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence

import numpy as np

from analysis.base.samples import Ints

_LOWEST, _HIGHEST = (
    np.uint8(ord(",")),
    np.uint8(ord("9")),
)  # between them also - . / and Arrow refuses what it cannot make sense of


def odd_bytes(text: bytes | memoryview) -> int:
    """How many bytes belong to no field and part none: in plain rows the line ends, one a row."""
    return int(np.count_nonzero(np.frombuffer(text, np.uint8) - _LOWEST > _HIGHEST - _LOWEST))  # what is lower runs over


def integers(rows: io.RawIOBase, signed: Sequence[bool]) -> Ints | None:
    """Int64, shape (c, n), from n lines of c integers of 32 bits, signed or not as `signed` says of each column.

    None if there are none, or if any line is anything else that is not passed over (see above); `is_row` finds it.
    """
    import pyarrow as pa  # here, for it takes a tenth of a second, which only who reads a capture should pay
    from pyarrow import csv

    kinds = {str(i): pa.int32() if of else pa.uint32() for i, of in enumerate(signed)}
    try:
        table = csv.read_csv(
            pa.PythonFile(rows, mode="r"),
            read_options=csv.ReadOptions(column_names=list(kinds)),
            parse_options=csv.ParseOptions(quote_char=False),
            convert_options=csv.ConvertOptions(column_types=kinds, null_values=[]),
        )
    except pa.ArrowInvalid:
        return None
    values = np.empty((len(signed), table.num_rows), np.int64)
    for value, column in zip(values, table.itercolumns(), strict=True):
        np.concatenate([chunk.to_numpy() for chunk in column.iterchunks()], out=value)
    return values


def is_row(line: bytes, signed: Sequence[bool]) -> bool:
    """Whether a line with its line end is what `integers` should read. Slow: for the error message."""
    fields = line.removesuffix(b"\n").split(b",")
    if not line.endswith(b"\n") or len(fields) != len(signed):
        return False
    plain = (re.fullmatch(rb"-?[0-9]{1,12}" if of else rb"[0-9]{1,12}", field) for field, of in zip(fields, signed, strict=True))
    return all(plain) and all(-(of << 31) <= int(field) < 1 << (32 - of) for field, of in zip(fields, signed, strict=True))
