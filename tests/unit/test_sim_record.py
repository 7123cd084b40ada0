"""What a simulated board sends: sound frames, the counts that were injected, and the same bytes for the same seed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from acquire.simulator.bench import Bench
from acquire.simulator.board import BenchBoard
from acquire.simulator.encoder import Encoder, Lost
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.phases import PHASES, REST, Recording, is_phase, latch_phase, record, start
from acquire.simulator.piston_stop import SliderCrank, Stop
from acquire.simulator.rig import Rig, Work
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.train import Train
from acquire.simulator.truth import truth
from acquire.wire import Damage, Decoder, Event, Fault, Heartbeat, Hello, Index, Sample
from analysis.base.errors import UsageError
from analysis.base.samples import CRANK_SUSPECT, DROPPED, LIFT_SUSPECT, SILENT
from tests.left_out import typical

SHORT = Work(touches=2, travel_times=2, turns=2.3, backward_turns=1.1)
QUIET = Indicator(noise_mm=0.0, step=0.001)


def short(**parts: object) -> Rig:
    return Rig(work=SHORT, **parts)  # type: ignore[arg-type]


def decoded(recording: Recording) -> list[Event]:
    decoder = Decoder()
    events = decoder.feed(recording.data)
    assert (decoder.counters.refused, decoder.counters.skipped, decoder.held) == (0, 0, 0)
    return events


def samples(recording: Recording) -> list[Sample]:
    return [e for e in decoded(recording) if isinstance(e, Sample)]


def crank_deg(rig: Rig, crank: np.ndarray) -> np.ndarray:
    """Forward, edge-latched counts to crank degrees by the truth's TDC."""
    known = truth(rig)
    return known.direction * (crank - known.tdc_edge_count) * 360 / known.cpr


@pytest.mark.parametrize("name", typical(("clean", "workshop", "two-channel"), SCENARIOS))
def test_every_scenario_decodes_without_damage_and_counts_every_edge(name: str) -> None:
    scenario = SCENARIOS[name]
    rig = replace(scenario.rig, work=SHORT)
    for recording in record(rig, scenario.phases):
        events = decoded(recording)
        assert isinstance(events[0], Hello)
        assert events[0].board == rig.hello
        assert not [e for e in events if isinstance(e, Damage)]
        crank = np.array([e.crank for e in events if isinstance(e, Sample)])
        if rig.board.latch == "edge":
            assert np.array_equal(crank, (recording.crank.count + 2**31) % 2**32 - 2**31)
        else:
            assert crank[-1] == recording.crank.count[-1]
        pulses = [e.crank for e in events if isinstance(e, Index)]
        assert pulses == ((recording.crank.index_count + 2**31) % 2**32 - 2**31).tolist()


@pytest.mark.parametrize("phase", typical(("stop", "intake"), PHASES))
def test_the_same_seed_gives_the_same_bytes(phase: str) -> None:
    assert record(short(seed=11), phase)[0].data == record(short(seed=11), phase)[0].data
    assert record(short(seed=11), phase)[0].data != record(short(seed=12), phase)[0].data


@pytest.mark.parametrize("direction", [1, -1])
def test_forward_samples_show_the_true_lift_at_the_true_angle(direction: int) -> None:
    """The whole chain, without noise: count -> angle by the truth -> lobe law x ratio = what the indicator showed."""
    hand = Hand(rollback_share=0.0, bump_share=0.0)
    rig = short(encoder=Encoder(direction=direction), indicators=(QUIET,), train=Train(slack_deg=0.0), hand=hand)
    found = samples(record(rig, ["stop", "intake"])[1])
    angle = crank_deg(rig, np.array([s.crank for s in found]))
    lift = np.array([s.lift[0] for s in found]) * 0.001 - QUIET.preload_mm
    assert lift.max() > 11
    assert np.abs(lift - 1.5 * rig.cam.lift("intake", angle)).max() < 0.00051


