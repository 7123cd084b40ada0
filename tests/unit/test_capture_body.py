"""What stands behind a capture's header; the outside judge of its integers is Python's own int()."""

from __future__ import annotations

import hashlib
import io
import random
import re

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analysis.capture import body
from analysis.capture.body import BadRowError, Body, read_body

SIGNED = (False, True, True)
ROWS = st.lists(st.tuples(st.integers(0, 2**32 - 1), *[st.integers(-(2**31), 2**31 - 1)] * 2), max_size=20)


def read(text: bytes) -> Body:
    return read_body(io.BytesIO(text), b"", SIGNED)


def is_row(line: str) -> bool:
    """The rule in other words."""
    if not re.fullmatch(r"-?[0-9]+,-?[0-9]+,-?[0-9]+", line):
        return False
    seq, *others = (int(field) for field in line.split(","))
    return 0 <= seq < 2**32 and all(-(2**31) <= n < 2**31 for n in others)


def said_of(text: bytes) -> list[list[int]] | int:
    """The rows, or the number of the line that is none."""
    try:
        return np.array(read(text).columns).T.tolist()
    except BadRowError as bad:
        return bad.line


def slowly(text: bytes) -> list[list[int]] | int:
    """The same line by line, field by field; an unfinished line is left out."""
    lines = text.decode("latin1").split("\n")[:-1]
    bad = [i for i, line in enumerate(lines) if not is_row(line)]
    return bad[0] if bad else [[int(field) for field in line.split(",")] for line in lines]


@given(ROWS)
def test_rows_come_back(rows: list[tuple[int, ...]]) -> None:
    columns = read("".join("{},{},{}\n".format(*row) for row in rows).encode()).columns
    assert [column.dtype for column in columns] == [np.int64] * 3
    assert [column.size for column in columns] == [len(rows)] * 3
    assert list(zip(*(column.tolist() for column in columns), strict=True)) == rows


@pytest.mark.parametrize("seed", range(5))
def test_any_bytes_of_the_alphabet_are_read_or_refused_as_by_the_slow_rule(seed: int) -> None:
    rng = random.Random(seed)
    sound = 0
    for _ in range(2000):
        text = bytearray(
            "".join(f"{rng.choice([0, 9, 12345, 4294967295])},{rng.choice([-1, 0, 10 ** rng.randrange(10)])},-77\n" * 2), "ascii"
        )
        for _ in range(rng.randrange(3)):
            text[rng.randrange(len(text))] = rng.choice(b"0123456789--,,\n\n .+_\r\t\v\fxXaefn\"'\x00\xff")
        said = said_of(bytes(text))
        assert said == slowly(bytes(text)), bytes(text)
        sound += isinstance(said, list)
    assert 250 < sound < 1750  # both sides were tried


SHORT_OR_LONG = ["", "1,2", "1,,3", "1,2,3,4"]
NO_NUMBERS = ["1,-,3", "-1,2,3", "1,2147483648,3", "1.0,2,3", "0x1,2,3", " 1,2,3", "1,2,3\r", "+1,2,3", "1_0,2,3", "1,2,1e3"]


@given(st.lists(st.sampled_from(["1,2,3", *SHORT_OR_LONG, *NO_NUMBERS]), min_size=1))
@example(["1,2,3", "1,2,3,4,5,6"])
@example(["1,2", "3,4,5,6"])
@example(["0001,-000000000002,3"])
@example(["4294967296,2,3"])
@example(["4294967295,-2147483648,2147483647"])
@example(["1,-2147483649,3"])
@example(["1,2,18446744073709551617"])
@example(["nan,2,3"])
@example(["1,2,3", "", ""])
def test_what_is_no_row_is_refused_with_its_line(lines: list[str]) -> None:
    text = "".join(f"{line}\n" for line in lines).encode()
    assert said_of(text) == slowly(text)


def test_the_longest_rows_of_all() -> None:
    assert said_of(b"0" * 5000 + b"1,-" + b"0" * 5000 + b"2,3\n") == [[1, -2, 3]]
    assert said_of(b"1,2,3\n1,2," + b"9" * 5000 + b"\n") == 1
    assert said_of(b"1,2,3" * 250_000 + b"\n") == 0


@pytest.mark.parametrize("size", [1, 7, 64, 1 << 20])
def test_in_blocks_of_any_size(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A block may end anywhere; lines may be longer than a block."""
    monkeypatch.setattr(body, "BLOCK", size)
    note = b'# {"mark": {"at": "", "text": "' + b"x" * 100 + b'"}}\n'
    text = b"1,2,3\n" + note + b"4,5,6\n7,8,9\n# {}\n" + b"0,0"
    found = read(text)
    assert np.array(found.columns).T.tolist() == [[1, 2, 3], [4, 5, 6], [7, 8, 9]]
    assert found.notes == ((1, note), (3, b"# {}\n"))
    assert (found.closed, found.unfinished) == (False, 3)
    assert found.sha256 == hashlib.sha256(text).hexdigest()
    assert said_of(text[:-8] + b"\n1,1\n") == 4
    closed = read(b'1,2,3\n# {"end": {}}\n')
    assert closed.closed
    assert closed.sha256 == hashlib.sha256(b"1,2,3\n").hexdigest()
