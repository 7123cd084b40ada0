"""What the simulated board answers its owner, and a board whose reset hangs on the port's opening."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire import wire
from acquire.simulator.bench import Bench
from acquire.simulator.board import BenchBoard
from acquire.simulator.encoder import Encoder
from acquire.simulator.indicator import Indicator
from acquire.simulator.rig import Rig, Work

RIG = Rig(work=Work(turns=1.2))
GAUGES = replace(RIG, indicators=(Indicator(), Indicator(per_s=10.0, sign=-1)))


def told(bench: Bench, *lines: bytes, until_s: float = 0.0) -> list[wire.Event]:
    """What the board says to these lines, and then until an instant, as a reader takes it that knows the board."""
    decoder = wire.Decoder()
    decoder.feed(bench.command(b"hello"))
    data = b"".join(bench.command(line) for line in lines)
    while bench.next_s() <= until_s:
        data += bench.take(until_s)
    events = decoder.feed(data) + decoder.finish()
    assert not [e for e in events if isinstance(e, wire.Damage)]  # every number in its place
    return events


def test_settings_are_told_and_what_is_set_is_kept_over_a_new_start() -> None:
    bench = Bench(RIG, [])
    (first,) = told(bench, b"settings")
    assert first == wire.Settings(0, first.time_us, 2400, True, 1, ("scale",), (0.01,), ("mm",), "bench-a")
    bench.take(3.0)
    events = told(bench, b"set cpr 4096", b"set unit 1 in", b"set step 1 0.0005", b"set name b.2", b"set index no", b"settings")
    boots = [(e.board.boot, e.seq) for e in events if isinstance(e, wire.Hello)]
    assert boots == [(58 + i, 0) for i in range(5)]
    assert replace(events[-1], seq=0, time_us=0) == wire.Settings(0, 0, 4096, False, 1, ("scale",), (0.0127,), ("in",), "b.2")
    hello = events[-2].board
    assert (hello.cpr, hello.index, hello.steps_mm, hello.units, hello.name) == (4096, False, (0.0127,), ("in",), "b.2")
    assert hello.boot == 62


@pytest.mark.parametrize("line", [b"set kind 1 bcd", b"set kind 2 scale", b"set channels 2", b"set cpr 3", b"set", b"sets cpr 4"])
def test_what_the_rig_has_not_is_a_fault_and_changes_nothing(line: bytes) -> None:
    bench = Bench(RIG, [])
    fault, settings = told(bench, line, b"settings")
    assert (fault.word, fault.number) == ("command", 2)
    assert settings.kinds == ("scale",)
    assert settings.seq == fault.seq + 1


def test_a_self_test_says_the_levels_the_counts_and_the_gauges_frame() -> None:
    bench = Bench(GAUGES, ["both"])
    tests = [e for e in told(bench, b"hello", b"test", until_s=5.0) if isinstance(e, wire.SelfTest)]
    assert [(t.of, t.kind, [name for name, _ in t.levels]) for t in tests] == [
        ("crank", "", ["a", "b", "z"]),
        ("ch1", "scale", ["a", "b"]),
        ("ch2", "frame24", ["clock", "data"]),
    ]
    seen: dict[int, tuple[int, int]] = {}
    for _ in range(400):
        bench.take(bench.next_s(), 1)
        crank, scale, gauge = (wire.Decoder, *told(bench, b"test")[-3:])[1:]
        seen[crank.count] = (crank.levels[0][1], crank.levels[1][1])
        assert gauge.got == 24
        value = int(gauge.raw[::-1], 16)  # sign in bit 20, below it the magnitude: wire-format.md section 2.8, gauge_24bit.c
        assert (value & 0xFFFF) * (-1 if value >> 20 & 1 else 1) == gauge.count
        assert scale.levels == (("a", (scale.count + 1) >> 1 & 1), ("b", scale.count >> 1 & 1))
    neighbours = [(seen[n], seen[n + 1]) for n in seen if n + 1 in seen]
    assert len(neighbours) > 50
    assert all((a[0] != b[0]) + (a[1] != b[1]) == 1 for a, b in neighbours)  # quadrature: one line changes a count


def test_a_board_that_resets_starts_anew_each_time_its_port_is_opened_but_the_first() -> None:
    for resets in (False, True):
        bench = Bench(replace(RIG, board=BenchBoard(resets=resets), encoder=Encoder(index=False)), ["intake"])
        bench.connected()
        decoder = wire.Decoder()
        events = decoder.feed(bench.command(b"hello") + b"".join(bench.take(6.0) for _ in range(40)))
        turned = events[-1].crank
        assert turned > 100
        bench.connected()
        events = decoder.feed(bench.command(b"hello") + b"".join(bench.take(bench.next_s()) for _ in range(3)))
        hello = next(e for e in events if isinstance(e, wire.Hello))
        assert hello.board.boot == 57 + resets
        assert hello.restarted == resets
        assert (events[-1].crank >= turned) == (not resets)