def test_slack_shows_between_forward_and_backward() -> None:
    rig = short(indicators=(QUIET,), train=Train(slack_deg=2.4), hand=Hand(rollback_share=0.0, bump_share=0.0))
    found = samples(record(rig, ["backward"])[0])
    crank = np.array([s.crank for s in found[100:]]) + 1  # counting down, a sample stands on the edge above its count
    lift = np.array([s.lift[0] for s in found[100:]]) * 0.001 - QUIET.preload_mm
    assert np.abs(lift - 1.5 * rig.cam.lift("intake", crank_deg(rig, crank) + 2.4)).max() < 0.00051


def test_latency_lags_by_speed_times_time() -> None:
    rig = short(
        indicators=(replace(QUIET, latency_s=0.1),), train=Train(slack_deg=0.0), hand=Hand(rollback_share=0, bump_share=0)
    )
    recording = record(rig, "intake")[0]
    found = samples(recording)
    time = recording.crank.time
    lift = np.array([s.lift[0] for s in found]) * 0.001 - QUIET.preload_mm
    assert np.abs(lift - 1.5 * rig.cam.lift("intake", recording.motion.at(time - 0.1))).max() < 0.00051


def test_the_stop_is_touched_where_the_slider_crank_says() -> None:
    """Contacts 10 mm below top of stroke 86, rod 231: 36.782324 degrees either side, solved outside the project."""
    rig = short(crank=SliderCrank(43, 231), stop=Stop(10.0, give_deg=0.0))
    recording = record(rig, "stop")[0]
    assert recording.motion.angle.max() == pytest.approx(-36.782324, abs=1e-5)
    assert recording.motion.angle.min() == pytest.approx(-360 + 36.782324, abs=1e-5)
    crank = np.array([s.crank for s in samples(recording)])
    middle = (crank.max() + crank.min()) / 2 + 1200  # half a turn on is TDC
    assert middle == pytest.approx(truth(rig).tdc_count, abs=0.5)


def test_the_piston_indicator_peaks_at_tdc() -> None:
    recording = record(short(indicators=(QUIET,)), "travel")[0]
    found = samples(recording)
    high = [s.crank for s in found if s.lift[0] == max(s.lift[0] for s in found)]
    assert np.median(high) % 2400 == pytest.approx(truth(short()).tdc_count % 2400, abs=6)
    assert recording.channels == ("piston",)


def test_counters_run_over_as_the_wire_says() -> None:
    board = BenchBoard(start_seq=2**32 - 100, start_time_us=2**32 - 3_000_000, start_count=2**31 - 200)
    found = samples(record(short(board=board), "intake")[0])
    assert {s.crank > 0 for s in found} == {True, False}
    assert found[-1].seq < 2**31
    assert found[-1].time_us < 2**31


def test_a_slow_line_drops_whole_frames_and_says_so() -> None:
    rig = short(board=BenchBoard(baud=4800, buffer_bytes=120))
    recording = record(rig, "intake")[0]
    decoder = Decoder()
    events = decoder.feed(recording.data)
    dropped = recording.state.counters.dropped
    assert dropped > 1000
    assert decoder.counters.lost == dropped
    assert decoder.counters.refused == 0
    after_gap = [b for a, b in pairwise(events) if isinstance(a, Damage) and isinstance(b, Sample | Heartbeat)]
    assert all(e.flags & DROPPED for e in after_gap)
    assert [e.number for e in events if isinstance(e, Fault) and e.word == "busy"][-1] <= dropped
    left = np.array([s.at_s for s in recording.sent[1:]])
    size = np.array([len(s.line) for s in recording.sent[1:]])
    assert np.all(np.diff(left) >= size[1:] * 10 / 4800 - 1e-9)  # never faster than the line


