"""Bytes -> integers at once; the outside judge is Python's own int()."""

from __future__ import annotations

import io
import random
import re

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analysis.capture.decimals import is_row
from analysis.capture.stream import RowStream, whole_rows

SIGNED = (False, True, True)
ROWS = st.lists(st.tuples(st.integers(0, 2**32 - 1), *[st.integers(-(2**31), 2**31 - 1)] * 2), max_size=20)


def integers(text: bytes) -> np.ndarray | None:
    return whole_rows(RowStream(io.BytesIO(text), b""), SIGNED)


def slowly(text: bytes) -> list[tuple[int, ...]] | None:
    """The rule in other words: line by line, field by field; an unfinished line is left out."""
    rows = []
    for line in text.split(b"\n")[:-1]:
        if not re.fullmatch(rb"\d{1,12},-?\d{1,12},-?\d{1,12}", line):
            return None
        rows.append(tuple(int(field) for field in line.split(b",")))
        if not (0 <= rows[-1][0] < 2**32 and all(-(2**31) <= n < 2**31 for n in rows[-1][1:])):
            return None
    return rows


@given(ROWS)
def test_rows_come_back(rows: list[tuple[int, ...]]) -> None:
    values = integers("".join("{},{},{}\n".format(*row) for row in rows).encode())
    assert values is not None
    assert values.dtype == np.int64
    assert values.shape == (len(rows), 3)
    assert list(map(tuple, values.tolist())) == rows


@pytest.mark.parametrize("seed", range(5))
def test_any_bytes_of_the_alphabet_are_read_or_refused_as_by_the_slow_rule(seed: int) -> None:
    rng = random.Random(seed)
    read = 0
    for _ in range(4000):
        text = bytearray(
            "".join(f"{rng.choice([0, 9, 12345, 4294967295])},{rng.choice([-1, 0, 10 ** rng.randrange(10)])},-77\n" * 2), "ascii"
        )
        for _ in range(rng.randrange(3)):
            text[rng.randrange(len(text))] = rng.choice(b"0123456789--,,\n\n .+\r\t\v\fxXaefn\"'\x00\xff")
        values, rows = integers(bytes(text)), slowly(bytes(text))
        assert (None if values is None else list(map(tuple, values.tolist()))) == rows, bytes(text)
        assert all(is_row(line, SIGNED) for line in io.BytesIO(bytes(text)) if line.endswith(b"\n")) == (rows is not None)
        read += rows is not None
    assert 500 < read < 3500  # both sides were tried


SHORT_OR_LONG = ["", "1,2", "1,,3", "1,2,3,4"]
NO_NUMBERS = ["1,-,3", "-1,2,3", "1,2147483648,3", "1.0,2,3", "0x1,2,3", " 1,2,3", "1,2,3\r", "+1,2,3"]


@given(st.lists(st.sampled_from(["1,2,3", *SHORT_OR_LONG, *NO_NUMBERS]), min_size=1))
@example(["1,2,3", "1,2,3,4,5,6"])
@example(["1,2", "3,4,5,6"])
@example(["000000000001,-000000000002,3"])
@example(["nan,2,3"])
@example(["1,2,3" * 250_000])
def test_what_is_no_row_is_refused(lines: list[str]) -> None:
    text = "".join(f"{line}\n" for line in lines).encode()
    sound = [re.fullmatch(r"[0-9]{1,12},-?[0-9]{1,12},[0-9]", line) is not None and "2147483648" not in line for line in lines]
    assert [is_row(line, SIGNED) for line in io.BytesIO(text)] == sound
    assert (integers(text) is not None) == all(sound)


@pytest.mark.parametrize("size", [1, 7, 64, 1 << 20])
def test_in_blocks_of_any_size(size: int) -> None:
    """A block may end anywhere; a row that is longer than a block is refused, a note may be of any length."""
    note = b'# {"mark": {"at": "", "text": "' + b"x" * 100 + b'"}}\n'
    text = b"1,2,3\n" + note + b"4,5,6\n7,8,9\n# {}\n" + b"0,0"
    stream = RowStream(io.BytesIO(text), b"")
    taken = b"".join(iter(lambda: stream.read(size), b""))
    if size == 1:
        assert not stream.plain
    else:
        assert taken == b"1,2,3\n4,5,6\n7,8,9\n"
        assert [(n.row, n.line) for n in stream.notes] == [(1, note), (3, b"# {}\n")]
        assert (stream.rows, stream.plain, stream.unfinished, stream.closed) == (3, True, b"0,0", False)
