"""The board's clock: half-microsecond ticks of 32 bits -> microseconds of 32 bits, over every run-over of either."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.core_on_host import Core


@given(st.integers(0, 2**31 - 1), st.lists(st.integers(-(2**20), 2**31 - 2**21), max_size=60))
def test_microseconds(core: Core, first: int, steps: list[int]) -> None:
    clock, at = core.ffi.new("struct clock *"), first
    for step in [0, *steps]:
        at = max(0, at + step)
        assert core.lib.clock_us(clock, at % 2**32) == at // 2 % 2**32
