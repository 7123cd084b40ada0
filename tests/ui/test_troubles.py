"""Whatever breaks behind the screen ends in one typed message on it; what was recorded stays."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Callable
from dataclasses import replace
from typing import Any

import pytest

from acquire.dashboard import main_screen
from acquire.dashboard.app import Dashboard
from acquire.dashboard.lines import Lines
from acquire.dashboard.panels import banner
from acquire.dashboard.picture import snapshot_of
from acquire.link.outcomes import Batch, Broken, Ended, Idle, Outcome
from acquire.link.reconnect import Connected
from acquire.procedure import station as station_module
from acquire.procedure import workers
from acquire.procedure.link_state import DISCONNECTED, FAILED, LIVE, STALLED
from acquire.procedure.messages import Failure
from acquire.procedure.session import Place, Plan, places
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STEPS, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from acquire.procedure.workers import Workers
from acquire.simulator.scenarios import SCENARIOS
from acquire.wire import Hello
from analysis.base.errors import LinkError
from analysis.capture import load
from tests.walked import Walk, nothing

Walks = Callable[..., Walk]
LOST = LinkError(
    "the link was lost: the cable was pulled or the board lost its power", where="/dev/ttyUSB0", do="Check plug and power"
)


def failures(walk: Walk) -> list[Failure]:
    return [message for message in walk.station.messages if isinstance(message, Failure)]


async def shown(app: Dashboard, until: Callable[[str], bool]) -> str:
    """What stands on the screen, once that holds."""
    async with app.run_test(size=(120, 36)) as pilot:
        text = ""
        for _ in range(400):
            await pilot.pause()
            app.draw()
            text = "\n".join(panel.text() for panel in app.screen_stack[0].query(Lines) if panel.display)
            if until(text):
                break
        await app.finish()
        return text


def screen(walk: Walk, source: Callable[[], AsyncGenerator[Any, None]] = nothing, **options: Any) -> Dashboard:
    return Dashboard(Workers(walk.station, source, clock=walk.clock), **options)


async def test_a_reader_that_breaks(walks: Walks) -> None:
    async def broken() -> AsyncGenerator[Connected | Outcome, None]:
        yield Idle(0.25)
        raise RuntimeError("boom")

    walk = walks()
    text = await shown(screen(walk, broken), lambda text: "READER" in text)
    assert "READER FAILED. RuntimeError: boom" in text
    assert "FAILED" in text
    assert [(f.worker, f.error) for f in failures(walk)] == [("reader", "RuntimeError")]
    assert walk.station.watch.state().state == FAILED


async def test_a_port_that_another_program_holds(walks: Walks) -> None:
    async def busy() -> AsyncGenerator[Connected | Outcome, None]:
        error = LinkError("another program holds this port", where="/dev/ttyUSB0", do="Close the other program, then try again")
        while True:
            yield Broken(error)
            await asyncio.sleep(0)

    walk = walks()
    text = await shown(screen(walk, busy), lambda text: "another program" in text)
    assert text.count("another program holds this port") == 1, "said once, however often it is tried"
    assert "DISCONNECTED" in text


async def test_a_disk_that_is_full(walks: Walks) -> None:
    walk = walks()
    walk.sweep("intake")
    assert walk.station.recording is not None
    recorder = walk.station.recording.recorder
    assert recorder is not None
    recorder._file = Full(recorder._file)  # type: ignore[assignment]
    events = tuple(walk.engine.more())

    async def source() -> AsyncGenerator[Connected | Outcome, None]:
        yield Batch(events, 1000, walk.clock())
        await asyncio.Event().wait()

    text = await shown(screen(walk, source), lambda text: "RECORDER" in text)
    assert "RECORDER FAILED" in text
    assert "No space left on device" in text
    assert [f.worker for f in failures(walk)] == ["recorder"]
    assert load(recorder.path).samples.crank.size == recorder.rows, "what came before is kept"


class Full:
    """A file on a full disk."""

    def __init__(self, file: Any) -> None:
        self._real = file

    def write(self, _data: bytes) -> int:
        raise OSError(28, "No space left on device")

    def fileno(self) -> int:
        return int(self._real.fileno())

    def close(self) -> None:
        self._real.close()


async def test_results_that_break(walks: Walks, monkeypatch: pytest.MonkeyPatch) -> None:
    def boom(*_: object) -> None:
        raise ZeroDivisionError("boom")

    walk = walks()
    walk.sweep("intake")
    walk.feed(3)
    monkeypatch.setattr(workers, "result_so_far", boom)
    text = await shown(screen(walk), lambda text: "RESULTS" in text)
    assert "RESULTS FAILED. ZeroDivisionError: boom" in text
    assert walk.station.watch.state().state == LIVE, "recording goes on"


async def test_a_picture_that_breaks(walks: Walks, monkeypatch: pytest.MonkeyPatch) -> None:
    walk = walks()
    monkeypatch.setattr(main_screen.panels, "do", lambda *_, **__: 1 / 0)
    app = screen(walk)
    async with app.run_test(size=(120, 36)) as pilot:
        for _ in range(5):
            await pilot.pause()
            app.draw()
        monkeypatch.undo()
        app.draw()
        assert [(f.worker, f.error) for f in failures(walk)] == [("screen", "ZeroDivisionError")], "once, not at every picture"
        await app.finish()


async def test_a_procedure_that_breaks(walks: Walks, monkeypatch: pytest.MonkeyPatch) -> None:
    walk = walks()
    walk.sweep("intake")
    assert walk.station.recording is not None
    recorder = walk.station.recording.recorder
    assert recorder is not None
    monkeypatch.setattr(station_module, "looked_at", lambda _session, _facts: 1 / 0)
    text = await shown(screen(walk), lambda text: "SESSION" in text)
    assert "SESSION FAILED. ZeroDivisionError" in text
    assert walk.station.watch.state().state == FAILED
    assert load(recorder.path).complete, "the capture is closed"


async def test_a_simulator_that_dies(walks: Walks) -> None:
    async def dies() -> None:
        raise LinkError("the simulator has ended", do="Quit, and begin again: what is recorded stays")

    walk = walks()
    text = await shown(screen(walk, extra=(("simulator", dies),)), lambda text: "SIMULATOR" in text)
    assert "SIMULATOR FAILED. the simulator has ended" in text


# Every step there is: one lobe by the stop, one by the piston's travel, and both lobes in one sweep.
UNPLUGGED = [
    ("clean", Plan("stop", ("intake",)), [p for p in places(Plan("stop", ("intake",))) if p.step != DONE]),
    ("clean", Plan("travel", ("intake",)), [Place(TRAVEL), Place(SWEEP, "intake")]),
    ("two-channel", Plan("stop", ("both",)), [Place(SWEEP, "both")]),
]


HAVE_TDC = (STOP_OUT, ZERO, SWEEP)  # where an index pulse makes a difference
# Before TDC is looked for and while it is, and behind that: with an index pulse it is kept, without it is lost, and found again by
# the stop or by travel.
TYPICAL = [("stop", RIG, False), ("stop", STOP, False), ("stop", ZERO, False), ("stop", SWEEP, True), ("travel", SWEEP, False)]


def test_every_step_is_unplugged() -> None:
    assert {place.step for _, _, them in UNPLUGGED for place in them} == {step for step in STEPS if step != DONE}


@pytest.mark.parametrize(
    ("name", "plan", "place", "index"),
    [
        pytest.param(
            name,
            plan,
            place,
            index,
            id=f"{'index' if index else 'no index'}-{plan.tdc} {' '.join(place[:2])}",
            marks=[] if (plan.tdc, place.step, index) in TYPICAL and place.valve != "both" else [pytest.mark.thorough],
        )
        for name, plan, them in UNPLUGGED
        for place in them
        for index in ((True, False) if place.step in HAVE_TDC else (False,))
    ],
)
def test_unplugged_and_plugged_in_again(walks: Walks, name: str, plan: Plan, place: Place, index: bool) -> None:
    """The board loses its power, and counts anew when it is back. The step comes to its end all the same, a sweep to its result."""
    scenario = SCENARIOS[name]
    rig = replace(scenario.rig, encoder=replace(scenario.rig.encoder, index=index))
    walk = walks(replace(scenario, rig=rig), plan)
    walk.jump(place)
    if place.step not in (CAUTIONS, RESULT):
        walk.speak()
    walk.feed(0 if place.step == ZERO else 2)
    assert walk.station.session.at == place
    walk.station.take(Broken(LOST))
    assert walk.station.watch.state().state == DISCONNECTED
    assert "the cable was pulled" in snapshot_of(walk.station).messages[-1].text
    for _ in range(3):
        walk.station.take(Broken(LOST))
    assert sum("the cable was pulled" in message.text for message in walk.station.messages) == 1
    walk.engine.starts_again(boot=58)
    board = replace(walk.engine.rig.hello, boot=58)
    walk.station.take(Connected(Hello(board, 0, 0), False, 0, None))  # type: ignore[arg-type]
    texts = " ".join(message.text for message in walk.station.messages)
    assert "The board started again" in texts
    if index or place.step not in HAVE_TDC:
        assert walk.station.session.at == place, "the session goes on where it was"
    else:
        assert "top dead center must be found again" in texts
        assert walk.station.session.at == Place(TRAVEL if plan.tdc == "travel" else STOP)
    order = places(plan)
    walk.to(Place(RESULT, plan.valves[0]) if place.step == SWEEP else order[order.index(walk.station.session.at) + 1])
    assert walk.station.live is None or not walk.station.live.why


def test_back_at_a_board_that_counts_anew_the_cautions_come_before_the_stop(walks: Walks) -> None:
    scenario = SCENARIOS["workshop"]
    walk = walks(replace(scenario, rig=replace(scenario.rig, encoder=replace(scenario.rig.encoder, index=False))))
    walk.jump(Place(ZERO, "intake"))
    walk.station.close()
    walk.engine.starts_again(boot=58)
    walk.begin()
    board = replace(walk.engine.rig.hello, boot=58)
    walk.station.take(Connected(Hello(board, 0, 0), None, 0, None))  # type: ignore[arg-type]
    assert "top dead center must be found again" in list(walk.station.messages)[-1].text
    assert walk.station.session.at == Place(CAUTIONS)
    walk.speak()
    assert walk.station.session.at == Place(STOP)


def test_a_board_that_went_on_counting_costs_only_frames(walks: Walks) -> None:
    walk = walks()
    walk.sweep("intake")
    assert walk.station.recording is not None
    recorder = walk.station.recording.recorder
    assert recorder is not None
    walk.station.take(Broken(LOST))
    missed = len(walk.engine.more())
    assert walk.engine.board is not None
    walk.station.take(Connected(Hello(walk.engine.board, 0, 0), True, missed, None))  # type: ignore[arg-type]
    walk.feed()
    assert walk.station.recording.recorder is recorder, "the same capture goes on"
    walk.station.close()
    capture = load(next(recorder.path.parent.rglob(recorder.path.name)))
    assert [gap.lost for gap in capture.gaps] == [missed]
    assert capture.samples.origin.max() == 0


def test_nothing_comes_is_drawn_as_stalled_and_its_age_grows(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(RIG))
    walk.feed()
    assert walk.station.watch.state().state == LIVE
    for seconds in range(1, 8):
        walk.clock.now += 1.0
        walk.station.take(Idle(0.25))
        state = walk.station.watch.state()
        assert state.age_s == pytest.approx(seconds)
        assert state.state == (STALLED if seconds > 1.5 else LIVE)
    walk.feed()
    assert walk.station.watch.state().state == LIVE


@pytest.mark.parametrize("how", ["stalled", "lost"])
def test_without_frames_nobody_says_that_the_crank_stands(walks: Walks, how: str) -> None:
    walk = walks()
    walk.sweep("intake")
    walk.feed(2)
    before = "".join(text for text, _ in banner(snapshot_of(walk.station))[0])
    assert any(word in before for word in ("FORWARD", "BACKWARD", "STANDING"))
    if how == "stalled":
        walk.clock.now += 5.0
    else:
        walk.station.take(Broken(LOST))
    after = "".join(text for text, _ in banner(snapshot_of(walk.station))[0])
    assert "NOT SEEN" in after
    assert not any(word in after for word in ("FORWARD", "BACKWARD", "STANDING", "readings count"))


def test_a_polite_end_is_no_break(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(RIG))
    walk.station.take(Ended("closed by the other side"))
    assert walk.station.watch.state().state == "ended"


def test_cautions_are_where_it_begins(walks: Walks) -> None:
    assert walks().station.session.at == Place(CAUTIONS)
    assert Place(STOP).title
