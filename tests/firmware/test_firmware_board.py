"""The core's main loop as a whole: what it sends is what acquire.wire reads, and its own book-keeping is the reader's."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire import wire
from tests.conftest import EXAMPLES
from tests.firmware.core_on_host import MS, SCALE, Core

STATES = (0, 2, 3, 1)


class Rig:
    """A crank with a gated index pulse at count 3 of 12, and one scale, on the core's pins."""

    def __init__(self, core: Core, channels: int = 1) -> None:
        self.core, self.at, self.lift = core, 0, 0
        self.decoder = wire.Decoder()
        self.events: list[wire.Event] = []
        self.read(core.start(*[SCALE] * channels))

    def read(self, data: bytes) -> None:
        self.events += self.decoder.feed(data)

    def turn(self, steps: int, ticks: int = MS) -> None:
        for _ in range(abs(steps)):
            high = self.at % 12 == 3
            self.at += 1 if steps > 0 else -1
            self.core.lib.t_pass(ticks)
            now = self.at % 12 == 3
            if now != high:  # the index interrupt overtakes that of the crank
                self.core.lib.t_index(now, STATES[self.at % 4])
            self.core.lib.t_crank(STATES[self.at % 4])

    def raise_lift(self, steps: int) -> None:
        for _ in range(abs(steps)):
            self.lift += 1 if steps > 0 else -1
            self.core.lib.t_scale(0, STATES[self.lift % 4])

    def of(self, kind: type) -> list:
        return [e for e in self.events if isinstance(e, kind)]


actions = st.one_of(
    st.tuples(st.just("turn"), st.integers(-40, 40)),
    st.tuples(st.just("lift"), st.integers(-20, 20)),
    st.tuples(st.just("grid"), st.integers(1, 12)),
    st.tuples(st.just("pass"), st.integers(1, 3000)),
    st.tuples(st.just("room"), st.sampled_from([0, 100, 155, 156, 255])),
    st.tuples(st.just("work"), st.just(0)),
    st.tuples(
        st.just("tell"),
        st.sampled_from(
            [b"hello\n", b"zero\n", b"latch time\n", b"latch edge\n", b"rate 7\n", b"what\n", b"\r\n", b"settings\n", b"test\n"]
        ),
    ),
    st.tuples(st.just("jump"), st.just(0)),
)


@settings(max_examples=2 * EXAMPLES)
@given(st.lists(actions, max_size=40), st.integers(1, 2))
def test_whatever_happens_the_reader_understands_and_its_losses_are_the_boards(core: Core, those: list, channels: int) -> None:
    rig = Rig(core, channels)
    jumps = 0
    for what, how in those:
        match what:
            case "turn":
                rig.turn(how)
            case "lift":
                rig.raise_lift(how)
            case "grid":
                for _ in range(how):
                    core.lib.t_grid()
                    rig.turn(1)
            case "pass":
                rig.read(core.after(how * MS))
            case "room":
                core.lib.t_room(how)
            case "work":
                rig.read(core.work())
            case "tell":
                rig.read(core.tell(how))
            case "jump":
                rig.at += 2
                jumps += 1
                core.lib.t_crank(STATES[rig.at % 4])
    core.lib.t_room(255)
    for _ in range(12):
        rig.read(core.after(300 * MS))
    rig.read(core.tell(b"zero\n"))
    rig.turn(5)
    core.lib.t_grid()
    rig.turn(1)
    rig.read(core.tell(b"latch edge\n"))
    rig.read(core.after(1000 * MS))
    rig.read(core.after(200 * MS))

    counters = rig.decoder.counters
    assert (counters.refused, counters.late, counters.restarts) == (0, 0, 0)
    busy = [f.number for f in rig.of(wire.Fault) if f.word == "busy"]
    assert counters.lost == (busy[-1] if busy else 0)
    steps = [f.number for f in rig.of(wire.Fault) if f.word == "crank-step"]
    assert (steps[-1] if steps else 0) == jumps
    last = rig.of(wire.Heartbeat)[-1]
    assert last.crank == 6
    assert last.flags & ~1 == 0  # `zero` has cleared what stays


def test_an_edge_sample_is_the_count_just_taken(any_core: Core) -> None:
    rig = Rig(any_core)
    for _ in range(50):
        any_core.lib.t_grid()
        rig.turn(1)
        rig.read(any_core.work())
        rig.turn(3)
    samples = rig.of(wire.Sample)
    assert [s.crank for s in samples] == [4 * i + 1 for i in range(50)]
    assert all(b.time_us - a.time_us == 4000 for a, b in pairwise(samples))
    assert {s.flags for s in samples} == {0}


def test_dropped_samples_are_numbered_flagged_and_told(core: Core) -> None:
    rig = Rig(core)
    core.lib.t_room(0)
    for _ in range(30):  # the ring holds eight; of three index pulses one waits
        core.lib.t_grid()
        rig.turn(1)
    core.lib.t_room(255)
    rig.read(core.work())
    core.lib.t_grid()
    rig.turn(1)
    rig.read(core.work())
    samples = rig.of(wire.Sample)
    # The two edges at which the index moves are counted in its interrupt and not latched: the next one is.
    assert [s.crank for s in samples] == [1, 2, *range(5, 11), 31]
    assert [s.flags for s in samples] == [1] + [0] * 7 + [1]
    assert rig.decoder.counters.lost == 2 + 16
    rig.read(core.after(1000 * MS))
    assert [f.number for f in rig.of(wire.Fault)][-1] == 18


def test_both_directions_name_one_index(any_core: Core) -> None:
    rig = Rig(any_core)
    for steps in (20, -20, 20, -20):
        rig.turn(steps)
        rig.read(any_core.work())
    assert {i.crank % 12 for i in rig.of(wire.Index)} == {3}
    assert len(rig.of(wire.Index)) >= 4


