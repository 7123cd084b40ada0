"""Contacts, passes, coverage and rows are counted in one place: `capture` and `live` say the same of the same bytes, and so does
`analyze` afterwards.
"""

from __future__ import annotations

import asyncio
import io
import itertools
from collections.abc import AsyncGenerator, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from acquire.cli import capture as capturing
from acquire.cli.capture import Capturing, setup_of
from acquire.cli.demo_job import job_text
from acquire.cli.progress import WIDTH, line
from acquire.cli.status_line import LiveLine
from acquire.link.outcomes import Batch, Broken, Outcome
from acquire.link.reconnect import Connected, Link
from acquire.procedure.counts import Counts
from acquire.procedure.limits import Limits
from acquire.procedure.recorded_step import RecordedStep
from acquire.procedure.session import Place, Plan, Session
from acquire.procedure.setup import Setup
from acquire.procedure.station import Station
from acquire.procedure.steps import STOP, SWEEP, TRAVEL, ZERO
from acquire.simulator.phases import record
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import truth
from acquire.wire import Damage, Decoder, Event, Heartbeat, Hello, Sample, wrap_i32, wrap_u32
from analysis.base.errors import LinkError
from analysis.base.samples import Board, Header
from analysis.capture import load
from analysis.job import Job, parse_job
from analysis.job.folder import captures_of
from analysis.job.template import template
from tests.left_out import thorough

CPR = 3600
BOARD = Board(cpr=CPR, index=True, latch="edge", steps_mm=(0.01,), units=("mm",), name="bench", boot=7)
UP = parse_job(template().replace('direction = "auto"', 'direction = "up"  '))
AUTO = parse_job(template())
INTAKE = Place(SWEEP, "intake")


def samples(degrees: Iterable[float], start: int = 0, start_us: int = 0) -> list[Event]:
    """A crank that goes through `degrees` over a lobe that lifts 8 mm within 120 degrees of 360, a sample a millisecond."""
    events: list[Event] = []
    for i, deg in enumerate(degrees):
        off = (deg - 360.0 + 360.0) % 720.0 - 360.0
        lift = round(400 * (1 + np.cos(np.pi * off / 120.0))) if abs(off) < 120 else 0
        crank = wrap_i32(start + round(deg * CPR / 360))
        events.append(Sample(i, wrap_u32(start_us + 1000 * i), crank, 0, (0,), (lift,)))
    return events


def path(*corners: float) -> np.ndarray:
    """From corner to corner in steps of 0.5 deg."""
    legs = [np.arange(a, b, 0.5 if b > a else -0.5) for a, b in itertools.pairwise(corners)]
    return np.concatenate([*legs, [corners[-1]]])


def counted(degrees: Iterable[float], step: str = "sweep", job: Job = UP, **start: int) -> Counts:
    """What a recording of this motion counts."""
    recording = RecordedStep(job, Header(BOARD, step, 1, ("intake",)), {UP: 1, AUTO: None}[job], None)
    recording.add(samples(degrees, **start))
    recording.flush()
    return recording.counts()


# The same bytes to both commands.

WAYS = {
    "three contacts a side, with bumps": (Place(STOP), path(0, 130, 125, 150, -160, -155, -160, 150, -160, 150, -160, 10)),
    "turned back early once": (Place(STOP), path(0, 150, -160, 90, -160, 150, -160, 10)),
    "two turns backward": (INTAKE, path(0, -1440)),
    "three turns forward": (INTAKE, path(0, 2160)),
    "pulls with the way back between them": (INTAKE, path(0, 400, 340, 900, 800, 2300)),
}


