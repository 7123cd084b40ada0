"""The RP2040 board's program, run by CPython on a rig of software: frames, commands, settings, gauges, dropped frames."""

from __future__ import annotations

import itertools
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from acquire import wire
from tests.firmware.rp2040_on_cpython import modules
from tests.firmware.rp2040_scripts import GAUGES, SCRIPTS, SECOND, Script
from tests.firmware.sent import Sent

LOOK = 700  # microseconds within which the board, looking every 100, notices


@dataclass(frozen=True)
class Played(Sent):
    """What the board sent, and its bytes."""

    sent: bytes

    def lines(self, kind: str) -> list[dict[str, str]]:
        """Key and value of each line of a kind that has them."""
        found = [line.split("*")[0].split(",") for line in self.sent.decode().split("\n") if line.startswith(kind + ",")]
        return [dict(field.split("=") for field in fields if "=" in field) for fields in found]


Play = Callable[[Script], Played]
PlayOf = Callable[[str], Played]


def play_in(folder: Path, script: Script) -> Played:
    """To a board whose memory is this folder."""
    with modules():
        from played import played  # type: ignore[import-not-found]

        sent = played(json.loads(json.dumps(script)), f"{folder}{os.sep}")
    assert not (folder / "crash.txt").exists(), (folder / "crash.txt").read_text()
    decoder = wire.Decoder()
    events = decoder.feed(sent) + decoder.finish()
    return Played(events, decoder.counters, sent)


@pytest.fixture
def play(tmp_path: Path) -> Play:
    """Plays a script to a board. Its settings are kept from one script to the next."""
    return lambda script: play_in(tmp_path, script)


@pytest.fixture(scope="module")
def play_of(tmp_path_factory: pytest.TempPathFactory) -> PlayOf:
    """Plays one of the scripts to a new board; the same every time, so once."""
    return cache(lambda name: play_in(tmp_path_factory.mktemp("board"), SCRIPTS[name]))


@pytest.mark.parametrize("name", SCRIPTS)
def test_every_line_is_sound(play_of: PlayOf, name: str) -> None:
    ran = play_of(name)
    assert ran.sent.startswith(b"\nH,1.1,0,")
    assert ran.counters.refused <= 1 + ran.sent.count(b"\n\n")  # the empty line in front of a first hello
    assert max(len(line) for line in ran.sent.split(b"\n")) <= 155


def test_samples_are_latched_at_an_edge_with_the_scale(play_of: PlayOf) -> None:
    script = SCRIPTS["turning"]
    ran = play_of("turning")
    (us, count), (lift_us, lift) = script["signals"]["crank"], script["signals"]["ch1"]
    edges = [s for s in ran.events if isinstance(s, wire.Sample)]
    assert len(edges) == pytest.approx(3.2 * 200, abs=60)
    for sample in edges:
        at = max(i for i, t in enumerate(us) if t <= sample.time_us)
        while count[at] != sample.crank:
            at -= 1
        assert sample.time_us - us[at] < LOOK
        assert sample.lift == (lift[max(i for i, t in enumerate(lift_us) if t <= us[at])],)
        assert sample.flags == 0
    assert (ran.samples[-1].crank, ran.samples[-1].lift) == (count[-1], (lift[-1],))


def test_a_heartbeat_every_200_ms_at_rest(play_of: PlayOf) -> None:
    beats = [e.time_us for e in play_of("turning").events if isinstance(e, wire.Heartbeat)]
    before = [t for t in beats if t < SECOND]
    assert len(before) == 4
    assert all(b - a == pytest.approx(200_000, abs=LOOK) for a, b in itertools.pairwise(before))


def test_the_pulse_is_told_at_one_place_both_ways(play_of: PlayOf) -> None:
    ran = play_of("turning")
    assert [i.crank for i in ran.indexes] == [3500, 3500]


def test_a_pulse_in_which_the_crank_rests_is_told_as_it_leaves(play: Play) -> None:
    crank = ([0, 300_000, 301_000, 302_000, 3_000_000, 3_001_000], [0, 1, 2, 3, 4, 5])
    ran = play({"signals": {"crank": crank}, "pulses": [(302_000, 1), (3_000_000, 0)], "until": 3_100_000})
    assert [i.crank for i in ran.indexes] == [3]
    newest = max(s.time_us for s in ran.samples)
    assert newest - ran.indexes[0].time_us < SECOND  # wire-format.md section 2


def test_an_active_low_pulse_names_one_place_too(play: Play) -> None:
    """As on the reference board: the rising edge going up, the falling one going down. Low from 100 to 102 and again a turn later."""
    us = [0] + [300_000 + 500 * i for i in range(1300)]
    counts = [0, *range(1, 651), *range(649, -1, -1)]
    pulses = [(0, 1)]
    for at, count in zip(us, counts, strict=True):
        level = int((count - 100) % 400 > 2)
        if level != pulses[-1][1]:
            pulses.append((at, level))
    ran = play(
        {
            "signals": {"crank": (us, counts)},
            "pulses": pulses[1:],
            "rest": 1,
            "say": [(1000, "set cpr 400\n")],
            "until": 1_100_000,
        }
    )
    assert [i.crank for i in ran.indexes] == [103, 503, 503, 103]


