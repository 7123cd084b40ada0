"""Noise on every input of the real AVR image, and what happens when it stops working all the same."""

from __future__ import annotations

import subprocess
from itertools import pairwise

import pytest

from acquire import wire
from tests.firmware.emulation import BOARDS, IMAGE, Emulator, Run, Script
from tests.left_out import thorough, typical

GAUGES = {"scale": "scale", "bcd": "bcd 20000 mm 3", "frame24": "frame24 100000 mm", "ascii": "ascii 50000 3"}
CRANK, INDEX = ("B1", "B0"), "D2"
WIRES = {"scale": ("D5 D4", "C1 C0"), "bcd": ("D3 D4", "C0 C1"), "frame24": ("D3 D4", "C0 C1"), "ascii": ("D3", "")}
KHZ, PULSES = (20, 60, 80, 110, 140, 200, 300), 4_000
STACK_LEFT = 256  # bytes between the stack and the data, at the least


def inputs(board: str) -> list[str]:
    wires = [WIRES[kind][channel] for channel, kind in enumerate(board.split("-"))]
    return [*CRANK, INDEX, *" ".join(wires).split()]


def disturbed(board: str, pin: str) -> tuple[Script, list[int]]:
    """Crank and indicators move, but for what is disturbed itself; four bursts, and a `hello` in and after each. Gives what moved."""
    kinds = board.split("-")
    script = Script().say("index 100 1 2400")
    for channel, kind in enumerate(kinds, 1):
        script.say(f"channel {channel} {GAUGES[kind]}")
    ends = [0 if pin in CRANK else 3200, 800, 900][: 1 + len(kinds)]
    for channel, kind in enumerate(kinds):
        if kind == "scale" and pin in WIRES[kind][channel]:
            ends[1 + channel] = 0
    script.knot(0, *[0] * len(ends)).knot(400_000, *[0] * len(ends)).knot(2_300_000, *ends)
    at = 400_000
    for khz in KHZ:
        burst = PULSES * 1000 // khz
        script.say(f"noise {at} {pin} {khz} {PULSES}").say(f"send {at + burst // 2} hello").say(
            f"send {at + burst + 50_000} hello"
        )
        at += burst + 100_000
    return script.say(f"send {at} hello").end(), ends


@pytest.fixture(scope="module")
def stack_bottom(emulator: Emulator) -> int:
    """Where the data end."""
    command = ["avr-nm", str(emulator.folder / f"{IMAGE}.elf")]
    symbols = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    return next(int(line.split()[0], 16) for line in symbols if line.endswith(" _end")) - 0x800000


def steady(run: Run) -> None:
    """Nothing that the line carried was broken, forged or missing without being told."""
    assert run.counters.refused == run.counters.late == run.counters.restarts == 0
    assert run.counters.lost == (run.faults("busy") or [0])[-1]
    assert len({hello.board for hello in run.hellos}) == 1
    assert {hello.board.boot for hello in run.hellos} == {1}
    assert not run.faults("restart")


# Crank and index are read alike on every board.
DISTURBED = [
    (board, pin) for board in BOARDS for pin in inputs(board) if board in ("scale", "bcd-bcd") or pin not in (*CRANK, INDEX)
]

# Crank, index, and a line of each kind of indicator, on boards that have much to do beside.
ONE_OF_A_KIND = [
    ("scale", "B1"),
    ("scale-scale", "C0"),
    ("bcd-bcd", "D2"),
    ("bcd-bcd", "D3"),
    ("frame24-frame24", "C0"),
    ("ascii-scale", "D3"),
]


