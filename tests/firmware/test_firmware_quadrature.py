"""Quadrature decoding in the core."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from analysis.base.samples import Board
from tests.firmware.core_on_host import MS, Core

STATES = (0, 2, 3, 1)  # 2A + B, A ahead of B


def last(data: bytes) -> wire.Sample | wire.Heartbeat:
    events = wire.Decoder().feed(HELLO + data)
    return next(e for e in reversed(events) if isinstance(e, wire.Sample | wire.Heartbeat))


HELLO = wire.encode_hello(Board(2400, True, "edge", (0.01,), ("mm",), "bench-a"), 0, 0)


# The four-by-four table as textbooks print it, by old state (rows) and new state (columns) with state = 2A + B and A ahead of B
# positive; X marks the steps of two bits at once, which no quadrature signal can make.
def test_the_table(core: Core) -> None:
    rows = ["0 - + X", "+ 0 X -", "- X 0 +", "X + - 0"]
    meaning = {"0": 0, "+": 1, "-": -1, "X": 2}
    assert list(core.lib.QUAD_STEP) == [meaning[cell] for row in rows for cell in row.split()]


@given(st.lists(st.sampled_from([-1, 1]), max_size=300), st.lists(st.sampled_from([-1, 1]), max_size=300))
def test_counts_are_the_steps(core: Core, crank: list[int], scale: list[int]) -> None:
    core.start()
    at = lift = 0
    for step in crank:
        at += step
        core.lib.t_crank(STATES[at % 4])
    for step in scale:
        lift += step
        core.lib.t_scale(0, STATES[lift % 4])
    beat = last(core.after(200 * MS) or core.after(200 * MS))
    assert (beat.crank, beat.lift, beat.flags) == (at, (lift,), 0)


@given(st.lists(st.sampled_from([-1, 0, 1, 2]), max_size=100))
def test_every_double_step_is_counted_and_flagged(core: Core, steps: list[int]) -> None:
    core.start()
    at = 0
    for step in steps:
        at += step
        core.lib.t_crank(STATES[at % 4])
    sent = core.after(200 * MS) + core.after(200 * MS)
    illegal = steps.count(2)
    assert last(sent).crank == sum(s for s in steps if s != 2)
    assert last(sent).flags == (2 if illegal else 0)
    faults = [e for e in wire.Decoder().feed(HELLO + sent) if isinstance(e, wire.Fault)]
    assert [(f.word, f.number) for f in faults] == ([("crank-step", illegal)] if illegal else [])