def test_index_to_index_is_one_turn(any_core: Core) -> None:
    rig = Rig(any_core)
    for _ in range(60):
        rig.turn(1)
        rig.read(any_core.work())
    places = [i.crank for i in rig.of(wire.Index)]
    assert [b - a for a, b in pairwise(places)] == [12] * (len(places) - 1)
    assert len(places) == 5


def test_heartbeats_while_the_crank_stands(core: Core) -> None:
    rig = Rig(core)
    rig.turn(3)
    for _ in range(100):
        rig.raise_lift(-1)
        rig.read(core.after(20 * MS))
    beats = rig.of(wire.Heartbeat)
    assert len(beats) == 9  # the first 200 ms after it was seen to stand
    assert all(b.time_us - a.time_us == 200_000 for a, b in pairwise(beats))
    assert [b.crank for b in beats] == [3] * 9
    assert beats[-1].lift[0] < beats[0].lift[0]


def test_a_rate_so_low_that_no_edge_was_wanted_still_gives_a_frame_a_second(core: Core) -> None:
    rig = Rig(core)
    rig.read(core.tell(b"rate 1\n"))
    for _ in range(500):
        rig.turn(1, ticks=10 * MS)
        rig.read(core.work())
    samples = rig.of(wire.Sample)
    assert [s.flags for s in samples] == [64] * len(samples)  # latched by time
    assert all(b.time_us - a.time_us <= 1_000_000 for a, b in pairwise(samples))
    assert len(samples) == 5


def test_zero_goes_on_counting_time_and_frames(any_core: Core) -> None:
    core, rig = any_core, Rig(any_core)
    rig.turn(7)
    rig.raise_lift(5)
    core.lib.t_grid()
    rig.turn(1)  # waits in the ring while `zero` comes: it is told in the new count
    core.lib.t_receive(b"zero\n", 5)
    rig.read(core.work())
    rig.turn(2)
    rig.read(core.after(200 * MS))
    rig.read(core.after(200 * MS))
    assert [s.crank for s in rig.of(wire.Sample)] == [0]
    assert (rig.of(wire.Heartbeat)[-1].crank, rig.of(wire.Heartbeat)[-1].lift) == (2, (0,))
    assert rig.decoder.counters.restarts == 0


@pytest.mark.parametrize("pause", [0, 300])
def test_zero_twice_while_an_index_waits_is_one_zero(any_core: Core, pause: int) -> None:
    core, rig = any_core, Rig(any_core)
    rig.turn(2)
    rig.read(core.after(200 * MS))
    core.lib.t_room(0)
    rig.turn(6)  # over the index at 3
    core.lib.t_receive(b"zero\n", 5)
    rig.turn(1)
    core.lib.t_receive(b"zero\n", 5)
    core.lib.t_pass(pause * MS)
    core.lib.t_room(255)
    rig.read(core.work())
    rig.turn(2)
    rig.read(core.after(400 * MS) + core.after(400 * MS))
    assert [i.crank for i in rig.of(wire.Index)] == [3 - 9]  # nine counts had been turned when it became 0
    assert rig.of(wire.Heartbeat)[-1].crank == 2
    assert len(rig.of(wire.Hello)) == 3


def test_pulses_that_found_no_room_are_told_without_another_one(core: Core) -> None:
    rig = Rig(core)
    core.lib.t_room(0)
    rig.turn(30)  # at 3, 15 and 27
    core.lib.t_room(255)
    rig.read(core.after(400 * MS) + core.after(400 * MS) + core.after(1000 * MS))
    assert [i.crank for i in rig.of(wire.Index)] == [3]
    assert rig.decoder.counters.lost == 2
    assert [f.number for f in rig.of(wire.Fault) if f.word == "busy"] == [2]
    assert any(s.flags & 1 for s in rig.of(wire.Heartbeat))


@given(st.lists(st.tuples(st.sampled_from(["turn", "lift", "zero", "work"]), st.integers(-200, 200)), max_size=40))
def test_hardware_that_counts_gives_what_interrupts_give(core: Core, any_core: Core, those: list) -> None:
    """Over every run-over of its 16 bits, and through every zero."""
    heard = []
    for which in (core, any_core):
        rig = Rig(which)
        for what, how in those:
            if what == "turn":
                rig.turn(how, ticks=MS // 10)
            elif what == "lift":
                rig.raise_lift(how)
            else:
                rig.read(which.tell(b"zero\n") if what == "zero" else which.work())
        rig.read(which.after(1000 * MS) + which.after(300 * MS))
        heard.append([(e.crank, e.lift) for e in rig.of(wire.Heartbeat)])
    assert heard[0] == heard[1]
    assert heard[0]


def test_two_scales(any_core: Core) -> None:
    core, rig = any_core, Rig(any_core, channels=2)
    rig.raise_lift(4)
    for i in range(1, 8):
        core.lib.t_scale(1, STATES[-i % 4])
    rig.read(core.after(200 * MS))
    rig.read(core.after(200 * MS))
    assert rig.of(wire.Heartbeat)[-1].lift == (4, -7)
    assert rig.of(wire.Hello)[0].board.steps_mm == (0.01, 0.01)


def test_the_counters_run_over_in_twos_complement(any_core: Core) -> None:
    core, rig = any_core, Rig(any_core)
    rig.turn(-1)
    rig.read(core.after(200 * MS))
    rig.read(core.after(200 * MS))
    assert rig.of(wire.Heartbeat)[-1].crank == -1  # from 0 down is 2^32 - 1 inside
