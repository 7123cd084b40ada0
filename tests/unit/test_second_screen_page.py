"""What the second screen's page is told in every step, and whether its colors can be read (WCAG 2.2, 1.4.3 and 1.4.11)."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from importlib.resources import files
from itertools import product
from typing import Any

import pytest

from acquire.dashboard import panels
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.snapshot import Asked, Snapshot
from acquire.procedure.link_state import DISCONNECTED, LinkState
from acquire.procedure.messages import WARNING, Message
from acquire.procedure.session import Place
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, ZERO
from acquire.screen.snapshot_json import COLUMNS, curve_json, picture_json
from acquire.simulator.scenarios import SCENARIOS
from analysis.base.safety import cautions
from tests.walked import Walk

PLACES = [Place(name) for name in (CAUTIONS, RIG, STOP, STOP_OUT, DONE)]
PLACES += [Place(name, valve) for name in (ZERO, SWEEP, RESULT) for valve in ("intake", "exhaust")]
At = Callable[..., Snapshot]


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[At]:
    """Snapshots as of a place and so many blocks of its data."""
    walks: list[Walk] = []

    @cache
    def snapshot(place: Place, blocks: int = 3, said: bool = False) -> Snapshot:
        walk = Walk(tmp_path_factory.mktemp("page") / "job", SCENARIOS["workshop"])
        walks.append(walk)
        walk.jump(place)
        if said:
            walk.speak()
        walk.feed(blocks)
        return snapshot_of(walk.station)

    yield snapshot
    for walk in walks:
        walk.station.close()


def told(picture: Snapshot) -> dict[str, Any]:
    """What the page reads."""
    read: dict[str, Any] = json.loads(json.dumps(picture_json(picture), allow_nan=False))
    return read


@pytest.mark.parametrize("place", PLACES, ids=lambda place: " ".join(place[:2]).strip())
def test_every_step_says_where_it_is_and_what_to_do(at: At, place: Place) -> None:
    picture = at(place)
    page = told(picture)
    assert page["title"] == place.title
    assert page["where"] == f"{picture.number}/{picture.of}"
    assert " ".join(page["do"]) in " ".join(place.do)
    assert [need["met"] for need in page["needs"]] == [asked.met for asked in picture.needs]
    assert (page["readings"] is None) == (place.step in (CAUTIONS, RESULT, DONE))
    assert (curve_json(picture) is not None) == (place.step in (ZERO, SWEEP))
    json.dumps(curve_json(picture), allow_nan=False)


def test_the_cautions_stand_on_their_step_whole(at: At) -> None:
    page = told(at(Place(CAUTIONS)))
    assert [text for text, _ in page["panel"]][: len(cautions("stop"))] == list(cautions("stop"))
    assert {role for _, role in page["panel"][: len(cautions("stop"))]} == {"warn"}
    assert page["needs"][0]["text"] == "read and understood: press Enter on the live screen"


def test_numbers_and_words_are_those_of_the_live_screen(at: At) -> None:
    picture = at(Place(SWEEP, "intake"), 12)
    angle, lift = told(picture)["readings"]
    assert (angle["number"], angle["word"]) == panels.angle_words(picture)
    assert (lift["number"], lift["word"]) == panels.lift_words(picture)
    ((*pieces,),) = panels.banner(picture)
    assert told(picture)["banner"] == [[text.strip(), role] for text, role in pieces]


def test_the_next_move_comes_first_once_the_one_before_is_confirmed(at: At) -> None:
    assert told(at(Place(STOP)))["do"][0] == "Fit the stop and confirm."
    move, then, *_ = told(at(Place(STOP), said=True))["do"]
    assert move == "Turn slowly, either way, until the piston touches the stop."
    assert then.startswith("Turn slowly, no force, until the piston touches it, then turn")


def test_at_the_piston_stop_the_contacts_of_both_sides_are_read_large(at: At) -> None:
    picture = at(Place(STOP), 42, said=True)
    picture = replace(picture, counts=replace(picture.counts, contacts=(2, 1)))
    crank, contacts = told(picture)["readings"]
    assert (crank["number"], crank["word"]) == panels.angle_words(picture)
    assert picture.forward > 0
    assert contacts["number"] == "2/3  1/3"
    assert told(replace(picture, forward=-1))["readings"][1]["number"] == "1/3  2/3"
    assert told(picture)["do"][0].startswith(("Go on ", "Turn slowly, either way"))


def test_what_is_counted_has_its_share_and_what_is_not_has_none(at: At) -> None:
    needs = (Asked("whole passes", 2, 3, "", False), Asked("cycle seen", 800, 713, "deg", True), Asked("events", 1, 1, "", True))
    page = told(replace(at(Place(SWEEP, "intake")), needs=needs))
    assert [need["share"] for need in page["needs"]] == [0.667, 1.0, None]
    assert page["needs"][0]["text"] == "whole passes 2/3"


def test_the_piston_stop_is_spoken_of_loudly(at: At) -> None:
    page = told(at(Place(STOP_OUT)))
    assert ["REMOVE THE PISTON STOP BEFORE TURNING THE CRANK", "alarm"] in page["banner"]


def test_a_contact_slack_and_a_step_change_what_makes_a_tone(at: At) -> None:
    early, late = (told(at(Place(STOP), blocks, said=True))["sounds"] for blocks in (3, 42))
    assert early["contacts"] < late["contacts"]
    assert early["place"] == late["place"]
    sweep = at(Place(SWEEP, "intake"), 12)
    assert told(sweep)["sounds"] == {"contacts": 0, "slack": False, "place": "sweep/intake/0/False"}
    assert told(replace(sweep, back_up=True))["sounds"]["slack"]


def test_a_lost_board_is_told_though_the_page_has_its_link(at: At) -> None:
    page = told(replace(at(Place(SWEEP, "intake")), link=LinkState(DISCONNECTED)))
    assert page["link"]["role"] == "alarm"
    assert page["link"]["word"].startswith("DISCONNECTED")
    assert page["banner"][0] == ["? NOT SEEN", "warn"]


def test_text_from_outside_is_text(at: At) -> None:
    picture = at(Place(SWEEP, "intake"))
    engine = replace_name(picture, "<img src=x>\u202e\x1b[2J")
    page = told(replace(engine, messages=(Message(WARNING, "</script>\u2028\x07"),)))
    assert page["engine"].startswith("<img src=x>")
    assert not re.search("[\x00-\x1f\u202e]", page["engine"] + page["messages"][0][0])
    assert "\n" not in json.dumps(page), "one event, one line"


def replace_name(picture: Snapshot, name: str) -> Snapshot:
    engine = picture.job.engine.model_copy(update={"name": name})
    return replace(picture, job=picture.job.model_copy(update={"engine": engine}))


def test_the_curve_keeps_its_highest_and_its_lowest(at: At) -> None:
    picture = at(Place(SWEEP, "exhaust"), 40)
    curve = curve_json(picture)
    assert curve is not None
    assert picture.curve is not None
    assert len(curve["low"]) == len(curve["high"]) == COLUMNS
    seen = [(low, high) for low, high in zip(curve["low"], curve["high"], strict=True) if low is not None]
    assert seen
    assert all(low <= high for low, high in seen)
    trace = picture.curve.trace
    assert max(high for _, high in seen) == pytest.approx(
        float(trace.high[trace.high == trace.high].max()) - trace.zero_mm, abs=0.006
    )
    assert curve["bottom"] < 0 < max(high for _, high in seen) <= curve["top"]


# colors

PAGE = files("acquire.screen") / "page"


def luminance(color: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def schemes() -> dict[str, dict[str, str]]:
    """Colors by scheme and name."""
    css = (PAGE / "page.css").read_text(encoding="utf-8")
    light, dark, *_ = re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    return {name: dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", block)) for name, block in (("light", light), ("dark", dark))}


def test_contrast_is_reckoned_as_the_standard_does() -> None:
    """Black on white is 21 (WCAG 2.2, definition of contrast ratio); #767676 is the lightest grey of 4.5 (common practice)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize(("scheme", "name"), list(product(("light", "dark"), ("ink", "dim", "good", "warn", "bad", "accent"))))
def test_every_text_can_be_read(scheme: str, name: str) -> None:
    colors = schemes()[scheme]
    assert contrast(colors[name], colors["ground"]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_lines_and_borders_can_be_seen(scheme: str) -> None:
    colors = schemes()[scheme]
    assert set(colors) == {"ground", "ink", "dim", "line", "good", "warn", "bad", "accent"}
    assert contrast(colors["line"], colors["ground"]) >= 3


def test_no_color_stands_beside_these() -> None:
    css = re.sub(r":root \{.*?\}", "", (PAGE / "page.css").read_text(encoding="utf-8"), flags=re.DOTALL)
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b(?!\w*[ ,.{:>])|rgb|hsl|opacity", css)


@pytest.mark.parametrize("name", ["page.html", "page.css", "page.js"])
def test_nothing_of_the_page_is_elsewhere(name: str) -> None:
    text = (PAGE / name).read_text(encoding="utf-8")
    assert not re.search(r"@import|url\(|https?://(?!www\.w3\.org/2000/svg)|innerHTML|eval\(", text)
    assert max(map(len, text.splitlines())) <= 150
