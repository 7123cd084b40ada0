"""The live road against the whole: however a recording is cut into blocks, it ends where `analyze` ends."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.simulator.scenarios import SCENARIOS
from acquire.wire import wrap_i32, wrap_u32
from analysis.base.errors import DataError
from analysis.base.finding import doubts
from analysis.base.samples import Capture, IndexPulses, Ints, Samples
from analysis.crank.motion import follow, usable_forward
from analysis.diagnosis.examine import examine
from analysis.job import Job, parse_job
from analysis.live.buffer import Rows
from analysis.live.contacts import ContactWatch
from analysis.live.coverage import LiveSweep
from analysis.live.direction import Turning
from analysis.live.partial import forward_of, result_so_far, tdc_of
from analysis.lobe.result import Measurement
from analysis.tdc.stop import by_stop, stop_contacts
from tests.left_out import thorough, typical
from tests.recorded import captures, demo_job

NAMES = ("workshop", "slow-indicator", "two-channel", "run-over", "lost-counts")


@cache
def job_of(name: str) -> Job:
    scenario = SCENARIOS[name]
    return parse_job(demo_job(scenario))


def captures_of(name: str) -> list[Capture]:
    """Each phase of a scenario, as recorded."""
    scenario = SCENARIOS[name]
    return captures(scenario.rig, [phase for phase in scenario.phases if phase != "backward"])


@cache
def analyzed(name: str) -> Measurement:
    """What found TDC and the last sweep, as `analyze` has it."""
    *stops, sweep = captures_of(name)
    return examine(job_of(name), [*(c for c in stops if c.header.step != "sweep"), sweep])


def raw(capture: Capture) -> tuple[Ints, Ints]:
    """Rows and index pulses as they came over the wire."""
    s = capture.samples
    u32, i32 = np.vectorize(wrap_u32, otypes=[np.int64]), np.vectorize(wrap_i32, otypes=[np.int64])
    readings = [column for age, lift in zip(s.age_us, s.lift, strict=True) for column in (age, i32(lift))]
    rows = np.stack([u32(s.seq), u32(s.time_us), i32(s.crank), s.flags, *readings], axis=1)
    pulses = (
        np.stack([u32(capture.index.time_us), i32(capture.index.crank)], axis=1)
        if capture.index.crank.size
        else np.zeros((0, 2), np.int64)
    )
    return rows, pulses


def fed(live: LiveSweep, capture: Capture, cuts: list[int]) -> LiveSweep:
    """The capture in blocks, each pulse with the block of the row that follows it."""
    rows, pulses = raw(capture)
    bounds = [0, *sorted(cut % (len(rows) + 1) for cut in cuts), len(rows)]
    place = np.searchsorted(capture.samples.time_us, capture.index.time_us)
    for start, stop in pairwise(bounds):
        mine = (place >= start) & (place < stop) if stop < len(rows) else place >= start
        live.add(rows[start:stop], pulses[mine] if stop > start else None)
    return live


CUTS = st.lists(st.integers(0, 1 << 20), max_size=12)


@pytest.mark.parametrize("name", typical(("workshop", "lost-counts"), NAMES))
@settings(max_examples=2)
@given(cuts=CUTS)
def test_the_final_numbers_are_those_of_the_whole_capture(name: str, cuts: list[int]) -> None:
    job, (*stops, sweep) = job_of(name), captures_of(name)
    found_by = [c for c in stops if c.header.step != "sweep"]
    live = fed(LiveSweep(job.rig, sweep.header, forward_of(job, sweep.samples.crank)), sweep, cuts)
    so_far = result_so_far(job, found_by, live.capture())
    whole = analyzed(name)
    assert so_far.result is not None, so_far.why
    assert so_far.result.tdc == whole.tdc
    assert so_far.result.lobes == whole.lobes
    assert so_far.result.cam == whole.cam
    # What the board said of itself stands in the file; while it is recorded the screen says it as it comes.
    assert so_far.result.findings == tuple(finding for finding in whole.findings if finding.code != "board-faults")


@pytest.mark.parametrize("name", typical(("workshop", "two-channel"), NAMES))
@settings(max_examples=6)
@given(cuts=CUTS)
def test_what_is_shown_does_not_depend_on_the_cuts(name: str, cuts: list[int]) -> None:
    job, sweep = job_of(name), captures_of(name)[-1]
    forward = forward_of(job, sweep.samples.crank)
    whole = fed(LiveSweep(job.rig, sweep.header, forward), sweep, []).progress()
    cut = fed(LiveSweep(job.rig, sweep.header, forward), sweep, cuts).progress()
    assert cut.crank == whole.crank
    assert cut.lift_mm == whole.lift_mm
    assert cut.forward_deg == pytest.approx(whole.forward_deg)
    for a, b in zip(cut.trace, whole.trace, strict=True):
        assert a.covered.tolist() == b.covered.tolist()
        assert (a.flat_deg, a.zero_mm, a.swing_mm) == pytest.approx((b.flat_deg, b.zero_mm, b.swing_mm))
        np.testing.assert_array_equal(a.low, b.low)
        np.testing.assert_array_equal(a.high, b.high)


def samples_of(crank: Ints) -> Samples:
    n = crank.size
    time_us, nothing = np.arange(n) * 1000, np.zeros(n, np.int64)
    return Samples(np.arange(n), time_us, crank, nothing, nothing, nothing[None], nothing[None])


NO_PULSES = IndexPulses(*(np.zeros(0, np.int64) for _ in range(3)))


@settings(max_examples=300)
@given(
    steps=st.lists(st.integers(-6, 6), max_size=60),
    forward=st.sampled_from((1, -1)),
    allowance=st.sampled_from((0.0, 1.0, 4.0, 11.5)),
    data=st.data(),
)
def test_block_by_block_the_slack_is_taken_up_where_it_is_on_the_whole(
    steps: list[int], forward: int, allowance: float, data: st.DataObject
) -> None:
    crank = np.cumsum(np.array(steps, np.int64))
    whole = usable_forward(crank, forward, allowance)
    turning = Turning(forward, allowance)
    found = []
    start = 0
    while start < crank.size:
        stop = data.draw(st.integers(start + 1, crank.size))
        found.append(turning.add(samples_of(crank[start:stop]), NO_PULSES, 360)[1])
        start = stop
    assert np.concatenate([*found, np.zeros(0, bool)]).tolist() == whole.tolist()


def test_what_is_left_until_the_slack_is_taken_up_is_what_it_takes() -> None:
    turning = Turning(1, 5.0)
    turning.add(samples_of(np.concatenate((np.arange(0, 31), np.arange(29, 19, -1)))), NO_PULSES, 360)
    assert (turning.now.way, turning.now.engaged, turning.now.mark) == (-1, False, 30)
    for position in range(21, 25):
        turning.add(samples_of(np.array([position])), NO_PULSES, 360)
        assert not turning.now.engaged
        assert turning.now.to_go == 25 - position, "five on from where it turned, at 20"
    turning.add(samples_of(np.array([25])), NO_PULSES, 360)
    assert turning.now.engaged
    assert turning.now.to_go == 0


@pytest.mark.parametrize("name", ["workshop", "reverse", "run-over"])
@settings(max_examples=15)
@given(cuts=CUTS)
def test_contacts_are_those_of_the_whole_capture(name: str, cuts: list[int]) -> None:
    stop = captures_of(name)[0]
    crank, cpr = stop.samples.crank, stop.header.board.cpr
    contacts = ContactWatch(cpr)
    for block in np.split(crank, sorted(cut % crank.size for cut in cuts)):
        contacts.add(block)
    so_far, whole = contacts.contacts(), stop_contacts(crank, cpr)
    assert (sorted(so_far.low), sorted(so_far.high)) == (sorted(whole.low.counts.tolist()), sorted(whole.high.counts.tolist()))
    assert not so_far.why
    assert so_far.agree
    assert so_far.tdc == pytest.approx(by_stop(stop, None, 1).count.value)


def test_each_touch_is_counted_once_it_has_been_left() -> None:
    stop = captures_of("workshop")[0]
    contacts = ContactWatch(stop.header.board.cpr)
    counted = []
    for block in np.array_split(stop.samples.crank, 200):
        contacts.add(block)
        so_far = contacts.contacts()
        counted.append(len(so_far.low) + len(so_far.high))
    assert counted == sorted(counted)
    assert set(counted) == set(range(9)), "four on each side, one after the other"


def test_a_stop_that_gave_way_is_said() -> None:
    contacts = ContactWatch(360)
    contacts.add(np.concatenate((np.arange(0, 300), np.arange(300, -80, -1), np.arange(-80, 100))))
    assert "past the stop" in contacts.contacts().why


def test_a_flickering_count_stays_in_bounds() -> None:
    contacts = ContactWatch(3600)
    contacts.add(np.tile(np.array([0, 1]), 50_000))
    contacts.add(np.concatenate((np.arange(0, 2000), np.arange(2000, 0, -1), np.arange(0, 2000), np.arange(2000, 1000, -1))))
    so_far = contacts.contacts()
    assert (so_far.high, len(so_far.low)) == ((2000, 2000), 1)


@pytest.mark.parametrize(
    ("name", "valve"),
    [("workshop", "exhaust"), *thorough(("clean", "intake"), ("slow-indicator", "intake"))],
)
def test_events_come_one_by_one_as_they_are_passed_and_stay_near_their_last_value(name: str, valve: str) -> None:
    job, captures = job_of(name), captures_of(name)
    stop, sweep = captures[0], next(c for c in captures if c.header.channels[0] == valve)
    live = LiveSweep(job.rig, sweep.header, forward_of(job, sweep.samples.crank))
    rows, pulses = raw(sweep)
    place = np.searchsorted(sweep.samples.time_us, sweep.index.time_us)
    final = examine(job, [stop, sweep]).lobes[0]
    known = {(e.lift_mm, side): getattr(e, side) for e in final.events for side in ("opens", "closes")}
    counted, partial = [], 0
    bounds = np.linspace(0, len(rows), 12).astype(int)
    for start, stop_at in pairwise(bounds):
        live.add(rows[start:stop_at], pulses[(place >= start) & (place < stop_at)])
        so_far = result_so_far(job, [stop], live.capture())
        assert so_far.result is not None or so_far.why
        events = so_far.events.get(valve, ())
        partial += so_far.result is None and bool(events)
        seen = {(e.lift_mm, side): getattr(e, side) for e in events for side in ("opens", "closes") if getattr(e, side)}
        counted.append(len(seen))
        findings = () if so_far.result is None else so_far.result.findings
        for key, number in seen.items():
            if doubts(findings, [f"{valve}.events.{key[0]:g}.{key[1]}"]):
                continue  # where no reading was taken yet it is a guess, and said to be one
            assert abs(number.value - known[key].value) < max(0.3, 2 * number.u95), (start, key)
    assert counted[0] < counted[-1]
    assert counted[-1] == len(known)
    assert partial, "openings were shown before the lobe was whole"


def test_old_rows_make_room_for_new_ones() -> None:
    job, (stop, *_, sweep) = job_of("clean"), captures_of("clean")
    rows, pulses = raw(sweep)
    place = np.searchsorted(sweep.samples.time_us, sweep.index.time_us)
    kept = Rows(sweep.header, most=12_000)
    for start in range(0, len(rows), 700):
        kept.add(rows[start : start + 700], pulses[(place >= start) & (place < start + 700)])
    capture = kept.capture()
    assert kept.total == len(rows)
    np.testing.assert_array_equal(capture.samples.crank, sweep.samples.crank[-12_000:])
    np.testing.assert_array_equal(capture.samples.lift, sweep.samples.lift[:, -12_000:])
    assert capture.index.time_us.min() >= capture.samples.time_us[0]
    result = result_so_far(job, [stop], capture).result
    whole = examine(job, [stop, sweep])
    assert result is not None
    assert result.lobes[0].centerline.value == pytest.approx(whole.lobes[0].centerline.value, abs=0.2)


def test_tdc_without_index_is_asked_for_again_after_a_new_start_of_the_board() -> None:
    job, (stop, *_, sweep) = job_of("run-over"), captures_of("run-over")
    board = replace(sweep.header.board, boot=99)
    other = replace(sweep, header=replace(sweep.header, link="two", board=board))
    assert tdc_of(job, [stop], sweep, 1)[1].method == "stop"
    with pytest.raises(DataError, match="find TDC and sweep in one connection"):
        tdc_of(job, [stop], other, 1)
    assert "find TDC and sweep in one connection" in result_so_far(job, [stop], other).why


def test_the_road_of_the_slips_is_that_of_the_analysis() -> None:
    """Lost counts: the live position after the index pulse that shows them is the mended one."""
    sweep = captures_of("lost-counts")[1]
    job = job_of("lost-counts")
    live = fed(LiveSweep(job.rig, sweep.header, 1), sweep, [5000, 9000])
    motion, slips = follow(sweep, 1, 30.0)
    assert slips
    assert live.turning.now.position == pytest.approx(motion.position[-1], abs=1)
