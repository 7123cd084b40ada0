"""The PIO programs of firmware-notes/rp2040 in rp2040-pio-emulator, an emulator from outside: counts, latches, pulses, bits."""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from types import ModuleType
from typing import Any

import pytest

from tests.firmware.pio_bench import HZ, Levels, Ran, Turned, lines, run, walk
from tests.firmware.rp2040_on_cpython import modules
from tests.left_out import thorough

US = HZ // 1_000_000
LATE = 60  # cycles a counter may take to see a change of its pin, and to look at the lines


@pytest.fixture(scope="module")
def inputs() -> Iterator[Any]:
    """inputs.py among stand-ins for the hardware: here only what takes words apart is used."""
    with modules():
        import inputs  # type: ignore[import-not-found]

        yield inputs


@pytest.fixture(scope="module")
def programs(inputs: Any) -> ModuleType:
    return inputs.programs


def signed(count: int) -> int:
    return (count + (1 << 24)) % (1 << 25) - (1 << 24)


def rocked(seed: int, edges: int) -> list[int]:
    rng, way, steps = random.Random(seed), 1, []
    for _ in range(edges):
        way = -way if rng.random() < 0.1 else way
        steps.append(way)
    return steps


def strobed(until: int, every: int) -> Levels:
    made = Levels()
    for i, cycle in enumerate(range(1000, until, every)):
        made.set(cycle, (i + 1) % 2)
    return made


def test_words_are_those_of_the_datasheet(inputs: Any) -> None:
    """RP2040 datasheet, section 3.2.2: the program that makes a square wave assembles to these words."""
    rp2 = sys.modules[inputs.StateMachine.__module__]
    text = {
        "set('pindirs', 1)": 0xE081,
        "set('pins', 1)[1]": 0xE101,
        "set('pins', 0)": 0xE000,
    }
    for instruction, word in text.items():
        assert rp2.asm_pio_encode(instruction) == word
    # Section 3.4, each instruction's own table of fields.
    more = {
        "wait(1, gpio, 0)": 0x2080,
        "wait(0, pin, 1)": 0x2021,
        "in_(pins, 32)": 0x4000,
        "out(isr, 2)": 0x60C2,
        "push(noblock)": 0x8000,
        "push()": 0x8020,
        "pull()": 0x80A0,
        "mov(pc, osr)": 0xA0A7,
        "mov(y, invert(y))": 0xA04A,
        "mov(y, reverse(y))": 0xA052,
        "irq(rel(0))": 0xC010,
        "nop()": 0xA042,
    }
    for instruction, word in more.items():
        assert rp2.asm_pio_encode(instruction) == word


def test_programs_fit(programs: ModuleType) -> None:
    """The counter fills the memory of one PIO, so that its table stands at 0; the other two share the second."""
    assert len(programs.quadrature.words) == 32
    assert len(programs.strobe.words) + len(programs.gauge.words) <= 32


@pytest.mark.parametrize(("rate", "seed"), [(1_500_000, 3), *thorough((400_000, 1), (1_000_000, 2))])  # edges a second
def test_counts_every_edge(programs: ModuleType, inputs: Any, rate: int, seed: int) -> None:
    turned = walk(rocked(seed, 1000), HZ / rate)
    until = turned.cycles[-1] + 1000
    strobe = strobed(until - 300, 2500)
    ran = run(programs.quadrature, Levels.joined((turned.levels(), 0), (strobe, 2)), until)
    assert ran.last.y_register - (1 << 31) == turned.counts[-1]
    assert ran.irqs == []
    assert len(ran.words) == len(strobe.cycles) - 1
    for (_, word), cycle in zip(ran.words, strobe.cycles[1:], strict=True):
        near = [turned.at(c) for c in range(cycle - LATE, cycle + 5)]
        assert min(near) <= signed(inputs.count_of(word)) <= max(near)
    assert [word >> 2 & 1 for _, word in ran.words] == strobe.pins[1:]


@pytest.mark.parametrize("seed", [3, *thorough(4)])
def test_bounce_adds_nothing(programs: ModuleType, seed: int) -> None:
    """Each edge goes back and forth up to nine times within a microsecond before it stays."""
    rng, turned, cycle = random.Random(seed), Turned(), 200.0
    for step in rocked(seed, 300):
        for i in range(2 * rng.randrange(5) + 1):
            turned.edge(cycle, step if i % 2 == 0 else -step)
            cycle += rng.uniform(5, 25)
        cycle += 500
    ran = run(programs.quadrature, turned.levels(), round(cycle) + 500)
    assert ran.last.y_register - (1 << 31) == turned.counts[-1]
    assert ran.irqs == []


