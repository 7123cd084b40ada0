"""Dots, large digits and words, each against what it must be."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.dashboard import braille
from acquire.dashboard.app import Dashboard
from acquire.dashboard.bigtext import HEIGHT, big
from acquire.dashboard.panels import angle_words, lift_words
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.readout import readout
from acquire.dashboard.tracing import turned
from acquire.procedure.session import Place
from acquire.procedure.steps import CAUTIONS, RIG, SWEEP
from acquire.procedure.workers import Workers
from tests.walked import nothing

# Unicode chapter "Braille Patterns" (U+2800): bit of each dot, by row and column.
DOT = {(0, 0): 0, (1, 0): 1, (2, 0): 2, (0, 1): 3, (1, 1): 4, (2, 1): 5, (3, 0): 6, (3, 1): 7}


def dots(lines: list[str]) -> set[tuple[int, int]]:
    """(column, level from below) of every raised dot."""
    height = 4 * len(lines)
    return {
        (2 * x + dx, height - 1 - (4 * y + dy))
        for y, line in enumerate(lines)
        for x, letter in enumerate(line)
        for (dy, dx), bit in DOT.items()
        if (ord(letter) - 0x2800) >> bit & 1
    }


@given(heights=st.lists(st.one_of(st.none(), st.floats(0.0, 9.99)), min_size=16, max_size=16))
def test_a_cell_a_dot_column_is_where_its_value_is(heights: list[float | None]) -> None:
    values = np.array([np.nan if h is None else h for h in heights])
    raised = dots(braille.rows(values, values, width=8, height=3, bottom=0.0, top=10.0))
    for x, value in enumerate(heights):
        levels = sorted(level for column, level in raised if column == x)
        if value is None:
            assert levels == []
        else:
            assert int(value / 10.0 * 12) in levels
            assert levels == list(range(levels[0], levels[-1] + 1)), "one stroke"


def test_a_steep_flank_is_a_line() -> None:
    values = np.repeat([0.5, 9.5], 8)
    raised = dots(braille.rows(values, values, width=8, height=3, bottom=0.0, top=10.0))
    assert {level for column, level in raised if column in (7, 8)} == set(range(12))


@given(low=st.integers(0, 20), size=st.integers(1, 20))
def test_of_many_cells_in_a_column_the_extremes_show(low: int, size: int) -> None:
    cells = np.full(320, np.nan)
    cells[100:120] = np.linspace(low, low + size, 20)
    least, most = braille.columns(cells, cells, 16)
    assert least[5] == low
    assert most[5] == low + size
    assert np.isnan(np.delete(least, 5)).all()


@given(shift=st.floats(-2000, 2000))
def test_the_cycle_is_turned_so_that_overlap_lies_in_the_middle(shift: float) -> None:
    cells = np.arange(1440.0)
    deg = (turned(cells, shift) / 2 + shift + 360.0) % 720.0 - 360.0
    away = np.abs(deg - (np.arange(1440) / 2 - 360.0))
    assert np.minimum(away, 720 - away).max() <= 0.26


@pytest.mark.parametrize("scale", [1, 2])
def test_large_text_has_one_height_and_one_width(scale: int) -> None:
    lines = big("-179.5 ABTDC DEG 0123468", scale)
    assert len(lines) == HEIGHT * scale
    assert len({len(line) for line in lines}) == 1


@pytest.mark.parametrize(
    ("deg", "known", "words"),
    [
        (-17.04, True, ("17.0", "BTDC")),
        (106.25, True, ("106.2", "ATDC")),
        (0.04, True, ("0.0", "TDC")),
        (-0.04, True, ("0.0", "TDC")),
        (180.0, True, ("0.0", "BDC")),
        (523.1, False, ("523.1", "DEG")),
        (None, False, ("---.-", "")),
    ],
)
def test_crank_angles_are_words_and_never_negative(walks: Any, deg: float | None, known: bool, words: tuple[str, str]) -> None:
    picture = replace(snapshot_of(walks().station), deg=deg, tdc_known=known)
    assert angle_words(picture) == words


def test_lifts_are_in_the_units_of_the_job(walks: Any) -> None:
    picture = replace(snapshot_of(walks().station), lift_mm=10.16)
    assert lift_words(picture) == ("10.160", "mm")
    measure = picture.job.measure.model_copy(update={"units": "in"})
    inch = replace(picture, job=picture.job.model_copy(update={"measure": measure}))
    assert lift_words(inch) == ("0.4000", "in")


@pytest.mark.parametrize(
    ("lift_mm", "shown"), [(-9.876, "-9.876"), (-10.812, "-10.81"), (10.812, "10.812"), (-123.456, "-123.4")], ids=str
)
def test_a_reading_that_is_too_long_loses_decimals_and_never_its_sign(walks: Any, lift_mm: float, shown: str) -> None:
    picture = replace(snapshot_of(walks().station), lift_mm=lift_mm)
    lines = ["".join(part for part, _ in line) for line in readout(picture, 80, 1)[1:]]
    assert all(letters in line for line, letters in zip(lines, big(shown), strict=True))
    assert max(len(line) for line in lines) <= 80


def test_the_nose_of_a_lobe_is_not_taken_for_its_base_circle(walks: Any) -> None:
    """Recording began with the valve open: the first level stretch is the nose, until the base circle has been seen."""
    walk = walks()
    walk.jump(Place(SWEEP, "intake"))
    walk.until(lambda: bool(walk.station.recording and walk.station.recording.progress().trace[0].flat_deg >= 20))
    progress = walk.station.recording.progress()
    assert snapshot_of(walk.station).zeroed
    nose = replace(progress.trace[0], swing_mm=-8.0)
    walk.station.recording._progress = replace(progress, trace=(nose, *progress.trace[1:]))
    picture = snapshot_of(walk.station)
    assert not picture.zeroed
    assert picture.lift_mm == progress.lift_mm[0], "the reading as it is"
    assert picture.curve is not None
    assert np.isnan(picture.curve.trace.zero_mm)


@pytest.mark.parametrize("bell", [True, False], ids=["on", "off"])
async def test_the_bell_rings_at_the_end_of_a_step(walks: Any, monkeypatch: pytest.MonkeyPatch, bell: bool) -> None:
    rung: list[Place] = []
    walk = walks()
    app = Dashboard(Workers(walk.station, nothing, clock=walk.clock), bell=bell)
    monkeypatch.setattr(app, "bell", lambda: rung.append(walk.station.session.at))

    async with app.run_test(size=(80, 24)) as pilot:
        walk.feed()
        app.draw()
        assert walk.station.session.at == Place(CAUTIONS)
        await pilot.press("enter")
        app.draw()
        assert walk.station.session.at == Place(RIG)
        await app.finish()
    assert rung == ([Place(RIG)] if bell else [])


async def test_a_held_picture_stands_while_recording_goes_on(walks: Any) -> None:
    walk = walks()
    app = Dashboard(Workers(walk.station, nothing, clock=walk.clock))

    async with app.run_test(size=(80, 24)) as pilot:
        walk.feed()
        app.draw()
        await pilot.press("space")
        before = app.picture
        walk.station.say_so()
        walk.feed(2)
        app.draw()
        assert app.picture is before
        assert walk.station.session.at == Place(RIG)
        await pilot.press("space")
        assert app.picture.place == Place(RIG)
        await app.finish()
