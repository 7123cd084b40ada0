"""What the screen looks like in every step and in every state of the link, at three sizes. Nothing in it moves."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from acquire.dashboard.app import Dashboard
from acquire.link.outcomes import Broken
from acquire.procedure.link_state import FAILED, LIVE, STALLED
from acquire.procedure.messages import ERROR
from acquire.procedure.session import Place, Plan
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from acquire.procedure.workers import Workers
from acquire.simulator.scenarios import SCENARIOS
from analysis.base.errors import CaptureError, LinkError
from analysis.base.finding import NOTE, Finding
from analysis.base.quantity import Quantity, Source
from analysis.decision.card import Asked
from analysis.decision.correction import Correction, Move
from analysis.decision.decide import Decision
from analysis.decision.likely_causes import Causes
from analysis.decision.verdict import Line, Verdict
from analysis.job import Job
from analysis.live.partial import LiveResult, Passed
from analysis.lobe.result import Cam, Centerlines, Event, Lobe, Measurement, Tdc
from analysis.tdc.stop import TdcFound
from tests.left_out import thorough
from tests.rigs import MADE_UP, known
from tests.walked import Walk

SIZES = [(80, 24), (120, 36), (200, 60)]
LARGER = thorough(*((size,) for size in SIZES[1:]))  # what fits the least size stands there too
# Each step, and how many blocks of its data have come.
STEPS = {
    Place(CAUTIONS): 0,
    Place(RIG): 4,
    Place(STOP): 42,
    Place(STOP_OUT): 2,
    Place(ZERO, "intake"): 5,
    Place(SWEEP, "intake"): 14,
    Place(RESULT, "intake"): 1,
    Place(ZERO, "exhaust"): 0,
    Place(SWEEP, "exhaust"): 20,
    Place(RESULT, "exhaust"): 1,
    Place(DONE): 1,
}


def _event(valve: str, mm: float, opens: float, closes: float, u95: float) -> Event:
    return Event(
        mm,
        "lobe",
        known(opens, u95, "deg", f"{valve} opens"),
        known(closes, 1.4 * u95, "deg", f"{valve} closes"),
        known(closes - opens, 1.6 * u95, "deg"),
    )


def _lobe(valve: str, shift: float, center: float) -> Lobe:
    events = [(0.15, -8.2, 257.7, 0.56), (0.5, 8.83, 225.62, 0.12), (1.0, 17.81, 213.73, 0.12), (1.27, 21.31, 210.4, 0.13)]
    by = ((0.0, 0.12), (0.9, 0.13), (2.1, 0.15), (-0.4, 0.4))
    return Lobe(
        1,
        valve,
        3,
        tuple(_event(valve, mm, opens + shift, closes + shift, u95) for mm, opens, closes, u95 in events),
        Centerlines(*(known(center + off, u95, "deg", f"{valve} centerline") for off, u95 in by)),
        known(11.2141, 0.0095, "mm"),
        known(7.6094, 0.0063, "mm"),
        known(0.81, 0.11, "deg"),
        known(25.2, 1.4, "ms"),
        **MADE_UP,
    )


# Figures made up: a picture is no measurement, and must not change when a measurement gets better.
FIGURES = Measurement(
    tdc=Tdc(known(3400.41, 0.36, "count"), "stop", 6),
    lobes=(_lobe("intake", 0.0, 108.07), _lobe("exhaust", -220.4, -110.21)),
    cam=Cam(1, known(109.14, 0.08, "cam deg"), known(1.07, 0.09, "deg", "advance"), known(-34.2, 0.2, "deg"), 1.27),
    findings=(Finding("spikes", NOTE, "1 of 7186 readings were outliers and were rejected.", "A few are usual."),),
)


def figures(place: Place) -> LiveResult:
    """What is known in a step: nothing, openings, or everything."""
    lobe = next((lobe for lobe in FIGURES.lobes if lobe.valve == place.valve), None)
    if lobe is None or place.step == ZERO:
        tdc = TdcFound(Quantity(3400.41, {Source("made up"): 0.18}), 2400, "stop") if place.step in (STOP, TRAVEL) else None
        return LiveResult({}, None, "not whole yet" if lobe else "", tdc)
    whole = tuple(Passed(e.lift_mm, e.at, e.opens, e.closes, e.duration) for e in lobe.events)
    if place.valve == "intake":
        return LiveResult({"intake": tuple(replace(e, closes=None, duration=None) for e in whole[:3])}, None, "not whole yet")
    return LiveResult({place.valve: whole}, replace(FIGURES, lobes=(lobe,)))


def decision(job: Job) -> Decision:
    """What follows from the figures, made up as well."""

    def line(kind: str, valve: str, value: float, off: float, verdict: Verdict, lift_mm: float = 0.0) -> Line:
        asked = Asked(kind, valve, value, 1.0, lift_mm, "lobe" if lift_mm else "")
        return Line(asked, Quantity(value + off, {Source("made up"): 0.1}), 0.2, verdict)

    lines = (
        line("duration", "intake", 189.0, 0.09, "within", 1.27),
        line("centerline", "intake", 104.0, 4.07, "outside"),
        line("duration", "exhaust", 190.0, -0.9, "cannot tell", 1.27),
        line("centerline", "exhaust", -114.0, 3.79, "outside"),
    )
    late = Move("camshaft", ("intake", "exhaust"), Quantity(4.0), 0.2, "outside", 4.0, 4.0)
    said = "The camshaft stands 4.0 crank degrees late: the timing set is one mark off."
    likely = Finding("late-cam", NOTE, "every event is late by as much", said)
    return Decision(job, FIGURES, lines, (), (), (), (), None, None, Causes((likely,)), Correction((late,), (), ()), None)


class Still(Workers):
    """No worker works: what the station holds is all there is."""

    async def read(self) -> None:
        await asyncio.Event().wait()

    async def work(self) -> None:
        await asyncio.Event().wait()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pictures")


@pytest.fixture(scope="module")
def standing(folder: Path) -> Iterator[Any]:
    """Walks as they stand in a step, one for each."""
    made: list[Walk] = []

    @cache
    def at(place: Place, blocks: int, plan: Plan = Plan()) -> Walk:  # noqa: B008
        walk = Walk(folder / f"{len(made)}", SCENARIOS["workshop"], plan)
        made.append(walk)
        standing_at(walk, place, blocks)
        return walk

    yield at
    for walk in made:
        walk.station.close()


def standing_at(walk: Walk, place: Place, blocks: int) -> None:
    walk.jump(place)
    if place.step in (STOP, TRAVEL, ZERO) and blocks > 1:
        walk.speak()  # what was to be set up is set up
    for _ in range(blocks):
        walk.feed()
        if walk.station.recording is not None:
            walk.station.live = figures(place)
    walk.station.result = FIGURES
    walk.station.decision = decision(walk.station.job) if place.step in (RESULT, DONE) else None
    assert walk.station.session.at == place


def app_of(walk: Walk, **look: bool) -> Dashboard:
    return Dashboard(Still(walk.station, walk.workers._source, clock=walk.clock), **look)


# Every kind of panel at the least size; what has large digits, a curve or tables at a larger one too. The intake's panels are those
# of the exhaust, and a plot of its sweep stands in the states of the link.
DRAWN = {(place, SIZES[0]) for place in STEPS if place.valve != "intake"} | {
    (Place(STOP), SIZES[2]),
    (Place(SWEEP, "exhaust"), SIZES[2]),
    (Place(DONE), SIZES[1]),
}


@pytest.mark.parametrize(
    ("place", "size"),
    [
        pytest.param(
            place,
            size,
            id=f"{' '.join(place[:2])}-{size[0]}x{size[1]}",
            marks=[] if (place, size) in DRAWN else [pytest.mark.thorough],
        )
        for place in STEPS
        for size in SIZES
    ],
)
def test_every_step(snap_compare: Any, standing: Any, place: Place, size: tuple[int, int]) -> None:
    walk = standing(place, STEPS[place])
    assert walk.station.session.at == place
    assert snap_compare(app_of(walk), terminal_size=size)
    assert [message.text for message in walk.station.messages if message.kind == ERROR] == [], "what failed draws nothing"


@pytest.mark.parametrize("size", [SIZES[0], *LARGER], ids="{0[0]}x{0[1]}".format)
def test_piston_travel(snap_compare: Any, standing: Any, size: tuple[int, int]) -> None:
    assert snap_compare(app_of(standing(Place(TRAVEL), 14, Plan("travel"))), terminal_size=size)


@pytest.mark.parametrize("size", [SIZES[0], *LARGER], ids="{0[0]}x{0[1]}".format)
@pytest.mark.parametrize("state", ["stalled", "disconnected", *thorough("failed", "paused")])  # test_troubles, test_next_move too
def test_every_state_of_the_link(snap_compare: Any, walks: Any, state: str, size: tuple[int, int]) -> None:
    walk = walks(SCENARIOS["workshop"])
    standing_at(walk, Place(SWEEP, "intake"), 14)
    app = app_of(walk)
    if state == "stalled":
        walk.clock.now += 7.3
        assert walk.station.watch.state().state == STALLED
    elif state == "disconnected":
        walk.station.take(
            Broken(LinkError("the link was lost: the cable was pulled", where="/dev/ttyUSB0", do="Check plug and power"))
        )
    elif state == "failed":
        walk.station.failed("recorder", CaptureError("the capture cannot be written any further", where="02.csv", do="Make room"))
        assert walk.station.watch.state().state == FAILED
    else:
        assert walk.station.watch.state().state == LIVE
        app.paused = True
        app.picture = replace(app.picture)
    assert snap_compare(app, terminal_size=size)


def test_light_background(snap_compare: Any, standing: Any) -> None:
    assert snap_compare(
        app_of(standing(Place(SWEEP, "intake"), STEPS[Place(SWEEP, "intake")]), light=True), terminal_size=(120, 36)
    )


def test_without_color(snap_compare: Any, standing: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    assert snap_compare(app_of(standing(Place(SWEEP, "exhaust"), STEPS[Place(SWEEP, "exhaust")])), terminal_size=(80, 24))


def test_too_small(snap_compare: Any, standing: Any) -> None:
    assert snap_compare(app_of(standing(Place(SWEEP, "intake"), STEPS[Place(SWEEP, "intake")])), terminal_size=(60, 20))


def test_the_curve_looked_at_closely(snap_compare: Any, standing: Any) -> None:
    assert snap_compare(
        app_of(standing(Place(SWEEP, "exhaust"), STEPS[Place(SWEEP, "exhaust")])), terminal_size=(120, 36), press=["v"]
    )


@pytest.mark.parametrize("key", ["o", "r"], ids=["override", "redo"])
def test_questions(snap_compare: Any, standing: Any, key: str) -> None:
    assert snap_compare(
        app_of(standing(Place(SWEEP, "exhaust"), STEPS[Place(SWEEP, "exhaust")])), terminal_size=(80, 24), press=[key]
    )