def test_an_illegal_step_is_told(programs: ModuleType) -> None:
    levels = Levels([0, 1000, 2000, 3000], [0b00, 0b11, 0b10, 0b01])
    ran = run(programs.quadrature, levels, 4000)
    assert [c // 1000 for c in ran.irqs] == [1, 3]
    assert all(c % 1000 < 100 for c in ran.irqs)
    assert ran.last.y_register - (1 << 31) == -1  # 11 to 10 is B falling behind A: one down


@pytest.mark.parametrize("rate", [1_000_000, 1_500_000, *thorough(400_000)])
def test_all_counters_tell_the_edge_that_was_waited_for(programs: ModuleType, inputs: Any, rate: int) -> None:
    """The strobe's pin, as its program moves it, goes into the counter of the crank and into that of a scale."""
    crank, scale = walk(rocked(5, 400), HZ / rate), walk(rocked(6, 400), 1.37 * HZ / rate, start=150)
    until, tokens = crank.cycles[-1], []
    for i, cycle in enumerate(range(500, until - 2000, 3000)):
        tokens.append((cycle, (i + 1) % 2 << 1 | 1))
    strobe = run(programs.strobe, crank.levels(), until, tokens=tokens)
    assert [level for _, level in strobe.outputs] == [token >> 1 for _, token in tokens]
    pin = Levels()
    for cycle, level in strobe.outputs:
        pin.set(cycle + 1, level)
    told = run(programs.quadrature, Levels.joined((crank.levels(), 0), (pin, 2)), until + 300).words
    lift = run(programs.quadrature, Levels.joined((scale.levels(), 0), (pin, 2)), until + 300).words
    for (cycle, _), (_, word), (_, other) in zip(tokens, told, lift, strict=True):
        edge = next(i for i, c in enumerate(crank.cycles) if c > cycle + 8)  # the program needs 8 cycles to begin to watch
        behind = crank.cycles[edge]
        near = {crank.at(c) for c in range(behind, behind + (1 if rate <= 1_000_000 else 90))}
        assert signed(inputs.count_of(word)) in near
        assert signed(inputs.count_of(other)) in {scale.at(c) for c in range(behind, behind + 110)}


def test_a_strobe_at_once_needs_no_edge(programs: ModuleType) -> None:
    ran = run(programs.strobe, Levels(), 4000, tokens=[(100, 0b10), (2000, 0b00)])
    assert [(c // 100, level) for c, level in ran.outputs] == [(1, 1), (20, 0)]


class Fed:
    """A state machine that only hands out words."""

    def __init__(self, words: list[int]) -> None:
        self.words = words

    def rx_fifo(self) -> int:
        return min(len(self.words), 7)  # never full

    def get(self) -> int:
        return self.words.pop(0)


def pulses(inputs: Any, ran: Ran, *, whole: bool = True) -> list[int]:
    """What inputs.Index makes of the words."""
    index = inputs.Index.__new__(inputs.Index)
    counter = inputs.Counter.__new__(inputs.Counter)
    counter.count, counter.sm = 0, Fed([word for _, word in ran.words])
    index.counter, index.last, index.rest, index.wide, index.missed, index.turn = counter, None, False, False, 0, 2400
    found = []
    while (pulse := index.pulse(0)) is not None:
        found.append(pulse[1])
    assert not counter.sm.words
    assert index.missed == 0 or not whole
    return found


def gated(turned: Turned, first: int, wide: int, off: int) -> Levels:
    """A pulse that is high while the count is `first` to `first + wide - 1`, its edges `off` cycles behind the crank's."""
    made = Levels()
    for cycle, count in zip(turned.cycles[1:], turned.counts[1:], strict=True):
        high = int(first <= count < first + wide)
        if high != made.pins[-1]:
            made.set(cycle + off, high)
    return made


@pytest.mark.parametrize("off", [-25, 0, 25], ids=["early", "together", "late"])
@pytest.mark.parametrize("wide", [1, 4, *thorough(2)])
@pytest.mark.parametrize("rate", [1_000_000, *thorough(100_000)])
def test_the_pulse_is_told_at_one_place_both_ways(programs: ModuleType, inputs: Any, off: int, wide: int, rate: int) -> None:
    """Up through the pulse, down through it, up again; its edges up to 0.2 us before or after those of A and B."""
    turned = walk([1] * 20 + [-1] * 20 + [1] * 20, HZ / rate)
    z = gated(turned, 9, wide, off)
    ran = run(programs.quadrature, Levels.joined((turned.levels(), 0), (z, 2)), turned.cycles[-1] + 500)
    assert pulses(inputs, ran) == [9, 9, 9]


def test_a_pulse_between_two_edges(programs: ModuleType, inputs: Any) -> None:
    """An encoder that does not gate its pulse: it lies within one count."""
    turned, z = walk([1] * 20 + [-1] * 20, 1000.0), Levels()
    at = turned.cycles[9]
    back = turned.cycles[32]  # the edge from 9 to 8
    for cycle in (at + 300, at + 700, back - 700, back - 300):
        z.set(cycle, 1 - z.pins[-1])
    ran = run(programs.quadrature, Levels.joined((turned.levels(), 0), (z, 2)), turned.cycles[-1] + 500)
    assert pulses(inputs, ran) == [9, 9]


def test_turning_round_within_the_pulse_tells_nothing(programs: ModuleType, inputs: Any) -> None:
    turned = walk([1] * 12 + [-1] * 5 + [1] * 5 + [-1] * 8 + [1] * 10, 2000.0)
    z = gated(turned, 5, 4, 0)
    ran = run(programs.quadrature, Levels.joined((turned.levels(), 0), (z, 2)), turned.cycles[-1] + 500)
    # Up through 5 to 8; from above to 7 and back; down through; up through.
    assert pulses(inputs, ran) == [5, 5, 5]


@pytest.mark.parametrize(("khz", "noise"), [(300, 300), *thorough((20, 40), (80, 200))])
def test_noise_on_the_pin_that_asks_does_not_disturb_the_count(programs: ModuleType, inputs: Any, khz: int, noise: int) -> None:
    """The crank turns at 400,000 edges/s meanwhile. Nobody fetches words here, so that most find no room."""
    period = HZ / khz / 1000
    turned, z = walk([1] * round(noise * period / HZ * 400_000), HZ / 400_000), Levels()
    for i in range(noise):
        z.set(500 + i * period, 1)
        z.set(500 + (i + 0.5) * period, 0)
    levels = Levels.joined((turned.levels(), 0), (z, 2))
    ran = run(programs.quadrature, levels, turned.cycles[-1] + 500, drained=False)
    assert ran.last.y_register - (1 << 31) == turned.counts[-1]
    assert ran.irqs == []
    pulses(inputs, ran, whole=False)  # ends, whatever it finds


def clocked(bits: list[int], start: int, half_us: int = 100) -> Levels:
    """Data and clock, pins 0 and 1, of one frame: data and clock up, then the clock down, where the data are read."""
    levels = Levels([0], [0b11])
    for i, bit in enumerate(bits):
        levels.set(start + 2 * i * half_us, 0b10 | bit)
        levels.set(start + (2 * i + 1) * half_us, bit)
    levels.set(start + 2 * len(bits) * half_us, 0b11)
    return levels


def frames(inputs: Any, ran: Ran) -> list[list[int]]:
    gauge = inputs.ClockedGauge.__new__(inputs.ClockedGauge)
    gauge.sm, gauge.words, gauge.ended, gauge.begun, gauge.first, gauge.before = Fed([w for _, w in ran.words]), [], 0, 0, 0, 0
    found = []
    while (frame := gauge.frame()) is not None:
        found.append(frame[1])
        gauge.begun = gauge.ended + 1
    return found


@pytest.mark.parametrize("length", [1, 24, 25, 52, *thorough(23, 47, 48, 53, 100)])
def test_bits_of_a_gauge(programs: ModuleType, inputs: Any, length: int) -> None:
    """The program runs at 1 MHz: a cycle is a microsecond. Only after a pause a frame ends, and it is told how long it was."""
    rng = random.Random(length)
    bits = [rng.randrange(2) for _ in range(length)]
    levels = clocked(bits, 3000)
    end = levels.cycles[-1]
    ran = run(programs.gauge, levels, end + 12_000, jmp_pin=1, tokens=[(0, inputs.PAUSE_US // 2)])
    assert frames(inputs, ran) == [bits]
    assert len(ran.irqs) == 1
    assert abs(ran.irqs[0] - 3100) <= 3  # the first falling edge
    assert ran.words[-1][0] - end == pytest.approx(inputs.PAUSE_US, rel=0.01)


def test_a_pause_shorter_than_that_ends_no_frame(programs: ModuleType, inputs: Any) -> None:
    one, two = clocked([1, 0] * 6, 1000), clocked([0, 1] * 6, 1000 + 2400 + 8000)
    levels = Levels(one.cycles + two.cycles[1:], one.pins + two.pins[1:])
    ran = run(programs.gauge, levels, levels.cycles[-1] + 12_000, jmp_pin=1, tokens=[(0, inputs.PAUSE_US // 2)])
    assert frames(inputs, ran) == [[1, 0] * 6 + [0, 1] * 6]


def test_a_spurious_edge_makes_one_frame_too_long_and_no_other(programs: ModuleType, inputs: Any) -> None:
    """A pulse of 8 us on the clock in the middle of the first of three frames."""
    bits = [1, 1, 0, 1] * 6
    made = [clocked(bits, 1000 + 40_000 * i) for i in range(3)]
    levels = Levels(made[0].cycles[:21], made[0].pins[:21])
    after = levels.cycles[-1]
    levels.set(after + 30, levels.pins[-1] ^ 0b10)
    levels.set(after + 38, levels.pins[-1] ^ 0b10)
    for part in (made[0].cycles[21:], made[0].pins[21:]), *((m.cycles[1:], m.pins[1:]) for m in made[1:]):
        levels.cycles += part[0]
        levels.pins += part[1]
    ran = run(programs.gauge, levels, levels.cycles[-1] + 12_000, jmp_pin=1, tokens=[(0, inputs.PAUSE_US // 2)])
    found = frames(inputs, ran)
    assert [len(frame) for frame in found] == [25, 24, 24]
    assert found[1:] == [bits, bits]


def test_lines_of_the_bench_are_those_of_the_avr_board() -> None:
    """A ahead of B counts up: 2 A + B goes 0, 2, 3, 1 (reference/core/quadrature.c)."""
    assert [lines(count) for count in range(5)] == [0, 2, 3, 1, 0]