def test_commands(play_of: PlayOf) -> None:
    ran = play_of("commands")
    assert [h.board.latch for h in ran.hellos] == ["edge", "edge", "edge", "edge", "time", "time", "edge", "edge"]
    assert [h.board.rate for h in ran.hellos][-4:] == [200, 50, 50, 500]
    assert ran.faults("command")[-1] == 16  # the last of seven, and there were 18 lines
    assert len(ran.lines("C")) == 1
    assert [t["of"] for t in ran.lines("T")] == ["crank", "ch1"]
    assert ran.lines("C")[0] == {
        "cpr": "2400",
        "index": "yes",
        "channels": "1",
        "kind1": "scale",
        "step1": "0.005mm",
        "kind2": "scale",
        "step2": "0.005mm",
        "board": "bench-a",
    }


def test_zero(play_of: PlayOf) -> None:
    ran = play_of("commands")
    order = [e for e in ran.events if isinstance(e, wire.Sample | wire.Index | wire.Hello)]
    zeros = [i for i, e in enumerate(order) if isinstance(e, wire.Hello)][2:4]
    before, behind = order[zeros[0] - 1], next(e for e in order[zeros[1] :] if isinstance(e, wire.Sample))
    assert isinstance(before, wire.Sample)
    assert before.crank == pytest.approx(501, abs=6)
    assert behind.crank == pytest.approx(0, abs=6)
    assert behind.lift[0] == pytest.approx(0, abs=2)
    last = ran.samples[-1]
    assert last.crank == pytest.approx(2000 - 502, abs=8)
    # The pulse at 500 waited as zero came: it has the counts of before it, or of behind it.
    assert ran.indexes[0].crank in (500, last.crank + 500 - 2000)
    assert ran.indexes[1].crank == last.crank - 1000


def test_a_rate_in_time(play_of: PlayOf) -> None:
    ran = play_of("commands")
    timed = [s.time_us for s in ran.samples if 1_650_000 < s.time_us < 2_300_000]
    assert all(b - a == pytest.approx(20_000, abs=LOOK) for a, b in itertools.pairwise(timed))


def test_settings_are_checked_kept_and_begin_anew(play: Play) -> None:
    ran = play(SCRIPTS["settings"])
    last = ran.lines("C")[-1]
    assert last == {
        "cpr": "10000",
        "index": "no",
        "channels": "2",
        "kind1": "scale",
        "step1": "0.00250mm",
        "kind2": "frame24",
        "step2": "0.0001in",
        "board": "bench-7.b",
    }
    taken = 8  # cpr, index, channels, kind 2, step 2 0.001, unit 2, step 1, name
    assert [h.board.boot for h in ran.hellos] == list(range(1, taken + 2))
    bad = [e for e in ran.events if isinstance(e, wire.Fault) and e.word == "command"]
    assert len(bad) >= 5  # at most one a second
    again = play({"signals": {}, "say": [(1000, "settings\n")], "until": 100_000})
    assert again.lines("C") == [last]
    (hello,) = again.hellos
    assert hello.board.units == ("mm", "in")
    assert hello.board.steps_mm == pytest.approx((0.0025, 0.00254))
    assert hello.board.boot == taken + 2


@pytest.mark.parametrize("at", [0, 20, -1])
def test_damaged_settings_are_told(play: Play, tmp_path: Path, at: int) -> None:
    play({"signals": {}, "say": [(1000, "set cpr 5000\n")], "until": 100_000})
    path = tmp_path / "settings.txt"
    data = bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(bytes(data))
    ran = play({"signals": {}, "until": 100_000})
    assert ran.hellos[0].board.cpr == 2400
    assert ran.faults("settings") == [1]


@pytest.mark.parametrize("kind", GAUGES)
def test_a_gauge(play_of: PlayOf, kind: str) -> None:
    """Readings arrive with their age; a spoiled one is refused; silence is told, and ends."""
    ran = play_of(kind)
    calm = [s for s in ran.samples if 400_000 < s.time_us < SECOND]
    assert {s.lift for s in calm} == {(-200,)}
    assert ran.samples[-1].lift == (1500,)
    assert ran.samples[-1].flags == 16  # the spoiled one
    assert ran.faults("lift1-bad") == [1]
    silent = [s for s in ran.samples if s.flags & 4 and s.time_us > SECOND]
    assert min(s.age_us[0] for s in silent) > SECOND
    assert 1 <= len(ran.faults("lift1-silent")) <= 3
    lifts = [s.lift[0] for s in ran.samples if not s.flags & 4]
    assert lifts == sorted(lifts)
    (crank, channel) = ran.lines("T")
    assert channel["kind"] == kind
    assert channel["got"] == {"bcd": "52", "frame24": "24", "ascii": "6"}[kind]
    assert channel["raw"] == {"bcd": "FFFF000150030", "frame24": "CD5000", "ascii": "+1.500"}[kind]
    assert channel["count"] == "1500"
    assert crank["count"] == "2000"


