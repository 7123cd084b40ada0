"""Keys: what the footer offers is what does something, and a panel that is longer than the screen can be turned."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Footer, Input, Static
from textual.widgets._footer import FooterKey

from acquire.dashboard.app import Dashboard
from acquire.dashboard.ask import Cylinders, Override, Redo, TimingMoved
from acquire.dashboard.key_list import KeyList
from acquire.dashboard.keys import offered, to_redo
from acquire.dashboard.lines import Lines
from acquire.dashboard.panels import do, head
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.window import furthest, window
from acquire.link.outcomes import Batch
from acquire.procedure.messages import ERROR
from acquire.procedure.session import Moved, Place, Plan
from acquire.procedure.setup import Setup
from acquire.procedure.station import Station
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, ZERO
from acquire.wire import Hello
from analysis.base.samples import Header
from analysis.capture import load
from analysis.job import load_job
from tests.left_out import thorough
from tests.ui.test_pictures import FIGURES, app_of, decision
from tests.walked import Clock, Walk

SAMPLES = Path(__file__).parents[2] / "sample-captures"

Walks = Callable[..., Walk]
ALWAYS = {"space", "question_mark", "q"}


def keys(app: Dashboard) -> set[str]:
    return {key.key for key in app.screen.query_one(Footer).query(FooterKey)}


def text(app: Dashboard, name: str = "panel") -> list[str]:
    return app.screen.query_one(f"#{name}", Lines).text().split("\n")


@asynccontextmanager
async def shown(walk: Walk, size: tuple[int, int] = (80, 24)) -> AsyncIterator[tuple[Dashboard, Pilot[None]]]:
    """Drawn once, and everything settled."""
    app = app_of(walk)
    async with app.run_test(size=size) as pilot:
        app.draw()
        await pilot.pause()
        yield app, pilot
        await app.finish()


@pytest.mark.parametrize(
    ("place", "them"),
    [
        (Place(CAUTIONS), {"enter", "c"}),
        (Place(RIG), {"o", "r"}),
        (Place(STOP), {"enter", "o", "r"}),
        (Place(RESULT, "exhaust"), {"enter", "r", "c", "t"}),
        (Place(DONE), {"r", "c", "t"}),
        *thorough(
            (Place(ZERO, "intake"), {"enter", "o", "r"}),
            (Place(SWEEP, "intake"), {"o", "r"}),
            (Place(RESULT, "intake"), {"enter", "r", "c"}),
        ),
    ],
    ids=lambda given: " ".join(given[:2]) if isinstance(given, Place) else "",
)
async def test_the_footer_offers_what_does_something(walks: Walks, place: Place, them: set[str]) -> None:
    walk = walks()
    if place.step != CAUTIONS:
        walk.jump(place)
    assert walk.station.session.at == place
    async with shown(walk) as (app, _):
        assert keys(app) == ALWAYS | them


@pytest.mark.parametrize("key", ["question_mark", *thorough("f1")])
async def test_the_keys_are_listed_and_the_list_is_left_by_escape(walks: Walks, key: str) -> None:
    walk = walks()
    walk.jump(Place(STOP))
    async with shown(walk) as (app, pilot):
        await pilot.press(key)
        assert isinstance(app.screen, KeyList)
        rows = [str(row.render()) for row in app.screen.query(Static)]
        listed = {row.split()[0] for row in rows[1:]}
        assert listed == {"Enter", "o", "r", "c", "m", "t", "x", "Space", "v", "b", "d", "s", "?", "q", "↑"}
        now = {str(row.render()).split()[0] for row in app.screen.query(".now")}
        assert now == {"Enter", "o", "r", "Space", "b", "d", "?", "q"}, "those that do something now"
        assert app.screen.query_one(".question").outer_size.height <= 24
        await pilot.press("escape")
        assert not isinstance(app.screen, KeyList)


async def test_a_curve_is_there_to_view_once_something_was_read(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(SWEEP, "intake"))
    walk.until(lambda: snapshot_of(walk.station).has_readings)
    async with shown(walk) as (app, _):
        assert "v" in keys(app)


async def test_what_has_been_said_is_not_asked_for_again(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(STOP))

    async with shown(walk) as (app, pilot):
        assert any("stop fitted: press Enter" in line for line in text(app))
        await pilot.press("enter")
        app.draw()
        await pilot.pause()
        assert "enter" not in keys(app)
        assert not any("press Enter" in line for line in text(app))


async def test_a_key_that_is_not_offered_does_nothing(walks: Walks) -> None:
    async with shown(walks()) as (app, pilot):
        before = text(app), list(app.station.messages), app.station.session
        await pilot.press("o", "r", "v", "x", "up", "pagedown")
        assert len(app.screen_stack) == 1
        assert (text(app), list(app.station.messages), app.station.session) == before


@pytest.mark.parametrize(("key", "question"), [("o", Override), ("r", Redo)], ids=["override", "redo"])
async def test_a_question_is_left_by_escape_and_nothing_has_happened(walks: Walks, key: str, question: type) -> None:
    walk = walks()
    walk.jump(Place(SWEEP, "intake"))
    session = walk.station.session

    async with shown(walk) as (app, pilot):
        await pilot.press(key)
        assert isinstance(app.screen, question)
        await pilot.press("escape")
        assert len(app.screen_stack) == 1
        assert app.station.session is session


async def test_the_cylinders_are_asked_for_on_one_line(walks: Walks) -> None:
    async with shown(walks()) as (app, pilot):
        await pilot.press("c")
        assert isinstance(app.screen, Cylinders)
        await pilot.press(*"1 3", "enter")
        assert app.station.session.plan.cylinders == (1, 3)
        await pilot.press("c", "7", "enter")
        assert app.station.session.plan.cylinders == (1, 3)
        assert "there is no cylinder or valve '7'" in list(app.station.messages)[-1].text


async def test_the_timing_set_is_said_to_be_moved_where_the_result_asks_for_it(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(DONE))
    walk.station.decision = decision(walk.job)

    async with shown(walk) as (app, pilot):
        assert "m" in keys(app)
        await pilot.press("m")
        assert isinstance(app.screen, TimingMoved)
        assert app.screen.query_one(Input).value == "4"
        await pilot.press("enter")
        assert walk.station.session.at == Place(ZERO, "intake")
        assert walk.station.session.moved == Moved({"intake": 4.0, "exhaust": 4.0}, 4.0)
        assert "position_deg = 4 in [timing_set] of job.toml" in list(app.station.messages)[-1].text


async def test_tdc_once_more_is_a_key_at_the_end_and_may_be_left_again(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(DONE))

    async with shown(walk) as (app, pilot):
        await pilot.press("t")
        assert walk.station.session.at == Place(STOP, again=True)
        await pilot.pause()
        assert "x" in keys(app)
        assert "t" not in keys(app)
        await pilot.press("x")
        assert walk.station.session.at == Place(STOP_OUT, again=True)


def test_before_the_cautions_are_read_nothing_is_done_again_and_the_end_never(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(DONE))
    assert [place.step for place in to_redo(walk.station)][-1] == RESULT
    walk.begin()
    assert walk.station.session.at == Place(CAUTIONS)
    assert walk.station.session.done
    assert to_redo(walk.station) == []


def done_with_figures(walks: Walks) -> Walk:
    """At the end, with a result too long for a small screen."""
    walk = walks()
    walk.jump(Place(DONE))
    walk.station.result = FIGURES
    return walk


async def test_a_long_result_is_turned_line_by_line_and_page_by_page(walks: Walks) -> None:
    walk = done_with_figures(walks)

    async with shown(walk) as (app, pilot):

        async def after(*pressed: str) -> list[str]:
            await pilot.press(*pressed)
            await pilot.pause()
            return text(app)

        assert "down" in keys(app)
        top = text(app)
        assert "↓ for more" in top[-1]
        assert "↑" not in top[-1]
        assert (await after("down"))[:-1] != top[:-1]
        assert text(app)[:-2] == top[1:-1], "one line further"
        assert await after("up", "up") == top
        seen = set(top[:-1])
        end: list[str] = []
        while end != (end := await after("pagedown")):
            seen |= set(end[:-1])
        assert "↑ for more" in end[-1]
        assert FIGURES.findings[0].text[-10:] in " ".join(" ".join(end).split())
        assert any("EXHAUST" in line for line in seen)
        assert any("LSA" in line for line in seen), "no line is passed over"
        assert await after("end", "down") == end
        assert await after("home") == top
        assert await after("pagedown", "pageup") == top


async def test_where_everything_fits_there_is_nothing_to_turn(walks: Walks) -> None:
    walk = done_with_figures(walks)

    async with shown(walk, (120, 48)) as (app, pilot):
        whole = text(app)
        assert "down" not in keys(app)
        await pilot.press("down", "pagedown", "end")
        assert text(app) == whole


async def test_the_next_step_begins_at_its_top_and_without_the_keys(walks: Walks) -> None:
    walk = done_with_figures(walks)

    async with shown(walk) as (app, pilot):
        top = text(app)
        await pilot.press("end")
        assert text(app) != top
        app.station.redo(Place(ZERO, "exhaust"))
        app.draw()
        await pilot.pause()
        assert "down" not in keys(app)
        app.station.session = replace(app.station.session, at=Place(DONE))
        app.draw()
        await pilot.pause()
        assert "down" in keys(app)
        assert text(app)[0] == top[0]


@pytest.mark.parametrize("height", range(1, 12))
@pytest.mark.parametrize("count", [0, 1, 5, 10])
def test_a_window_shows_every_line_in_some_place_and_never_more_than_fit(count: int, height: int) -> None:
    lines = [((f"line {k}", "plain"),) for k in range(count)]
    most = furthest(lines, height)
    seen = []
    for top in range(most + 1):
        part = window(lines, height, top)
        assert len(part) == height
        seen += [line for line in part if line in lines]
    assert window(lines, height, most + 7) == window(lines, height, most)
    if height > 1:
        assert list(dict.fromkeys(seen)) == lines
    assert (most == 0) == (count <= height or height == 1)


def played(sample: Path, header: Callable[[Header], Header] = lambda header: header) -> Station:
    """A capture that is played again, as far as its hello; what found TDC lies in the same job."""
    stop, sweep = (load(sample / "captures" / name) for name in ("1-stop.csv", "2-intake.csv"))
    setup = Setup(load_job(sample), Plan(), replayed=header(sweep.header), found_by=[stop])
    station = Station(setup, Clock())
    assert station.setup.replayed is not None
    station.take(Batch((Hello(station.setup.replayed.board, 0, 0),), 0, 0.0))
    return station


def test_a_replay_says_that_it_is_one_and_offers_no_procedure() -> None:
    picture = snapshot_of(played(SAMPLES / "clean"))
    ((line,),) = head(picture, 80)
    assert line[0].startswith(" Replay  Sweep, intake ")
    ((line,),) = do(picture, 80)
    assert "recorded capture is being replayed" in line[0]
    assert not any(offered(played(SAMPLES / "clean"), curve=False).values())


def test_a_replay_whose_tdc_cannot_be_carried_stays_what_it_is() -> None:
    """No index pulse, another link: live, that would send the person back to the stop."""
    board = replace(played(SAMPLES / "clean").located.found_by[0].header.board, index=False, boot=0)  # type: ignore[union-attr]
    station = played(SAMPLES / "clean", lambda header: replace(header, link="another", board=board))
    assert station.session.at == Place(SWEEP, "intake")
    assert not [message for message in station.messages if message.kind == ERROR]