@pytest.mark.parametrize("way", WAYS)
def test_both_commands_count_alike(way: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place, degrees = WAYS[way]
    same_of_both(UP, BOARD, place, samples([*[degrees[0]] * 20, *degrees]), tmp_path, monkeypatch)


@pytest.mark.parametrize(
    ("name", "phase", "place"),
    [
        ("workshop", "stop", Place(STOP)),
        ("reverse", "intake", INTAKE),
        ("clean", "travel", Place(TRAVEL)),
        *thorough(
            ("workshop", "intake", INTAKE),
            ("workshop", "exhaust", Place(SWEEP, "exhaust")),
            ("two-channel", "both", Place(SWEEP, "both")),
        ),
    ],
)
def test_both_commands_count_a_simulated_rig_alike(
    name: str, phase: str, place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = SCENARIOS[name].rig
    (done,) = record(rig, (phase,))
    decoder = Decoder()
    events = decoder.feed(done.data)[1:]
    assert decoder.board is not None
    job = parse_job(job_text(SCENARIOS[name], truth(rig)))
    counts = same_of_both(job, decoder.board, place, events, tmp_path, monkeypatch)
    assert sum(counts.contacts) >= 6 if place.step == STOP else counts.passes >= 3


def same_of_both(
    job: Job, board: Board, place: Place, events: list[Event], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> Counts:
    """Both commands on the same events, in blocks of another length each; what `capture` counts."""
    by_capture = captured(job, board, place, events, folder / "capture", monkeypatch)
    station = lived(job, board, place, events, folder / "live")
    assert station.recording is not None
    by_live = station.recording.counts()
    facts = station.facts()
    told = by_capture.captured().numbers()
    assert by_live.contacts == by_capture.counts.contacts == tuple(told["contacts_by_side"])
    assert by_live.passes == by_capture.counts.passes == told["passes"]
    assert (by_live.covered_deg, by_live.flat_deg) == (by_capture.counts.covered_deg, by_capture.counts.flat_deg)
    assert told["covered"] == pytest.approx(by_live.covered_deg / 720, abs=5e-5)
    if place.step == STOP:
        assert (facts["contacts low"], facts["contacts high"]) == by_capture.counts.contacts
    elif place.step == TRAVEL:
        assert facts["crossings"] == told["passes"]
    else:
        assert (facts["passes"], facts["covered"]) == (told["passes"], by_capture.counts.covered_deg)
    # The guided procedure begins to record with the first turn, because hands may be at the indicator until then.
    (first,), (second,) = (captures_of(folder / name) for name in ("capture", "live"))
    station.recording.close()
    whole, from_first_turn = load(first), load(second)
    assert by_capture.counts.rows == whole.samples.crank.size == told["rows"]
    turned = int(np.flatnonzero(np.diff(whole.samples.crank))[0]) + 1
    assert by_live.rows == from_first_turn.samples.crank.size == whole.samples.crank.size - turned
    assert np.array_equal(from_first_turn.samples.crank, whole.samples.crank[turned:])
    assert replace(whole.header, link="", started="") == replace(from_first_turn.header, link="", started="")  # type: ignore[type-var]
    return by_capture.counts


def captured(
    job: Job, board: Board, place: Place, events: list[Event], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> Capturing:
    async def stream(*_: Any, **__: Any) -> AsyncGenerator[Connected | Outcome, None]:
        yield Connected(Hello(board, 0, 0), None, 0, cast(Link, None))
        for k in range(0, len(events), 97):
            yield Batch(tuple(events[k : k + 97]), 3000, 0.0)
        yield Broken(OVER)

    monkeypatch.setattr(capturing, "stream", stream)
    monkeypatch.setattr(capturing, "_TRIES", 0)
    made = Capturing(setup_of(job, folder, place), "port", Limits(), LiveLine(io.StringIO(), lambda: 0.0))
    with pytest.raises(LinkError, match="over"):
        asyncio.run(made.read())
    return made


OVER = LinkError("it is over")


def lived(job: Job, board: Board, place: Place, events: list[Event], folder: Path) -> Station:
    """The guided procedure at that place, everything said that it asks for, and the crank at rest since long."""
    plan = Plan(valves=(place.valve or "intake",))
    station = Station(Setup(job, plan, folder=folder, software=setup_of(job, folder, place).software), lambda: 0.0)
    station.session = Session(plan, at=Place(ZERO, place.valve) if place.step == SWEEP else place)
    station.take(Connected(Hello(board, 0, 0), None, 0, cast(Link, None)))
    station.say_so()
    assert station.recording is not None
    station.recording._rested = True
    for k in range(0, len(events), 61):
        station.take(Batch(tuple(events[k : k + 61]), 2000, 0.0))
        station.recording.flush()
    return station


# What is counted is what a result is made of.


@pytest.mark.parametrize(
    ("name", "turns"),
    [
        pytest.param(name, turns, marks=[pytest.mark.thorough] if turns > 7 and name != "two-channel" else [])
        for name in ("workshop", "reverse", "slow-indicator", "two-channel")
        for turns in (2.2, 3.7, 7.1)
    ],
)
def test_passes_are_the_whole_lobes_of_the_way_that_was_turned(name: str, turns: float) -> None:
    """Against the simulator's own truth: where the lobes lie, and from where to where the hand turned the crank."""
    scenario = SCENARIOS[name]
    rig = replace(scenario.rig, work=replace(scenario.rig.work, turns=turns))
    known = truth(rig, [(0.1, "lobe")])
    job = parse_job(job_text(scenario, truth(rig)))
    for done in record(rig, [phase for phase in scenario.phases if phase in ("intake", "exhaust", "both")]):
        recording = RecordedStep(job, Header(done.board, done.step, 1, done.channels, link="one"), None, None)
        recording.add(Decoder().feed(done.data)[1:])
        recording.flush()
        assert recording.first is not None
        deg = recording.forward * (np.array([recording.first, recording.crank]) - known.tdc_count) * 360.0 / known.cpr
        begins, ends = deg[0] + job.rig.slack_allowance_deg, deg[1]
        for valve, trace in zip(done.channels, recording.traces(), strict=False):
            (event,) = known.lobe(valve).events
            # The count of TDC stands for any whole number of turns: the lobe may lie a turn further on.
            possible = {
                sum(
                    begins <= event.opens_deg + 720 * k + turn and event.closes_deg + 720 * k + turn <= ends
                    for k in range(-9, 10)
                )
                for turn in (0, 360)
            }
            assert trace.passes in possible, (valve, deg)


def test_backward_turns_count_for_nothing_where_the_direction_is_known() -> None:
    backward = counted(path(0, -1440))
    assert (backward.passes, backward.covered_deg) == (0, 0.0)
    assert backward.turned_deg == -1440.0


def test_without_a_direction_it_is_the_way_that_the_crank_went_further() -> None:
    """As `direction_of_rotation` has it of a whole capture; a start the wrong way is read anew once the other way prevails."""
    assert counted(path(0, -1440), job=AUTO).passes == counted(path(0, 1440), job=UP).passes > 0
    there_and_back = counted(path(0, 300, -2000), job=AUTO)
    assert there_and_back.passes == 3
    assert there_and_back.covered_deg == 720.0


def test_a_pass_is_whole_only_with_the_slack_taken_up_and_without_a_hole() -> None:
    assert counted(path(0, 2160)).passes == 3
    assert counted(path(300, 300 + 2160)).passes == 2, "it began on the lobe"
    assert counted(path(0, 200, 100, 2160)).passes == 3, "back and again: the same pass"
    hole = np.concatenate([path(0, 340), path(352, 1440)])
    assert counted(hole).passes == 1
    assert counted(path(0, 720, 0, 720)).passes == 2, "the same lobe swept twice"
    assert counted(path(380, 380 + 690)).passes == 0, "one lobe in two halves"


def test_half_a_turn_of_the_camshaft_covers_half_the_cycle() -> None:
    allowance = UP.rig.slack_allowance_deg
    assert counted(path(0, 360 + allowance)).covered_deg == pytest.approx(361, abs=1)
    assert counted(path(0, 1500)).covered_deg == 720
    gap = counted(np.concatenate([path(0, 150), path(250, 349.5)]))
    assert gap.covered_deg == pytest.approx(counted(path(0, 150)).covered_deg + 100, abs=1)


def test_counts_go_on_over_the_ends_of_the_wires_numbers() -> None:
    at_the_end = counted(path(0, 720), start=2**31 - 100, start_us=2**32 - 100_000)
    assert at_the_end == counted(path(0, 720))
    assert at_the_end.seconds == pytest.approx(1.440)


def test_each_contact_counts_once_and_neither_start_nor_end_is_one() -> None:
    # Bumps of a few degrees are the hand, not the stop.
    assert counted(path(0, 130, 125, 150, -160, -155, -160, 150, -160, 10), "stop").contacts == (2, 2)


@pytest.mark.parametrize("spike_deg", [500.0, -7_000.0, 1e8])
def test_a_count_that_the_crank_cannot_have_made_is_no_contact_and_no_turn(spike_deg: float) -> None:
    swings = path(0, 130, -160, 150, -160, 150, -160, 10)
    spoiled = swings.copy()
    spoiled[swings.size // 3] += spike_deg
    assert counted(spoiled, "stop").contacts == counted(swings, "stop").contacts
    assert counted(spoiled, "stop").furthest_deg == counted(swings, "stop").furthest_deg


# When it ends.


def test_a_recording_ends_at_the_limit_that_was_given() -> None:
    counts = counted(path(0, 1440))
    assert Limits(passes=2).reached(counts)
    assert not Limits(passes=3).reached(counts)
    assert not Limits().reached(counts)
    assert Limits(seconds=2.8).reached(counts)
    assert not Limits(contacts=1).reached(counts)
    assert Limits(contacts=2).reached(counted(path(0, 150, -160, 0), "stop"))


def test_stillness_counts_only_after_the_crank_has_moved() -> None:
    limits = Limits(until_still_s=0.5)
    assert not limits.reached(counted([0.0] * 5000))
    recording = RecordedStep(UP, Header(BOARD, "sweep", 1, ("intake",)), 1, None)
    recording.add(samples([*path(0, 10), *[10.0] * 490]))
    recording.flush()
    assert not limits.reached(recording.counts())
    recording.add([Heartbeat(999, 1_100_000, 100, 0, (0,), (1,))])
    recording.flush()
    assert limits.reached(recording.counts())


def alone(tmp_path: Path, step: str = SWEEP, job: Job = UP) -> Station:
    place = Place(step, "intake" if step == SWEEP else "")
    station = Station(setup_of(job, tmp_path, place), lambda: 0.0)
    station.take(Connected(Hello(BOARD, 0, 0), None, 0, cast(Link, None)))
    return station


def fed(station: Station, events: Iterable[Event]) -> Station:
    station.take(Batch(tuple(events), 0, 0.0))
    station.look()
    return station


def test_what_comes_behind_a_new_start_of_the_board_is_recorded_and_does_not_count(tmp_path: Path) -> None:
    station = fed(alone(tmp_path), samples(path(0, 1000)))
    assert station.recording is not None
    before = station.recording.counts()
    fed(station, [Damage(12, 40, 0), Hello(BOARD, 0, 0, restarted=True), *samples(path(500, 2500), start=77)])
    now = station.recording.counts()
    assert now.rows == before.rows + len(path(500, 2500))
    assert now.seconds == pytest.approx(before.seconds + 4.0)
    assert replace(now, rows=0, seconds=0, furthest_deg=0, still_s=0) == replace(
        before, rows=0, seconds=0, furthest_deg=0, still_s=0
    )
    assert station.reconnects == 1
    assert (station.watch.state().lost, station.watch.state().refused) == (12, 40)
    assert line(station).startswith("THE BOARD STARTED AGAIN")
    station.close()
    assert sorted(set(load(captures_of(tmp_path)[0]).samples.origin.tolist())) == [0, 1]


def test_a_board_that_went_on_counting_is_followed_over_the_gap(tmp_path: Path) -> None:
    station = fed(alone(tmp_path), samples(path(0, 90)))
    station.take(Connected(Hello(BOARD, 0, 0), True, 100, cast(Link, None)))
    fed(station, [Hello(BOARD, 600, 0), Sample(600, 600_000, 1000, 0, (0,), (0,))])
    assert station.recording is not None
    assert station.recording.counts().turned_deg == pytest.approx(100.0)
    assert (station.watch.state().lost, station.reconnects) == (100, 1)
    station.close()


def test_the_line_fits_and_says_what_there_is(tmp_path: Path) -> None:
    assert line(Station(setup_of(UP, tmp_path, INTAKE), lambda: 0.0)) == "waiting for the board"
    station = alone(tmp_path / "sweep")
    assert line(station) == "the board has answered, nothing has come yet"
    fed(station, samples(path(0, 2160)))
    assert line(station) == "count 21600, +2160.0 deg  lift 0.000 mm  covered 100 %  passes 3  lost 0"
    inches = parse_job(template().replace('units = "mm"', 'units = "in"'))
    stop = fed(alone(tmp_path / "stop", STOP, inches), samples(path(0, 150, -160, 150, -160, 10)))
    assert line(stop) == "count 100, +10.0 deg  lift 0.0000 in  contacts 2 + 2  lost 0"
    for made in (station, stop):
        made.take(Broken(OVER))
        assert line(made) == "the link is lost, trying to find it again (1)"
        assert len(line(made)) <= WIDTH
        made.close()
