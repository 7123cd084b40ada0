"""Bytes -> integers at once; the outside judge is Python's own int()."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analysis.capture import decimals
from analysis.capture.decimals import first_bad

LOW, HIGH = np.array([0, -(2**31), -(2**31)]), np.array([2**32 - 1, 2**31 - 1, 2**31 - 1])
ROWS = st.lists(st.tuples(*(st.integers(a, b) for a, b in zip(LOW.tolist(), HIGH.tolist(), strict=True))), max_size=20)


def integers(text: bytes, low: np.ndarray, high: np.ndarray) -> np.ndarray | None:
    values = np.empty((len(low), text.count(b"\n")), np.int64)
    return values if decimals.integers(text, low, high, values) else None


def slowly(text: bytes) -> list[tuple[int, ...]] | None:
    """The rule in other words: line by line, field by field."""
    rows = []
    for line in text.split(b"\n")[:-1]:
        if not re.fullmatch(rb"-?\d{1,12},-?\d{1,12},-?\d{1,12}", line):
            return None
        rows.append(tuple(int(field) for field in line.split(b",")))
        if not all(a <= n <= b for a, n, b in zip(LOW, rows[-1], HIGH, strict=True)):
            return None
    return rows if text.endswith(b"\n") or not text else None


@given(ROWS)
def test_rows_come_back(rows: list[tuple[int, ...]]) -> None:
    values = integers("".join("{},{},{}\n".format(*row) for row in rows).encode(), LOW, HIGH)
    assert values is not None
    assert values.shape == (3, len(rows))
    assert list(zip(*values.tolist(), strict=True)) == rows


@pytest.mark.parametrize("seed", range(5))
def test_any_bytes_of_the_alphabet_are_read_or_refused_as_by_the_slow_rule(seed: int) -> None:
    rng = random.Random(seed)
    read = 0
    for _ in range(4000):
        text = bytearray(
            "".join(f"{rng.choice([0, 9, 12345, 4294967295])},{rng.choice([-1, 0, 10 ** rng.randrange(10)])},-77\n" * 2), "ascii"
        )
        for _ in range(rng.randrange(3)):
            text[rng.randrange(len(text))] = rng.choice(b"0123456789--,,\n\n .+\r#a\x00\xff")
        values, rows = integers(bytes(text), LOW, HIGH), slowly(bytes(text))
        assert (None if values is None else list(zip(*values.tolist(), strict=True))) == rows, bytes(text)
        read += rows is not None
    assert 500 < read < 3500  # both sides were tried


@given(
    st.lists(st.sampled_from(["1,2,3", "1,2", "1,,3", "1,-,3", "-1,2,3", "1,2147483648,3", "", "1,2,3,4", "1.0,2,3"]), min_size=1)
)
@example(["1,2,3", "1,2,3,4,5,6"])
@example(["1,2", "3,4,5,6"])
def test_the_first_bad_line_is_named(lines: list[str]) -> None:
    text = "".join(f"{line}\n" for line in lines).encode()
    bad = next((i for i, line in enumerate(lines) if line != "1,2,3"), None)
    if bad is None:
        assert integers(text, LOW, HIGH) is not None
    else:
        assert integers(text, LOW, HIGH) is None
        assert first_bad(text, LOW, HIGH) == bad