def test_a_board_may_be_held_to_a_rate() -> None:
    found = samples(record(short(board=BenchBoard(per_s=20)), "intake")[0])
    slots = np.array([s.time_us for s in found]) - BenchBoard().start_time_us
    assert np.unique(slots // 50_000).size >= len(found) - 1
    assert np.all(np.diff([s.seq for s in found]) >= 1)


def test_heartbeats_come_every_fifth_of_a_second_while_nothing_moves() -> None:
    events = decoded(record(short(), "intake")[0])
    times = np.array([e.time_us for e in events if isinstance(e, Sample | Heartbeat)])
    assert np.diff(times).max() <= 200_001
    for before, beat in pairwise(events):
        if isinstance(beat, Heartbeat) and isinstance(before, Sample | Heartbeat):
            assert beat.crank == before.crank
            assert beat.time_us - before.time_us == pytest.approx(200_000, abs=1)


def test_losses_are_flagged_and_show_between_two_index_pulses() -> None:
    rig = short(encoder=Encoder(lost=(Lost(400.0, 40),)))
    events = decoded(record(rig, "intake")[0])
    pulses = np.diff([e.crank for e in events if isinstance(e, Index)])
    assert sorted(pulses.tolist())[0] == 2360
    assert [e.number for e in events if isinstance(e, Fault) and e.word == "crank-step"] == [20]
    flags = [bool(e.flags & CRANK_SUSPECT) for e in events if isinstance(e, Sample)]
    assert flags == sorted(flags)
    assert not flags[0]
    assert flags[-1]


def test_silence_and_over_range_are_flagged_and_told() -> None:
    silent = decoded(record(short(indicators=(Indicator(per_s=10, silent_from=0.5),)), "intake")[0])
    assert [e for e in silent if isinstance(e, Sample)][-1].flags & SILENT[0]
    told = [e.number for e in silent if isinstance(e, Fault) and e.word == "lift1-silent"]
    assert told == sorted(told)
    assert np.diff([e.time_us for e in silent if isinstance(e, Fault)]).min() >= 1_000_000
    narrow = samples(record(short(indicators=(Indicator(reach_mm=(-1, 8)),)), "intake")[0])
    assert max(s.lift[0] for s in narrow) <= 801
    assert narrow[-1].flags & LIFT_SUSPECT[0]
    assert not narrow[0].flags


def test_counts_and_numbers_go_on_from_phase_to_phase() -> None:
    first, second = record(short(), ["stop", "intake"])
    a, b = decoded(first), decoded(second)
    assert isinstance(b[0], Hello)
    assert b[0].seq == samples(first)[-1].seq + sum(isinstance(e, Heartbeat) for e in a[a.index(samples(first)[-1]) :]) + 1
    assert samples(second)[0].crank - samples(first)[-1].crank in (0, 1)
    assert b[0].board.boot == a[0].board.boot  # type: ignore[union-attr]


def test_a_phase_that_is_not_there() -> None:
    with pytest.raises(UsageError, match="no phase 'dance'"):
        record(short(), ["stop", "dance"])


def test_what_is_no_rig_is_refused() -> None:
    with pytest.raises(UsageError, match="one or two indicators"):
        short(indicators=())
    with pytest.raises(UsageError, match="-1 is no seed"):
        short(seed=-1)


def test_what_is_latched_is_what_is_sent() -> None:
    rig = short()
    latched = latch_phase(rig, "intake", start(rig))
    events = [e for e in decoded(record(rig, "intake")[0]) if isinstance(e, Sample | Heartbeat)]
    assert [e.lift[0] for e in events] == latched.rows.lift[0].tolist()
    assert [e.crank for e in events] == latched.rows.crank.tolist()
    assert latched.state.crank_deg == pytest.approx(rig.start_deg + 360 * SHORT.turns)


# --- commands in the middle of a phase ----------------------------------------------------------------------------------


def told(bench: Bench, decoder: Decoder, line: bytes) -> list[Event]:
    return decoder.feed(bench.command(line))


def test_zero_in_the_middle_of_a_phase() -> None:
    bench, decoder = Bench(short(indicators=(QUIET,)), ["intake"]), Decoder()
    told(bench, decoder, b"hello")
    before = [e for e in decoder.feed(bench.take(20.0, 10**6)) if isinstance(e, Sample | Heartbeat)]
    assert isinstance(told(bench, decoder, b"zero")[0], Hello)
    after = [e for e in decoder.feed(bench.take(40.0, 10**6)) if isinstance(e, Sample)]
    untouched = samples(record(short(indicators=(QUIET,)), "intake")[0])
    same = {s.time_us: s for s in untouched}
    assert {same[s.time_us].crank - s.crank for s in after} == {before[-1].crank}
    assert {same[s.time_us].lift[0] - s.lift[0] for s in after} == {before[-1].lift[0]}
    assert before[-1].crank > 100
    assert before[-1].lift[0] != 0
    assert decoder.counters.lost == decoder.counters.late == decoder.counters.restarts == 0


def test_latch_and_rate_change_at_once_and_the_hello_says_so() -> None:
    bench, decoder = Bench(short(), ["intake"]), Decoder()
    told(bench, decoder, b"hello")
    decoder.feed(bench.take(10.0, 10**6))
    for command, latch, rate in ((b"latch time", "time", 200), (b"rate 50", "time", 50), (b"latch edge\r", "edge", 50)):
        hello = told(bench, decoder, command)[0]
        assert isinstance(hello, Hello)
        assert (hello.board.latch, hello.board.rate) == (latch, rate)
        start = bench.now_s
        count = sum(isinstance(e, Sample) for e in decoder.feed(bench.take(start + 2.0, 10**6)))
        assert latch != "time" or count == pytest.approx(2 * rate, abs=2)
    assert decoder.counters.lost == decoder.counters.late == decoder.counters.restarts == 0


def test_an_unknown_command_is_told_by_its_place_and_costs_no_frame() -> None:
    bench, decoder = Bench(short(), ["intake"]), Decoder()
    told(bench, decoder, b"hello")
    decoder.feed(bench.take(10.0, 10**6))
    fault = told(bench, decoder, b"make coffee")[0]
    assert isinstance(fault, Fault)
    assert (fault.word, fault.number) == ("command", 2)
    decoder.feed(bench.take(12.0, 10**6))
    assert decoder.counters.lost == decoder.counters.late == 0


def test_a_bench_goes_through_its_phases_on_one_board() -> None:
    bench, decoder = Bench(short(), ["stop", "intake"]), Decoder()
    told(bench, decoder, b"hello")
    assert bench.phase == "stop"
    while bench.phase == "stop":
        decoder.feed(bench.take(float("inf"), 10**6))
    assert not bench.finished
    told(bench, decoder, b"hello")
    assert bench.phase == "intake"
    assert bench.finished
    told(bench, decoder, b"hello")
    decoder.feed(bench.take(float("inf"), 10**7))
    assert decoder.counters.lost == decoder.counters.late == decoder.counters.restarts == 0


def test_a_bench_may_go_on_by_itself() -> None:
    bench, decoder = Bench(short(), ["stop", "intake"], pause_s=5.0), Decoder()
    told(bench, decoder, b"hello")
    while bench.phase == "stop":
        decoder.feed(bench.take(float("inf"), 10**6))
    over = bench.now_s
    while bench.phase != "intake":
        decoder.feed(bench.take(bench.next_s(), 1))
    assert bench.now_s - over == pytest.approx(5.0, abs=0.5)
    decoder.feed(bench.take(float("inf"), 10**7))
    assert decoder.counters.lost == decoder.counters.restarts == 0


def test_the_valve_of_another_cylinder_opens_as_much_later_and_stays_there_at_rest() -> None:
    rig = short(indicators=(QUIET,))
    first, other = (latch_phase(rig, phase, start(rig)) for phase in ("intake", "intake@180"))
    lift = {
        name: dict(zip(latched.rows.crank.tolist(), latched.rows.lift[0].tolist(), strict=True))
        for name, latched in (("first", first), ("other", other))
    }
    half = rig.encoder.cpr // 2
    both = [(lift["first"][count], lift["other"][count + half]) for count in lift["first"] if count + half in lift["other"]]
    assert len(both) > 500
    # The hand goes through the same angle at another speed there, and the indicator lags.
    assert np.median(np.abs(np.diff(both, axis=1))) < 0.05 / QUIET.step
    resting = latch_phase(rig, REST, other.state)
    assert abs(int(resting.rows.lift[0][0]) - int(other.rows.lift[0][-1])) <= 2


@pytest.mark.parametrize(
    ("text", "sound"), [("intake", True), ("both@112.5", True), ("stop@180", False), ("intake@", False), ("lid", False)]
)
def test_a_phase_may_name_another_cylinder_only_where_a_valve_is_swept(text: str, sound: bool) -> None:
    assert is_phase(text) is sound
