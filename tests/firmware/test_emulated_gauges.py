"""Gauges that send their reading, on the real AVR image: the readings arrive, with their age, and silence and damage are told."""

from __future__ import annotations

import numpy as np
import pytest

from acquire import wire
from tests.firmware.emulation import Emulator, Run, Script
from tests.left_out import thorough

KINDS = {
    "bcd": ("bcd 20000 mm 3", 20_000),  # request to first bit
    "frame24": ("frame24 100000 mm", 0),
    "ascii": ("ascii 50000 3", 0),
}


def rising(kind: str, peak: int) -> Script:
    """The lift stands for a second, rises to `peak` counts in two seconds with the crank, and stands again."""
    made = Script().say(f"channel 1 {KINDS[kind][0]}")
    return made.knot(0, 0, -200).knot(1_000_000, 0, -200).knot(3_000_000, 2000, peak)


@pytest.mark.parametrize(("kind", "peak"), [("bcd", 9_753), ("frame24", 1_500), ("ascii", 9_753)])
def test_the_reading_arrives(emulator: Emulator, kind: str, peak: int) -> None:
    run = emulator.run(kind, rising(kind, peak).end(1_500_000))
    assert {s.lift for s in run.samples if 400_000 < s.time_us < 1_000_000} == {(-200,)}
    assert run.last.lift == (peak,)
    assert run.last.crank == 2000
    assert {s.flags for s in run.samples if s.time_us > 1_000_000} == {0}
    assert run.counters.refused == run.counters.lost == 0
    assert run.injected.readings[0] > 15


@pytest.mark.parametrize(("kind", "peak"), [("bcd", 9_000), *thorough(("frame24", 1_500), ("ascii", 9_000))])
def test_the_age_says_when_the_reading_was_taken(emulator: Emulator, kind: str, peak: int) -> None:
    """A lift that rises at a known speed tells from each reading when it was true: the gauge's latency before its first bit."""
    run = emulator.run(kind, rising(kind, peak).end())
    start = next(s.time_us for s in run.samples if s.crank > 0) - 500  # half a count after the crank began
    moving = [s for s in run.samples if isinstance(s, wire.Sample) and -200 < s.lift[0] < peak]
    true_us = np.array([start + (s.lift[0] + 200) / (peak + 200) * 2e6 for s in moving])
    first_bit = np.array([s.time_us - s.age_us[0] for s in moving])
    latency = first_bit - true_us
    count_us = 2e6 / (peak + 200)
    assert latency.mean() == pytest.approx(KINDS[kind][1], abs=300 + count_us / 2)
    assert latency.std() < 200 + count_us


def test_a_slow_gauge_repeats_its_reading_with_a_growing_age(emulator: Emulator) -> None:
    run = emulator.run("frame24", rising("frame24", 1_500).end())
    samples = [s for s in run.samples if isinstance(s, wire.Sample)]
    ages = np.array([s.age_us[0] for s in samples])
    lifts = np.array([s.lift[0] for s in samples])
    same = (lifts[1:] == lifts[:-1]) & (lifts[1:] > -200)  # where it moves, each reading is another
    assert same.sum() > 300
    assert (np.diff(ages)[same] > 0).all()
    assert ages.max() < 116_000  # a period, a frame, and the pause behind it


@pytest.mark.parametrize("kind", ["bcd", *thorough("frame24", "ascii")])
def test_silence(emulator: Emulator, kind: str) -> None:
    made = rising(kind, 1_500).say("hush 1500000 1").say("speak 5000000 1").end(5_000_000)
    run = emulator.run(kind, made)
    silent = [s for s in run.samples if s.flags & 4 and s.time_us > 1_000_000]
    assert min(s.age_us[0] for s in silent) > 1_000_000
    assert len({s.lift for s in silent}) == 1
    assert 2 <= len(run.faults("lift1-silent")) <= 4
    assert (run.last.lift, run.last.flags) == ((1_500,), 0)


@pytest.mark.parametrize("kind", ["frame24", "ascii", *thorough("bcd")])
def test_damage(emulator: Emulator, kind: str) -> None:
    run = emulator.run(kind, rising(kind, 1_500).say("spoil 1500000 1").say("spoil 2500000 1").end(1_500_000))
    assert run.faults("lift1-bad")[-1] == 2
    assert (run.last.lift, run.last.flags) == ((1_500,), 16)
    lifts = [s.lift[0] for s in run.samples]
    assert lifts == sorted(
        lifts, key=lambda lift: (lift != 0, lift)
    )  # never a wrong one in between: 0 before the first, then rising


def test_two_gauges(emulator: Emulator) -> None:
    made = Script().say("channel 1 bcd 15000 mm 3").say("channel 2 bcd 40000 mm 3")
    run = emulator.run("bcd-bcd", made.knot(0, 0, 0, 0).knot(2_000_000, 1000, 5_000, -7_000).end())
    assert run.last.lift == (5_000, -7_000)
    assert run.last.flags == 0


def test_crank_edges_are_not_lost_to_a_gauge(emulator: Emulator) -> None:
    for kind in KINDS:
        made = Script().say("index 5 1 2400").say(f"channel 1 {KINDS[kind][0]}")
        run: Run = emulator.run(kind, made.knot(0, 0, 0).knot(1_000_000, 70_000, 1_000).end())
        assert run.last.crank == 70_000
        assert run.last.lift == (1_000,)
        assert {s.flags & ~4 for s in run.samples} == {0}
