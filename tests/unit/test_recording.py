"""A recording from the link's outcomes to the file: what is lost and found again stands in its place, and the end is clean."""

from __future__ import annotations

import asyncio
import io
from collections.abc import AsyncGenerator, Awaitable, Callable, Iterable
from pathlib import Path
from typing import Any, cast

import pytest

from acquire.cli import capture as capturing
from acquire.cli import run
from acquire.cli.capture import Capturing, place_of, setup_of
from acquire.cli.status_line import LiveLine
from acquire.link.reconnect import Batch, Broken, Connected, Ended, Idle, Link
from acquire.procedure.headers import header_for
from acquire.procedure.limits import Limits
from acquire.procedure.session import Place
from acquire.procedure.steps import STOP, SWEEP, TRAVEL
from acquire.record.recorder import next_path
from acquire.wire import Damage, Event, Hello, Sample
from analysis.base.errors import DeviceError, LinkError, UsageError
from analysis.base.samples import Board
from analysis.capture import load
from analysis.job import parse_job
from analysis.job.template import template

BOARD = Board(cpr=3600, index=False, latch="edge", steps_mm=(0.01,), units=("mm",), name="bench", boot=7)
TWO = Board(cpr=3600, index=False, latch="edge", steps_mm=(0.01, 0.01), units=("mm", "mm"), name="bench", boot=7)
LOST = Broken(LinkError("the link was lost", where="port", do="Look at the plug"))
INTAKE = Place(SWEEP, "intake")

Record = Callable[..., Awaitable[Capturing]]


def answered(board: Board = BOARD, same_count: bool | None = None, missed: int = 0) -> Connected:
    return Connected(Hello(board, 0, 0), same_count, missed, cast(Link, None))


def rows(first: int, count: int) -> Batch:
    events: list[Event] = [Sample(n, 1000 * n, n, 0, (0,), (100,)) for n in range(first, first + count)]
    return Batch(tuple(events), 30 * count, 0.0)


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Record:
    """Records what a link hands out that is made up of outcomes; after the last it stays silent for ever."""

    async def run(outcomes: Iterable[Any], place: Place = INTAKE, limits: Limits = Limits(), cancel: bool = False) -> Capturing:  # noqa: B008
        through = asyncio.Event()

        async def stream(*_: Any, **__: Any) -> AsyncGenerator[Any, None]:
            for outcome in outcomes:
                yield outcome
            through.set()
            await asyncio.Event().wait()

        monkeypatch.setattr(capturing, "stream", stream)
        live = LiveLine(io.StringIO(), lambda: 0.0)
        made = Capturing(setup_of(parse_job(template()), tmp_path, place, "a note"), "port", limits, live)
        reading = asyncio.create_task(made.read())
        if cancel:
            await through.wait()
            reading.cancel()
        await asyncio.wait({reading})
        if not reading.cancelled():
            reading.result()
        return made

    return run


async def test_it_ends_at_its_limit_with_a_closing_line(record: Record) -> None:
    done = await record([answered(), rows(0, 101), rows(101, 100)], limits=Limits(seconds=0.1))
    assert done.path is not None
    capture = load(done.path)
    assert capture.complete
    assert (capture.header.step, capture.header.channels, capture.header.note) == ("sweep", ("intake",), "a note")
    assert capture.samples.crank.tolist() == list(range(101))


async def test_enough_is_a_clean_end(record: Record) -> None:
    done = await record([answered(), rows(0, 10), Idle(0.25)], cancel=True)
    assert done.path is not None
    assert load(done.path).complete
    assert done.counts.rows == 10