@pytest.mark.parametrize("kind", GAUGES)
def test_the_age_of_a_reading(play_of: PlayOf, kind: str) -> None:
    """A lift that rises at a known speed tells from each reading when it was taken: by the gauge's own time before its first bit."""
    ran = play_of(kind)
    start = next(s.time_us for s in ran.samples if s.crank > 0)
    moving = [s for s in ran.samples if -199 < s.lift[0] < 1500]
    assert len({s.lift for s in moving}) > 8
    latency = GAUGES["bcd"][0] if kind == "bcd" else 0
    for s in moving:
        taken = start + (s.lift[0] + 200) * SECOND / 1700
        assert s.time_us - s.age_us[0] - taken == pytest.approx(latency, abs=1500)


def test_two_gauges_on_request(play_of: PlayOf) -> None:
    ran = play_of("two gauges")
    assert ran.samples[-1].lift == (5_000, -7_000)
    assert ran.samples[-1].flags == 0
    readings = {s.time_us - s.age_us[0] for s in ran.samples if s.time_us > SECOND}
    assert len({round(t, -3) for t in readings}) > 20  # asked again and again


def test_what_finds_no_room_is_counted_and_flagged(play_of: PlayOf) -> None:
    ran = play_of("busy")
    assert ran.counters.lost == ran.faults("busy")[-1] == pytest.approx((0.2 + 0.3) * 200, abs=10)
    dropped = [e for e in ran.events if isinstance(e, wire.Sample) and e.flags & 1]
    assert [round(s.time_us, -5) for s in dropped] == [800_000, 1_700_000]
    late = next(i for i, e in enumerate(ran.events) if e is ran.hellos[1])
    assert ran.events[late - 1] is dropped[1]  # a hello behind the gap alone would look like a new start
    assert ran.samples[-1].crank == pytest.approx(1700, abs=6)  # counting went on


def test_illegal_steps(play_of: PlayOf) -> None:
    ran = play_of("illegal")
    flags = {s.time_us // 100_000: s.flags for s in ran.samples}
    assert (flags[5], flags[7], flags[10], flags[16]) == (0, 2, 18, 0)
    assert ran.samples[-1].flags == 2
    assert ran.faults("crank-step") == [1, 2]
    assert ran.faults("lift1-step") == [1]


def test_noise_on_the_index_line_is_told_and_disturbs_no_count(play_of: PlayOf) -> None:
    ran = play_of("noise")
    assert len(ran.hellos) == 1
    assert ran.samples[-1].crank == 1000
    assert ran.samples[-1].flags == 0
    assert ran.faults("busy")[-1] == ran.counters.lost > 20
    assert {s.flags for s in ran.samples} == {0, 1}
    assert all(200 <= i.crank <= 222 for i in ran.indexes)  # where the noise was, and nowhere else


def test_a_frame_a_second_at_least(play_of: PlayOf) -> None:
    ran = play_of("slow")
    times = [s.time_us for s in ran.samples]
    assert max(b - a for a, b in itertools.pairwise(times)) < SECOND
    by_time = [s for s in ran.samples if s.flags & 64]
    assert by_time


def test_an_error_of_the_program_is_kept_and_told(tmp_path: Path) -> None:
    """The board begins anew, with another boot number; what it was doing is in crash.txt."""
    with modules() as here:
        from rp2040_stops import stopping  # type: ignore[import-not-found]

        sent = stopping(here, f"{tmp_path}{os.sep}")
    decoder = wire.Decoder()
    events = decoder.feed(sent) + decoder.finish()
    assert [e.board.boot for e in events if isinstance(e, wire.Hello)] == [1, 2]
    assert [e.number for e in events if isinstance(e, wire.Fault) and e.word == "restart"] == [1]
    assert "ZeroDivisionError" in (tmp_path / "crash.txt").read_text()


def test_the_worked_examples_of_the_wire_format() -> None:
    """firmware-notes/wire-format.md: each line's sum."""
    text = (Path(__file__).parents[2] / "firmware-notes" / "wire-format.md").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line[:2] in ("H,", "S,", "I,", "F,", "B,") and not line.endswith("*CCCC")]
    lines = [line for line in lines if "*" in line and "CCCC" not in line]
    assert len(lines) >= 6
    with modules():
        import frames  # type: ignore[import-not-found]

        for line in lines:
            body = line.split("*")[0]
            assert frames.line(*body.split(",")) == line.encode() + b"\n"
        assert frames.crc16(b"123456789") == 0x29B1  # the catalogue's check value
        assert [frames.u32(2**32 + 5), frames.i32(2**31), frames.i32(-(2**31) - 1)] == [5, -(2**31), 2**31 - 1]


def test_a_counter_goes_on_over_the_end_of_its_25_bits() -> None:
    with modules():
        import inputs  # type: ignore[import-not-found]

        counter = inputs.Counter.__new__(inputs.Counter)
        counter.count = 0
        true = 0
        for way in [2**24 - 1] * 5 + [-(2**24) + 3] * 12 + [1, -1, 0]:
            true += way
            assert counter.take(true % 2**25) == true
