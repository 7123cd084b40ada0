"""The last step, which nobody must take: TDC found once more after the sweeps, walked by a simulated hand."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import copy
from dataclasses import replace
from functools import cache
from pathlib import Path
from shutil import copytree

import pytest

from acquire.dashboard.keys import offered
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.verdict_view import verdict
from acquire.link.reconnect import Connected
from acquire.procedure.messages import ERROR
from acquire.procedure.session import Place, Plan
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, STOP, STOP_OUT, TRAVEL
from acquire.simulator.scenarios import SCENARIOS
from acquire.wire import Hello
from analysis.base.errors import UsageError
from analysis.base.finding import DOUBT, Finding
from analysis.capture import header_of, load
from analysis.diagnosis.examine import examine
from tests.left_out import thorough
from tests.walked import Walk

Ended = Callable[..., Walk]
STOP_AGAIN, OUT_AGAIN, TRAVEL_AGAIN = (Place(step, again=True) for step in (STOP, STOP_OUT, TRAVEL))
CLEAN = SCENARIOS["clean"]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, bool], Walk]:
    """Walks to the end, by way of finding TDC and with an index pulse or without: one sweep, and nothing found again yet."""

    @cache
    def walked(way: str, index: bool) -> Walk:
        rig = replace(CLEAN.rig, encoder=replace(CLEAN.rig.encoder, index=index))
        walk = Walk(tmp_path_factory.mktemp(way), replace(CLEAN, rig=rig), Plan(way, ("intake",)))
        walk.jump(Place(DONE), swept=True)
        walk.station.close()
        return walk

    return walked


@pytest.fixture
def ended(measured: Callable[[str, bool], Walk], tmp_path: Path) -> Iterator[Ended]:
    """The same, each with a folder and an engine of its own."""
    made: list[Walk] = []

    def walk_of(way: str = "stop", *, index: bool = False) -> Walk:
        done = measured(way, index)
        walk, engine = copy(done), copy(done.engine)
        engine._asked, engine._events = engine._asked.copy(), engine._events.copy()
        walk.engine, walk.folder = engine, Path(copytree(done.folder, tmp_path / "job"))
        walk.begin()
        walk.to(Place(DONE))
        made.append(walk)
        return walk

    yield walk_of
    for walk in made:
        walk.station.close()


def in_hand(walk: Walk) -> Place:
    """To the last step, from the end."""
    walk.station.check_tdc()
    return walk.station.session.at


def to_the_end(walk: Walk) -> dict[str, Finding]:
    """What is found in the end, by code."""
    walk.to(Place(DONE))
    walk.workers.settle()
    assert walk.station.result is not None
    return {finding.code: finding for finding in walk.station.result.findings}


def text_of(walk: Walk) -> str:
    return " ".join(" ".join("".join(part for part, _ in line) for line in verdict(snapshot_of(walk.station), 80)).split())


def finished(walk: Walk) -> list[str]:
    return [header_of(path).step for path in sorted((walk.folder / "captures").glob("*.csv"))]


def restarts(walk: Walk, same: bool | None = False) -> None:
    walk.engine.starts_again(boot=58)
    board = replace(walk.engine.rig.hello, boot=58)
    walk.station.take(Connected(Hello(board, 0, 0), same, 0, None))  # type: ignore[arg-type]


@pytest.mark.parametrize("way", ["stop", "travel"])
def test_where_nothing_slipped_the_result_says_that_tdc_held(ended: Ended, way: str) -> None:
    walk = ended(way)
    assert "tdc-not-rechecked" in to_the_end(walk)
    assert in_hand(walk) == (STOP_AGAIN if way == "stop" else TRAVEL_AGAIN)
    found = to_the_end(walk)
    assert "tdc-held" in found
    assert not {"tdc-not-rechecked", "tdc-moved"} & set(found)
    assert finished(walk) == [way, "sweep", way]
    assert "TDC was found again after the sweeps and agreed: the count moved by" in text_of(walk)


@pytest.mark.parametrize(
    ("way", "slipped_deg"),
    [
        ("stop", -1.5),
        ("travel", 1.5),
        *thorough(("stop", 1.5), ("travel", -1.5)),
    ],
)
def test_a_clamp_that_slipped_before_it_puts_tdc_in_doubt(ended: Ended, way: str, slipped_deg: float) -> None:
    """The clamp lets the encoder stay behind by so much: the count at TDC is less by it, and TDC seems to come earlier."""
    walk = ended(way)
    state = walk.engine._state
    walk.engine._state = replace(state, slipped_deg=state.slipped_deg + slipped_deg)
    in_hand(walk)
    found = to_the_end(walk)
    assert found["tdc-moved"].weight == DOUBT
    result = walk.station.result
    assert result is not None
    again = result.evidence.checked_again
    assert again is not None
    assert again.value == pytest.approx(-slipped_deg, abs=again.u95)
    said = text_of(walk)
    assert f"{abs(again.value):.2f}" in said
    assert f"degrees {'earlier' if slipped_deg > 0 else 'later'} than before them" in said


@pytest.mark.parametrize("place", [STOP_AGAIN, TRAVEL_AGAIN, *thorough((OUT_AGAIN,))], ids=lambda place: place.step)
def test_quit_in_the_last_step_and_come_back_it_goes_on_there(ended: Ended, place: Place) -> None:
    walk = ended("travel" if place == TRAVEL_AGAIN else "stop")
    in_hand(walk)
    walk.to(place)
    walk.speak()
    walk.feed(6)
    assert walk.station.session.at == place
    walk.station.close()
    walk.begin()
    assert walk.station.session.at == Place(CAUTIONS)
    assert snapshot_of(walk.station).goes_on == place.title
    walk.speak()
    assert walk.station.session.at == place
    assert "tdc-held" in to_the_end(walk)


@pytest.mark.parametrize("place", [Place(STOP_OUT), Place(RESULT, "intake"), Place(RESULT, "exhaust")], ids=lambda p: p.title)
def test_at_the_last_result_it_is_offered_and_before_it_is_not(walks: Ended, place: Place) -> None:
    walk = walks(CLEAN)
    walk.jump(place)
    last = place == Place(RESULT, "exhaust")
    assert offered(walk.station, curve=False)["check_tdc"] == last
    if last:
        walk.station.check_tdc()
        assert walk.station.session.at == STOP_AGAIN
        keys = offered(walk.station, curve=False)
        assert (keys["check_tdc"], keys["leave_check"]) == (False, True)


def test_given_up_nothing_of_it_counts(ended: Ended) -> None:
    walk = ended()
    in_hand(walk)
    walk.speak()
    walk.feed(12)
    walk.station.leave_check()
    assert walk.station.session.at == OUT_AGAIN
    assert "tdc-not-rechecked" in to_the_end(walk)
    assert finished(walk) == ["stop", "sweep"]


def test_a_board_that_starts_again_in_the_last_step_ends_it_and_that_is_said(ended: Ended) -> None:
    walk = ended()
    walk.workers.settle()
    before = walk.station.result
    assert before is not None
    in_hand(walk)
    walk.speak()
    walk.feed(12)
    restarts(walk)
    said = list(walk.station.messages)[-1]
    assert said.kind == ERROR
    assert said.text.startswith("The board has started again since TDC was found, and there is no index pulse")
    assert walk.station.session.at == OUT_AGAIN, "the stop must come out all the same"
    assert "tdc-not-rechecked" in to_the_end(walk)
    assert walk.station.result is not None
    assert walk.station.result.lobes == before.lobes
    assert finished(walk) == ["stop", "sweep"]


def test_a_board_that_started_again_while_the_job_was_left_is_said_too(ended: Ended) -> None:
    walk = ended()
    in_hand(walk)
    walk.station.close()
    walk.engine.board = None  # not connected yet
    walk.begin()
    restarts(walk, None)
    assert "TDC found now cannot be compared" in list(walk.station.messages)[-1].text
    assert walk.station.session.at == Place(CAUTIONS)
    walk.speak()
    assert walk.station.session.at == OUT_AGAIN


def test_after_a_new_start_without_an_index_it_is_refused_with_the_reason(ended: Ended) -> None:
    walk = ended()
    restarts(walk)
    with pytest.raises(UsageError, match="cannot be compared"):
        walk.station.check_tdc()
    assert walk.station.session.at == Place(DONE)


def test_with_an_index_pulse_a_new_start_of_the_board_does_no_harm(ended: Ended) -> None:
    walk = ended(index=True)
    in_hand(walk)
    walk.speak()
    walk.feed(12)
    restarts(walk)
    assert walk.station.session.at == STOP_AGAIN
    assert "tdc-held" in to_the_end(walk)


def test_a_stop_behind_the_sweeps_that_nothing_ties_to_them_replaces_no_other(ended: Ended) -> None:
    """As `lobetrace capture` records it on a board that starts anew when its port is opened."""
    walk = ended()
    stop, sweep = (load(path) for path in sorted((walk.folder / "captures").glob("*.csv")))
    elsewhere = replace(stop.header, link="another", board=replace(stop.header.board, boot=58))
    late = replace(stop, header=elsewhere, samples=replace(stop.samples, crank=stop.samples.crank + 777))
    found = examine(walk.job, [stop, sweep, late])
    assert found.lobes == examine(walk.job, [stop, sweep]).lobes
    assert "tdc-not-rechecked" in {finding.code for finding in found.findings}