@pytest.mark.parametrize(("board", "pin"), typical(ONE_OF_A_KIND, DISTURBED))
def test_noise_never_crashes_or_forges(emulator: Emulator, stack_bottom: int, board: str, pin: str) -> None:
    script, ends = disturbed(board, pin)
    run = emulator.run(board, script)
    kinds = board.split("-")
    steady(run)
    assert len(run.hellos) >= 1 + len(KHZ)  # while noise is on A or B a command may be lost, behind it none is
    assert run.injected.stack - stack_bottom >= STACK_LEFT

    last_hello_us = 100_000 + 400_000 + sum(PULSES * 1000 // khz + 100_000 for khz in KHZ)  # as `disturbed` sent it
    assert run.hellos[-1].time_us == pytest.approx(last_hello_us, abs=10_000)  # the clock has lost nothing

    assert run.last.crank == ends[0]
    if pin in CRANK:  # a pulse is one count to and fro
        assert {s.crank for s in run.samples} in ({0, 1}, {0, -1})
        assert run.last.flags & 2
    for channel, kind in enumerate(kinds):
        clock, *_ = WIRES[kind][channel].split()
        told = {s.lift[channel] for s in run.samples}
        if kind == "scale" and pin in WIRES[kind][channel]:
            assert told in ({0, 1}, {0, -1}, {0})
            assert run.last.lift[channel] == 0
            assert run.last.flags & 16 << channel
        elif kind == "scale":
            assert run.last.lift[channel] == ends[1 + channel] or run.last.flags & 16 << channel
        elif pin == clock:
            assert run.faults(f"lift{channel + 1}-bad")
            assert run.last.flags & 16 << channel
            assert run.last.lift[channel] == ends[1 + channel]
            assert told <= set(range(ends[1 + channel] + 1))  # never a reading that was not sent
    if pin == INDEX:
        assert len(run.indexes) < len(KHZ) * PULSES + 2
        assert run.faults("busy")[-1] > 0
        assert any(s.flags & 1 for s in run.samples)
    else:
        assert {i.crank % 2400 for i in run.indexes} <= {100}


@pytest.mark.parametrize(
    ("board", "pin"),
    [("scale", "B1"), ("bcd-bcd", "D3"), *thorough(("scale", "D5"), ("scale-scale", "C0"), ("bcd-bcd", "C0"), ("bcd", "D2"))],
)
def test_noise_without_end_does_not_keep_the_board_from_its_line(emulator: Emulator, board: str, pin: str) -> None:
    """Three seconds are longer than the watchdog waits."""
    script = Script().say("channel 1 scale").knot(0, 0, 0).knot(1000, 0, 0)
    script.say(f"noise 500000 {pin} 300 900000").say("end 4500000")
    run = emulator.run(board, script)
    steady(run)
    told = [s.time_us for s in run.samples]
    assert told[0] < 500_000
    assert max(b - a for a, b in pairwise(told)) < 250_000  # a heartbeat each 200 ms, as ever
    assert told[-1] > 4_300_000  # nor has the clock lost anything
    assert run.last.crank == 0


def test_a_bounce_behind_a_long_rest_is_no_overload(emulator: Emulator) -> None:
    """At one sample a second the processor sleeps for long; two edges 2 us apart then are no sign that it cannot follow."""
    script = Script().say("channel 1 scale").knot(0, 0, 0).knot(1000, 0, 0).say("send 1000 rate 1")
    for i in range(40):
        script.say(f"noise {300_000 + 37_119 * i} B1 250 2")
    run = emulator.run("scale", script.say("end 2500000"))
    assert (run.last.crank, run.last.flags, run.faults("crank-step")) == (0, 0, [])


@pytest.mark.parametrize("board", ["scale", *thorough("bcd-bcd")])
def test_the_watchdog_starts_a_board_that_has_stopped_and_it_says_so(emulator: Emulator, board: str) -> None:
    script = Script().say("channel 1 scale").knot(0, 0, 0).knot(6_000_000, 6000, 0).say("hang 1000000").end(1_000_000)
    run = emulator.run(board, script)
    assert [h.restarted for h in run.hellos] == [False, True]
    assert [h.board.boot for h in run.hellos] == [1, 2]
    assert run.faults("restart") == [1]
    after = run.events[run.events.index(run.hellos[1]) + 1]
    assert isinstance(after, wire.Fault)
    assert after.word == "restart"
    assert run.last.crank == pytest.approx(3000, abs=200)  # two seconds long it stood
    assert run.counters.refused <= 60  # the line that was cut


def test_a_start_by_hand_is_no_restart(emulator: Emulator) -> None:
    script = Script().say("channel 1 scale").knot(0, 0, 0).knot(2_000_000, 4000, 500).say("reset 1000000").end()
    assert not emulator.run("scale", script).faults("restart")
