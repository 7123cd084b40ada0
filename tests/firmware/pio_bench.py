"""PIO programs in rp2040-pio-emulator: pins by a script of levels, words and interrupts out, with the cycle of each.

The emulator knows neither the IRQ instruction nor pin bases. So an IRQ is noted here and the run goes on behind it, every program's
`in_base` is pin 0, and a program whose only output is `mov(pins, ...)` is read at that instruction.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from pioemu import State, clock_cycles_reached, emulate, emulation, primitive_operations

RP2040 = Path(__file__).parents[2] / "firmware-notes" / "rp2040"
FAKE = Path(__file__).with_name("fake_rp2040")
HZ = 125_000_000  # the processor's clock as MicroPython sets it
UP = [(0, 0), (1, 0), (1, 1), (0, 1)]  # A and B as the count grows
MIDDLE = 1 << 31  # where Y begins, see programs.py


def _replaced(state: State, **changes: Any) -> State:
    """As of dataclasses, without the way through __init__, on which the emulator spends two thirds of its time."""
    made = object.__new__(State)
    made.__dict__.update(state.__dict__, **changes)
    return made


emulation.replace = primitive_operations.replace = _replaced


@dataclass
class Levels:
    """Pins as a function of the cycle: what they are from each cycle on."""

    cycles: list[int] = field(default_factory=lambda: [0])
    pins: list[int] = field(default_factory=lambda: [0])

    def set(self, cycle: float, pins: int) -> None:
        at = round(cycle)
        assert at >= self.cycles[-1]
        self.cycles.append(at)
        self.pins.append(pins)

    def at(self, cycle: int) -> int:
        return self.pins[bisect_right(self.cycles, cycle) - 1]

    @staticmethod
    def joined(*parts: tuple[Levels, int]) -> Levels:
        """Several sets of pins together, each shifted by so many places."""
        made = Levels([], [])
        for cycle in sorted({c for levels, _ in parts for c in levels.cycles}):
            made.cycles.append(cycle)
            made.pins.append(sum(levels.at(cycle) << shift for levels, shift in parts))
        return made


def lines(count: int) -> int:
    """Pins 0 and 1, B and A, at a count."""
    a, b = UP[count % 4]
    return a << 1 | b


@dataclass
class Turned:
    """A crank that was turned: the cycle of each edge, and the count from then on."""

    cycles: list[int] = field(default_factory=lambda: [0])
    counts: list[int] = field(default_factory=lambda: [0])

    def edge(self, cycle: float, step: int) -> None:
        self.cycles.append(round(cycle))
        self.counts.append(self.counts[-1] + step)

    def at(self, cycle: int) -> int:
        return self.counts[bisect_right(self.cycles, cycle) - 1]

    def levels(self) -> Levels:
        return Levels(list(self.cycles), [lines(count) for count in self.counts])


@dataclass
class Ran:
    """Words with the cycle of their push; cycles of interrupts; cycles and levels of `mov(pins, ...)`."""

    words: list[tuple[int, int]] = field(default_factory=list)
    irqs: list[int] = field(default_factory=list)
    outputs: list[tuple[int, int]] = field(default_factory=list)
    last: State = field(default_factory=State)


def run(
    program: Any,
    levels: Levels,
    until: int,
    *,
    jmp_pin: int = 2,
    tokens: Iterable[tuple[int, int]] = (),
    state: State | None = None,
    drained: bool = True,
) -> Ran:
    """Runs to the cycle `until`. `tokens`: cycle and word of what is put into the program's FIFO. `drained`: words are fetched
    at once, else those that found room are given at the end.
    """
    options = program.options
    ran, waiting = Ran(), list(tokens)
    cursor = 0
    now = state or State(y_register=MIDDLE)

    def pins(clock: int) -> int:
        nonlocal cursor
        while cursor + 1 < len(levels.cycles) and levels.cycles[cursor + 1] <= clock:
            cursor += 1
        return levels.pins[cursor]

    pins.__annotations__["clock"] = int  # by which the emulator knows what to pass: not as the string that it is here

    while now.clock < until:
        word = program.words[now.program_counter]
        if word >> 13 == 6:  # IRQ
            ran.irqs.append(now.clock)
            now = replace(now, clock=now.clock + 1, program_counter=now.program_counter + 1)
            continue
        steps = emulate(
            program.words,
            stop_when=clock_cycles_reached(until),
            initial_state=now,
            input_source=pins,
            shift_isr_right=options.get("in_shiftdir", 0) == 1,
            shift_osr_right=options.get("out_shiftdir", 0) == 1,
            auto_push=options.get("autopush", False),
            push_threshold=options.get("push_thresh", 32),
            jmp_pin=jmp_pin,
            wrap_target=program.wrap_target,
            wrap_top=program.wrap,
        )
        for before, now in steps:
            while waiting and waiting[0][0] <= now.clock:
                now.transmit_fifo.append(waiting.pop(0)[1])
            if program.words[before.program_counter] & 0xE0E0 == 0xA000 and now.program_counter != before.program_counter:
                ran.outputs.append((before.clock, now.pin_values & 1))
            if drained and now.receive_fifo:
                ran.words += [(now.clock, w) for w in now.receive_fifo]
                now.receive_fifo.clear()
    if not drained:
        ran.words += [(now.clock, w) for w in now.receive_fifo]
    ran.last = now
    return ran


def walk(steps: Sequence[int], cycles_per_edge: float, start: int = 200) -> Turned:
    """Edges one after the other, as far apart as said."""
    turned = Turned()
    for i, step in enumerate(steps):
        turned.edge(start + i * cycles_per_edge, step)
    return turned
