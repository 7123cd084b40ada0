"""The real AVR image in the emulator: what it counted is what was injected, edge by edge."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest

from acquire import wire
from tests.firmware.emulation import INDEX_DOWN, INDEX_UP, Emulator, Script, latched
from tests.left_out import thorough

CPR = 2400


def script(seconds: float, *per_s: float, rng: random.Random | None = None) -> Script:
    """Crank and scales at so many edges a second, with an index pulse one count wide."""
    made = Script().say(f"index 100 1 {CPR}").say("channel 1 scale")
    if len(per_s) > 2:
        made.say("channel 2 scale")
    return made.turn(seconds, *per_s, rng=rng).end()


@pytest.mark.parametrize(
    ("seed", "crank", "lift"),
    [
        (4, 70_000, 17_500),
        (6, 80_000, 0),
        *thorough((1, 1_000, 250), (2, 20_000, 5_000), (3, 40_000, 10_000), (5, 70_000, 17_500), (7, 80_000, 0)),
    ],
)
def test_no_edge_is_lost(emulator: Emulator, seed: int, crank: int, lift: int) -> None:
    run = emulator.run("scale", script(1, crank, lift, rng=random.Random(seed)))
    assert (run.last.crank, run.last.lift[0]) == tuple(run.injected.count[:2])
    assert run.injected.edges[0] > 0.99 * crank
    assert run.counters.refused == 0
    assert {s.flags for s in run.samples} == {0}
    assert run.counters.lost == 0
    assert len([s for s in run.samples if isinstance(s, wire.Sample)]) == pytest.approx(200, rel=0.03)


@pytest.mark.parametrize(
    ("seed", "crank", "lift"), [(8, 70_000, 17_500), (52, 80_000, 0), *thorough((9, 70_000, 17_500), (10, 80_000, 0))]
)
def test_no_edge_is_lost_where_samples_are_taken_by_time(emulator: Emulator, seed: int, crank: int, lift: int) -> None:
    timed = script(2, crank, lift, rng=random.Random(seed)).say("send 100 latch time")
    run = emulator.run("scale", timed)
    assert (run.last.crank, run.last.lift[0]) == tuple(run.injected.count[:2])
    assert run.injected.edges[0] > 1.9 * crank
    assert run.hellos[-1].board.latch == "time"
    assert run.counters.lost == 0
    assert not {s.flags & 0b10011 for s in run.samples} - {0}, "no sample says that a count may be wrong"


@pytest.mark.parametrize(("seed", "crank", "lift"), [(13, 70_000, 17_500), *thorough((11, 5_000, 1_250), (12, 30_000, 7_500))])
def test_each_sample_is_one_edge_and_the_lift_of_that_instant(emulator: Emulator, seed: int, crank: int, lift: int) -> None:
    found = latched(emulator.run("scale", script(2, crank, lift, rng=random.Random(seed))))
    assert found.skew.size > 300
    assert np.abs(found.skew).max() <= 10  # what wiring and timing notes promise
    assert found.clock.max() <= 20


@pytest.mark.parametrize(
    ("seed", "crank"), [(21, 130_000), (25, 400_000), *thorough((22, 140_000), (23, 170_000), (24, 250_000))]
)
def test_beyond_the_limit_every_loss_is_flagged(emulator: Emulator, seed: int, crank: int) -> None:
    run = emulator.run("scale", script(0.3, crank, 0, rng=random.Random(seed)))
    assert run.last.crank != run.injected.count[0], "this rate was meant to be too much"
    assert run.last.flags & 2
    assert run.faults("crank-step")
    assert run.counters.refused == 0


@pytest.mark.parametrize("seed", [31, 32, 33, *thorough(*range(34, 39))])
def test_a_wrong_count_is_never_without_its_flag(emulator: Emulator, seed: int) -> None:
    rng = random.Random(seed)
    run = emulator.run("scale", script(0.3, rng.uniform(70_000, 150_000), rng.uniform(0, 80_000), rng=rng))
    assert run.last.crank == run.injected.count[0] or run.last.flags & 2
    assert run.last.lift[0] == run.injected.count[1] or run.last.flags & 16


def test_two_scales(emulator: Emulator) -> None:
    run = emulator.run("scale-scale", script(2, 20_000, 5_000, 4_000, rng=random.Random(41)))
    assert (run.last.crank, *run.last.lift) == tuple(run.injected.count)
    assert {s.flags for s in run.samples} == {0}


@pytest.mark.parametrize("image", ["scale-scale", "bcd-bcd", "frame24", "ascii", *thorough("scale", "bcd")])
def test_what_the_image_says_it_is(emulator: Emulator, image: str) -> None:
    board = emulator.run(image, Script().knot(0, 0).knot(1, 0).end(1000)).hellos[0].board
    step = {"scale": 0.005, "bcd": 0.001, "frame24": 0.01, "ascii": 0.001}
    assert board.steps_mm == tuple(step[kind] for kind in image.split("-"))
    assert (board.cpr, board.index, board.latch, board.rate, board.boot) == (CPR, True, "edge", 200, 1)


def test_index_pulses(emulator: Emulator) -> None:
    run = emulator.run("scale", script(1, 24_000, 0))
    assert len(run.indexes) == run.injected.pulses == 10
    assert {i.crank % CPR for i in run.indexes} == {100}
    assert all(b.crank - a.crank == CPR for a, b in pairwise(run.indexes))


@pytest.mark.parametrize(("position", "width"), [(100, 3), (2399, 1), *thorough((100, 1), (-7, 2))])
def test_both_directions_name_one_index(emulator: Emulator, position: int, width: int) -> None:
    made = Script().say(f"index {position} {width} {CPR}").say("channel 1 scale")
    made.knot(0, 0).knot(500_000, 5000).knot(1_000_000, -3000).knot(1_500_000, 4000).end()
    run = emulator.run("scale", made)
    assert {i.crank % CPR for i in run.indexes} == {position % CPR}
    ups, downs = run.edges_of(INDEX_UP)[0].size, run.edges_of(INDEX_DOWN)[0].size
    assert len(run.indexes) == (ups + downs) / 2


def test_starting_on_any_state_counts_nothing(emulator: Emulator) -> None:
    for start in range(4):
        made = Script().say("channel 1 scale").knot(0, start, start).knot(100_000, start + 10, start - 10).end()
        run = emulator.run("scale", made)
        assert (run.last.crank, run.last.lift, run.last.flags) == (10, (-10,), 0)


def test_two_edges_at_once_are_flagged_until_zero(emulator: Emulator) -> None:
    made = Script().say("channel 1 scale").knot(0, 0, 0).knot(500_000, 400, 100)
    made.say("jump 100000 0").say("jump 200000 1").say("send 700000 zero").end(1_500_000)
    run = emulator.run("scale", made)
    assert run.faults("crank-step") == [1]
    assert run.faults("lift1-step") == [1]
    zeroed = run.hellos[-1].time_us
    assert {s.flags for s in run.samples if s.time_us > zeroed} == {0}
    assert {s.crank for s in run.samples if s.time_us > zeroed} == {0}
    assert [s.flags for s in run.samples if s.time_us < zeroed][-1] == 2 | 16


def test_latched_by_time(emulator: Emulator) -> None:
    made = Script().say("channel 1 scale").knot(0, 0, 0).knot(1_000_000, 0, 0).knot(2_000_000, 8000, 2000)
    run = emulator.run("scale", made.say("send 100000 latch time").say("send 300000 rate 250").end())
    assert [h.board.latch for h in run.hellos] == ["edge", "time", "time"]
    assert [h.board.rate for h in run.hellos] == [200, 200, 250]
    samples = [s for s in run.samples if s.time_us > run.hellos[-1].time_us]
    steps = {b.time_us - a.time_us for a, b in pairwise(samples)}
    assert max(steps) - min(steps) <= 12  # an interrupt's delay
    assert sum(b.time_us - a.time_us for a, b in pairwise(samples)) / (len(samples) - 1) == pytest.approx(4000, abs=0.1)
    assert {s.flags for s in run.samples} == {0}
    assert (run.last.crank, run.last.lift[0]) == (8000, 2000)


def test_more_than_the_line_carries_is_dropped_whole_and_told(emulator: Emulator) -> None:
    made = Script().say("channel 1 scale").turn(2, 40_000, -10_000)
    run = emulator.run("scale", made.say("send 1000 rate 5000").end())
    assert run.hellos[-1].board.rate == 384
    sent = len([s for s in run.samples if isinstance(s, wire.Sample)])
    assert run.counters.refused == 0
    assert run.counters.lost == (run.faults("busy") or [0])[-1]
    flagged = [s for s in run.samples if s.flags & 1]
    assert sent + run.counters.lost == pytest.approx(2 * 384, rel=0.02)
    assert flagged
    assert run.counters.lost > 50
    assert (run.last.crank, run.last.lift[0]) == (80_000, -20_000)


def test_a_board_that_starts_anew_says_so(emulator: Emulator) -> None:
    made = Script().say("channel 1 scale").knot(0, 0, 0).knot(2_000_000, 4000, 500).say("reset 1000000").end()
    run = emulator.run("scale", made)
    assert [h.restarted for h in run.hellos] == [False, True]
    assert [h.board.boot for h in run.hellos] == [1, 2]
    assert run.last.crank == pytest.approx(2000, abs=60)  # from 0 again, less what turned while it was starting
    assert run.last.flags == 0


def test_the_boot_number_survives_a_power_cycle(emulator: Emulator) -> None:
    memory = emulator.folder / "memory.eeprom"
    memory.unlink(missing_ok=True)
    still = Script().knot(0, 0).knot(1, 0).end(1000)
    assert [emulator.run("scale", still, eeprom=memory).hellos[0].board.boot for _ in range(3)] == [1, 2, 3]


def test_commands_cost_no_count(emulator: Emulator) -> None:
    made = script(1, 70_000, 17_500, rng=random.Random(51))
    for i, command in enumerate(["hello", "rate 300", "what", "latch time", "latch edge", "rate 10", "rate 200", "hello"]):
        made.say(f"send {50_000 + 100_000 * i} {command}")
    run = emulator.run("scale", made)
    assert len(run.hellos) == 8
    assert (run.last.crank, run.last.lift[0], run.last.flags) == (*run.injected.count[:2], 0)


def test_zero_costs_no_count(emulator: Emulator) -> None:
    made = Script().say("channel 1 scale").turn(1, 60_000, 15_000)
    run = emulator.run("scale", made.say("send 500000 zero").end())
    zeroed = next(s for s in run.samples if s.time_us > run.hellos[1].time_us)
    assert zeroed.crank < 1000
    assert (run.last.crank / 60_000 + zeroed.time_us / 1e6 - zeroed.crank / 60_000) == pytest.approx(1.1, abs=0.002)
    assert run.last.lift[0] == pytest.approx(run.last.crank / 4, abs=1)
    assert run.last.flags == 0


def test_garbage_from_the_host_is_a_fault_and_no_more(emulator: Emulator) -> None:
    made = Script().say("channel 1 scale").knot(0, 0, 0).knot(500_000, 1000, 0)
    run = emulator.run("scale", made.say("send 100000 start now").say("send 200000 hello").end())
    assert run.faults("command") == [1]
    assert len(run.hellos) == 2
    assert run.last.crank == 1000
