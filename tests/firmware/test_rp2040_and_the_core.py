"""Both boards are one to the host: what the RP2040 board's Python makes of settings and readings is what the C core makes of them."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.core_on_host import Core
from tests.firmware.rp2040_on_cpython import Memory, modules

WORDS = [
    "cpr",
    "index",
    "channels",
    "kind",
    "unit",
    "step",
    "name",
    "1",
    "2",
    "3",
    "mm",
    "in",
    "yes",
    "no",
    "scale",
    "bcd",
    "frame24",
    "ascii",
]
NUMBERS = [
    "4",
    "3",
    "0",
    "1000000",
    "1000001",
    "0.005",
    "0.01",
    "0.0001",
    "0.1",
    "0.5",
    "1",
    "10",
    "65535",
    "65536",
    "0.65536",
    "1.",
    ".5",
    "00.5",
    "0.000001",
]
LINES = st.one_of(
    st.lists(st.sampled_from([*WORDS, *NUMBERS, ""]), min_size=1, max_size=4).map(" ".join),
    st.builds("{} {}".format, st.sampled_from(("cpr", "name", "step 1", "step 2")), st.text("0123456789.- abZ", max_size=26)),
)
UNITS = st.tuples(st.booleans(), st.integers(0, 5))  # inch, decimals


@pytest.fixture(scope="module")
def python() -> Iterator[SimpleNamespace]:
    with modules() as here:
        import gauges  # type: ignore[import-not-found]
        import settings  # type: ignore[import-not-found]

        yield SimpleNamespace(board=here.board, gauges=gauges, settings=settings)


@given(lines=st.lists(LINES, min_size=1, max_size=8))
def test_the_same_lines_set_the_same(core: Core, python: SimpleNamespace, lines: list[str]) -> None:
    theirs = core.settings(0, 0, decimals=3, digits=5, channels=1)
    ours = python.settings.Settings("nowhere/")
    link = Memory()
    board = SimpleNamespace(settings=ours, send=lambda *fields: link.write(",".join(map(str, fields)).encode()))
    for line in lines:
        assert ours.set(line) == bool(core.lib.settings_set(theirs, line.encode())), line
        link.sent = b""
        python.board.Board.say_settings(board, 0)
        said = core.line("frame_settings", 0, 0, theirs).partition(b"*")[0]
        assert link.sent.split(b",")[2:] == said.split(b",")[3:], line


def packed(bits: list[int]) -> bytes:
    return bytes(sum(bit << i for i, bit in enumerate(bits[at : at + 8])) for at in range(0, len(bits), 8))


def digits(value: int, count: int) -> list[int]:
    return [value // 10**i % 10 for i in range(count - 1, -1, -1)]


@given(
    unit=UNITS,
    front=st.sampled_from([[15] * 4, [15, 15, 15, 14]]),
    sign=st.sampled_from([0, 8, 1]),
    value=st.integers(0, 999_999),
    hexadecimal=st.sampled_from([None, *range(6)]),
    decimals=st.integers(0, 6),
    said=st.sampled_from([0, 1, 2]),
)
def test_bcd(
    core: Core,
    python: SimpleNamespace,
    unit: tuple[bool, int],
    front: list[int],
    sign: int,
    value: int,
    hexadecimal: int | None,
    decimals: int,
    said: int,
) -> None:
    number = digits(value, 6)
    if hexadecimal is not None and value % 3 == 0:
        number[hexadecimal] = 11
    bits = [digit >> i & 1 for digit in [*front, sign, *number, decimals, said] for i in range(4)]
    count = core.ffi.new("int32_t *")
    sound = core.lib.gauge_bcd(packed(bits), core.ffi.new("struct unit *", unit), count)
    assert python.gauges.bcd(bits, *unit) == (count[0] if sound else None)


@given(unit=UNITS, bits=st.lists(st.integers(0, 1), min_size=24, max_size=24), spare=st.booleans())
def test_24_bits(core: Core, python: SimpleNamespace, unit: tuple[bool, int], bits: list[int], spare: bool) -> None:
    if not spare:
        bits[16:20] = [0] * 4
        bits[21:23] = [0] * 2
    count = core.ffi.new("int32_t *")
    sound = core.lib.gauge_24bit(packed(bits), core.ffi.new("struct unit *", unit), count)
    assert python.gauges.frame24(bits, *unit) == (count[0] if sound else None)


TEXTS = st.one_of(
    st.text('+-0123456789. mMinchA"', min_size=1, max_size=23),
    st.builds(
        "{}{}{}{}{}".format,
        st.sampled_from(["", " ", "01A"]),
        st.sampled_from(["", "+", "-", "+ ", "-000"]),
        st.decimals(0, 99, places=4, allow_nan=False, allow_infinity=False),
        st.sampled_from(["", " ", "  "]),
        st.sampled_from(["", "mm", "MM", "in", "inch", '"', "??", "mm "]),
    ).filter(lambda line: len(line) < 24),
)


@given(unit=UNITS, line=TEXTS)
def test_text(core: Core, python: SimpleNamespace, unit: tuple[bool, int], line: str) -> None:
    gauge, count = core.ffi.new("struct gauge_line *"), core.ffi.new("int32_t *")
    for byte in line.encode() + b"\r":
        got = core.lib.gauge_ascii(gauge, byte, 0, core.ffi.new("struct unit *", unit), count)
    assert python.gauges.text(line, *unit) == (count[0] if got == 1 else None)  # GAUGE_READING
