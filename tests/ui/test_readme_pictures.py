"""The pictures that the readme shows are of the screen as it is, and one says in letters what the other draws."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from acquire.dashboard.bigtext import big
from acquire.dashboard.panels import panel
from acquire.dashboard.picture import snapshot_of
from acquire.procedure.session import Place
from acquire.procedure.steps import CONTACTS, DONE, STEPS, STOP, SWEEP
from tests.ui.make_pictures import FOLDER, SIZE, text_of
from tests.walked import Walk

PICTURES = {"stop": STOP, "sweep-exhaust": SWEEP, "done": DONE}


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_shows_what_its_step_says_now(name: str) -> None:
    drawn = text_of((FOLDER / f"{name}.svg").read_text(encoding="utf-8"))
    assert drawn == (FOLDER / f"{name}.txt").read_text(encoding="utf-8")
    lines = drawn.splitlines()
    assert len(lines) == SIZE[1]
    place = Place(PICTURES[name], "exhaust")
    large = ("contacts low", "contacts high")  # drawn as large digits
    needs = (need.text.format(valve="exhaust") for need in STEPS[place.step].needs if need.key not in large)
    for sentence in (place.title, *place.do, *needs):
        assert any(sentence in line for line in lines), "draw anew: python -m tests.ui.make_pictures"


def test_every_picture_is_known() -> None:
    assert {path.stem for path in FOLDER.iterdir()} == set(PICTURES)


def test_one_touch_is_one(walks: Callable[..., Walk]) -> None:
    walk = walks()
    walk.to(Place(STOP))
    for most in (1, 2):
        walk.until(lambda most=most: walk.station.facts().get("contacts high", 0) >= most)  # type: ignore[misc]
        said = ["".join(text for text, _ in line) for line in panel(snapshot_of(walk.station), 120)]
        assert all(any(row in line for line in said) for row in big(f"{most}/{CONTACTS}"))
