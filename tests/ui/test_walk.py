"""The whole procedure without a screen: walked by a simulated hand, judged by what the simulator knows."""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Callable
from pathlib import Path

import pytest

from acquire.cli.versus import versus
from acquire.dashboard.panels import panel
from acquire.dashboard.picture import snapshot_of
from acquire.procedure import workers
from acquire.procedure.messages import NOTE, NOTE_S, WARNING
from acquire.procedure.saved_session import read_session
from acquire.procedure.session import Place, Plan, places
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, ZERO
from acquire.simulator.asked import in_short_turns
from acquire.simulator.phases import REST, record_phase, start
from acquire.simulator.scenarios import SCENARIOS
from acquire.simulator.truth import truth
from acquire.wire import Decoder
from analysis.capture import load
from analysis.diagnosis.examine import examine
from analysis.live.partial import LiveResult
from tests.left_out import thorough
from tests.walked import LARGE, Walk, worked

Walks = Callable[..., Walk]


@pytest.mark.parametrize(
    ("name", "plan"),
    [
        ("clean", Plan("travel")),
        ("two-channel", Plan("stop", ("both",))),
        *thorough(("reverse", Plan()), ("workshop", Plan())),  # walked at a real terminal too
    ],
    ids=["by travel", "both valves at once", "count goes down", "workshop"],
)
def test_every_place_is_passed_and_in_the_end_the_results_hold_the_truth(walks: Walks, name: str, plan: Plan) -> None:
    scenario = SCENARIOS[name]
    walk = walks(scenario, plan)
    seen = [walk.station.session.at]

    def done() -> bool:
        if seen[-1] != walk.station.session.at:
            seen.append(walk.station.session.at)
        return walk.station.session.at.step == DONE

    walk.until(done, size=LARGE)
    assert tuple(seen) == places(plan)
    assert walk.station.ended == len(seen) - 1, "so often the bell has rung"
    assert [happened.place for happened in read_session(walk.folder)] == seen[:-1]
    walk.workers.settle()
    result = snapshot_of(walk.station).result
    assert result is not None
    known = truth(scenario.rig, [(mm, walk.job.measure.checking_at) for mm in walk.job.measure.checking_lifts_mm])
    rows = versus(result, known)
    assert len(rows) > 30
    # 95 % intervals: of this many, a few may miss, none by much.
    assert sum(row.inside for row in rows) >= 0.85 * len(rows)
    assert [row for row in rows if abs(row.off) > 2.5 * row.measured.u95] == []
    captures = [load(path) for path in sorted((walk.folder / "captures").glob("*.csv"))]
    assert all(capture.complete for capture in captures)
    assert examine(walk.job, captures).lobes == result.lobes, "the files say the same"
    assert not walk.station.session.overrides
    assert [message for message in walk.station.messages if message.kind == "error"] == []


@pytest.mark.parametrize(
    "place",
    [
        *(Place(STOP), Place(ZERO, "intake"), Place(RESULT, "exhaust")),  # before TDC, behind it, and with all recorded
        *thorough((Place(RIG),), (Place(STOP_OUT),), (Place(SWEEP, "exhaust"),)),
    ],
    ids=lambda place: " ".join(place[:2]),
)
def test_quit_in_any_step_and_come_back_it_goes_on_there(walks: Walks, place: Place) -> None:
    walk = walks()
    walk.jump(place, swept=True)
    walk.feed(3)
    walk.station.close()
    walk.begin()
    walk.speak()
    assert walk.station.session.at == place
    order = places(walk.plan)
    if place.valve != "exhaust":
        walk.to(order[order.index(place) + 1])
        return
    walk.to(Place(DONE))
    walk.workers.settle()
    result = snapshot_of(walk.station).result
    assert result is not None
    assert {lobe.valve for lobe in result.lobes} == {"intake", "exhaust"}


@pytest.mark.parametrize("phase", ["check", "stop", "travel", "intake", REST])
def test_events_that_walks_take_without_a_line_are_those_that_come_over_it(phase: str) -> None:
    rig = in_short_turns(SCENARIOS["workshop"].rig)
    sent = record_phase(rig, phase, start(rig))
    _, hello, events = worked(rig, phase, start(rig))
    assert [hello, *events] == Decoder().feed(sent.data)


async def test_another_pass_brings_a_result_before_the_share_of_the_machine_allows_one(
    walks: Walks, monkeypatch: pytest.MonkeyPatch
) -> None:
    walk = walks()
    walk.sweep("intake")
    worked_at: list[int] = []

    def passes() -> int:
        assert walk.station.recording is not None
        return walk.station.recording.counts().passes

    def slow(*_: object) -> LiveResult:
        walk.clock.now += 10.0
        worked_at.append(passes())
        return LiveResult({}, None)

    monkeypatch.setattr(workers, "result_so_far", slow)
    monkeypatch.setattr(workers, "_LEAST_S", 0.0)
    working = asyncio.create_task(walk.workers.work())
    while not worked_at:
        await asyncio.sleep(0)
    while not passes():
        walk.feed()
        for _ in range(20):
            await asyncio.sleep(0)
    while len(worked_at) == 1:
        await asyncio.sleep(0)
    assert worked_at == [0, 1]
    working.cancel()
    await asyncio.gather(working, return_exceptions=True)