async def test_what_was_lost_and_found_again_stands_in_its_place(record: Record) -> None:
    damaged = Batch((Damage(3, 40, 0), *rows(23, 5).events), 200, 0.0)
    went_on, anew = answered(same_count=True, missed=10), answered(same_count=False)
    done = await record([answered(), rows(0, 10), LOST, LOST, went_on, damaged, Ended("gone"), anew, rows(0, 7)], cancel=True)
    assert done.path is not None
    capture = load(done.path)
    assert capture.complete
    assert [(gap.row, gap.lost, gap.refused) for gap in capture.gaps] == [(10, 10, 0), (10, 3, 40)]
    assert capture.samples.origin.tolist() == [0] * 15 + [1] * 7
    told = done.captured()
    assert (told.counts.rows, told.lost, told.refused, told.reconnects) == (22, 13, 40, 2)


async def test_no_board_at_all_is_the_links_own_error_and_no_file(record: Record, tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="the link was lost"):
        await record([LOST])
    assert not (tmp_path / "captures").exists()


async def test_a_board_that_does_not_come_back_ends_it_with_what_there_is(record: Record, tmp_path: Path) -> None:
    with pytest.raises(LinkError):
        await record([answered(), rows(0, 10), *[LOST] * 30])
    (path,) = (tmp_path / "captures").iterdir()
    capture = load(path)
    assert capture.complete
    assert capture.samples.crank.size == 10


async def test_two_valves_need_two_indicators(record: Record, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="one indicator channel"):
        await record([answered()], Place(SWEEP, "both"))
    assert not (tmp_path / "captures").exists()


@pytest.mark.parametrize(
    ("place", "board", "channels"),
    [
        (Place(STOP), BOARD, ("unknown",)),
        (Place(TRAVEL), TWO, ("piston", "unknown")),
        (Place(SWEEP, "exhaust"), TWO, ("exhaust", "unknown")),
        (Place(SWEEP, "both"), TWO, ("intake", "exhaust")),
    ],
)
def test_channels_are_what_the_indicators_stand_on(place: Place, board: Board, channels: tuple[str, ...], tmp_path: Path) -> None:
    header = header_for(setup_of(parse_job(template()), tmp_path, place), place, board, "link")
    assert (header.step, header.channels) == ({STOP: "stop", TRAVEL: "travel", SWEEP: "sweep"}[place.step], channels)


async def test_a_board_that_starts_again_ends_what_can_no_longer_be_reached(record: Record, tmp_path: Path) -> None:
    """`--passes 3` never ends on a capture whose first start has fewer: what comes behind a new start counts for no result."""
    with pytest.raises(DeviceError, match="started again before the 3 passes were complete"):
        await record([answered(), rows(0, 10), answered(same_count=False), rows(0, 10)], limits=Limits(passes=3))
    (path,) = (tmp_path / "captures").iterdir()
    assert load(path).complete


@pytest.mark.parametrize(("step", "valve"), [("sweep", None), ("stop", "intake"), ("travel", "both")])
def test_a_sweep_names_its_valve_and_nothing_else_does(step: str, valve: str | None) -> None:
    with pytest.raises(UsageError, match="valve"):
        place_of(step, valve)


def test_the_header_and_the_name_say_which_cylinder(tmp_path: Path) -> None:
    place = place_of("sweep", "intake", 3)
    header = header_for(setup_of(parse_job(template()), tmp_path, place), place, BOARD, "link")
    assert header.cylinder == 3
    assert next_path(tmp_path, header).name == "01-sweep-intake-cylinder-3.csv"
    of_the_job = header_for(setup_of(parse_job(template()), tmp_path, Place(STOP)), Place(STOP), BOARD, "link")
    assert of_the_job.cylinder == parse_job(template()).measure.cylinder


def test_a_cylinder_that_the_engine_does_not_have_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "job.toml").write_text(template(), encoding="utf-8")
    asked = ["capture", str(tmp_path), "--step", "sweep", "--valve", "intake", "--cylinder", "9", "--port", "socket://nowhere:1"]
    assert run(asked) == 2
    assert "the engine has no cylinder 9. Choose of: 1, 2, 3, 4" in capsys.readouterr().err
    assert not (tmp_path / "captures").exists()