def test_what_was_begun_and_not_ended_is_put_aside(walks: Walks) -> None:
    walk = walks()
    walk.sweep("intake")
    walk.feed(3)
    walk.station.close()
    assert [path.name for path in (walk.folder / "captures" / "unfinished").glob("*.csv")] == ["02-sweep-intake.csv"]
    assert [path.name for path in (walk.folder / "captures").glob("*.csv")] == ["01-stop.csv"]
    assert load(walk.folder / "captures" / "unfinished" / "02-sweep-intake.csv").complete


def test_what_was_put_aside_before_stays(walks: Walks) -> None:
    """The next attempt gets the same number, since the first no longer lies among the captures."""
    walk = walks()
    walk.sweep("intake")
    aside = walk.folder / "captures" / "unfinished"
    kept: dict[str, bytes] = {}
    for name in ("02-sweep-intake.csv", "02-sweep-intake-2.csv", "02-sweep-intake-3.csv"):
        walk.feed(3)
        walk.station.close()
        assert {path.name for path in aside.iterdir()} == {*kept, name}
        assert all((aside / before).read_bytes() == data for before, data in kept.items())
        kept[name] = (aside / name).read_bytes()
        walk.begin()
        walk.to(Place(SWEEP, "intake"))
    assert len(set(kept.values())) == 3


def test_what_is_put_aside_is_said_and_so_is_that_it_could_not_be(walks: Walks, monkeypatch: pytest.MonkeyPatch) -> None:
    walk = walks()
    walk.sweep("intake")
    walk.until(lambda: bool(walk.station.recording and walk.station.recording.recorder and walk.station.recording.recorder.rows))
    walk.station.redo(Place(ZERO, "intake"))
    assert "02-sweep-intake.csv was not finished" in list(walk.station.messages)[-1].text
    walk.to(Place(SWEEP, "intake"))

    def denied(_path: Path, _target: Path) -> Path:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "rename", denied)
    walk.station.redo(Place(ZERO, "intake"))
    said = list(walk.station.messages)[-1]
    assert said.kind == WARNING
    assert said.text.startswith("02-sweep-intake.csv: it is unfinished and could not be put aside (Permission denied).")


def test_whoever_comes_back_is_told_at_the_cautions_where_it_goes_on(walks: Walks) -> None:
    walk = walks()
    assert snapshot_of(walk.station).goes_on == ""
    walk.jump(Place(STOP_OUT))
    walk.station.close()
    walk.begin()
    picture = snapshot_of(walk.station)
    assert picture.place == Place(CAUTIONS)
    said = " ".join("".join(part for part, _ in line).strip() for line in panel(picture, 80))
    assert "It continues where it was left: REMOVE THE PISTON STOP." in said
    walk.to(Place(STOP_OUT))
    assert snapshot_of(walk.station).goes_on == ""


def test_a_note_passes_and_a_warning_stays(walks: Walks) -> None:
    walk = walks()
    walk.station.say(WARNING, "the board started again")
    walk.station.say(NOTE, "the bell is off")
    walk.clock.now += NOTE_S - 1
    assert [message.text for message in snapshot_of(walk.station).messages] == ["the board started again", "the bell is off"]
    walk.clock.now += 1
    assert [message.text for message in snapshot_of(walk.station).messages] == ["the board started again"]


def test_a_stop_done_again_replaces_the_first(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(RESULT, "intake"))
    first = walk.station.located.found_by
    walk.station.redo(Place(STOP))
    walk.to(Place(RESULT, "intake"))
    assert len(walk.station.located.found_by) == 1
    assert walk.station.located.found_by[0].path != first[0].path
    assert len(list((walk.folder / "captures").glob("*stop*.csv"))) == 2


def test_an_override_is_recorded_in_the_capture_and_in_the_procedure(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(STOP))
    walk.until(lambda: walk.station.facts().get("contacts high", 0) == 2)
    walk.station.override("two contacts are enough here")
    stop = next((walk.folder / "captures").glob("*stop*.csv"))
    assert "two contacts are enough here" in load(stop).marks[0]
    assert read_session(walk.folder)[-1].reason == "two contacts are enough here"
    assert snapshot_of(walk.station).overrides == ("Top dead center by piston stop: two contacts are enough here",)


def test_an_indicator_touched_before_the_first_turn_is_not_in_the_recording(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(ZERO, "exhaust"))
    walk.speak()
    walk.until(lambda: bool(walk.station.recording and walk.station.recording.progress().rows))
    walk.to(Place(RESULT, "exhaust"))
    sweep = load(next((walk.folder / "captures").glob("*exhaust.csv")))
    assert not sweep.samples.still[0]


def test_a_rig_that_counts_against_the_job_does_not_pass_the_check(walks: Walks) -> None:
    scenario = SCENARIOS["reverse"]
    walk = walks(scenario)
    walk.job = walk.job.model_copy(update={"rig": walk.job.rig.model_copy(update={"direction": "up"})})
    walk.jump(Place(RIG))
    walk.feed(12)
    facts = walk.station.facts()
    assert facts["direction"] == 0
    assert facts["turned"] == 0
    assert walk.station.session.at == Place(RIG)
