"""The screen says the next move first and whole, accuses nobody too early, and takes back what is over."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from acquire.dashboard.app import Dashboard
from acquire.dashboard.bell import Heard, heard
from acquire.dashboard.bigtext import big
from acquire.dashboard.large_decision import large_decision
from acquire.dashboard.lines import Lines
from acquire.dashboard.main_screen import LEAST
from acquire.dashboard.panels import banner, do, head
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.readout import readout
from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.stop_panel import next_move, stop_panel
from acquire.dashboard.text_lines import Line
from acquire.dashboard.tracing import trace
from acquire.link.outcomes import Broken
from acquire.link.reconnect import Connected
from acquire.procedure.counts import Counts
from acquire.procedure.messages import ERROR, NOTE, MessageLog
from acquire.procedure.session import Place, Plan, places
from acquire.procedure.steps import CAUTIONS, COVERED_DEG, RESULT, RIG, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from acquire.wire import Hello
from analysis.base.errors import CaptureError, LinkError
from analysis.live.contacts import Contacts
from tests.decided import whole
from tests.left_out import thorough, typical
from tests.ui.test_pictures import app_of, standing_at
from tests.walked import BLOCK, Walk

Walks = Callable[..., Walk]
LOST = LinkError("the link was lost", where="/dev/ttyUSB0", do="Check plug and power")


def text(lines: Sequence[Line]) -> list[str]:
    return ["".join(part for part, _ in line) for line in lines]


def said_by(lines: Sequence[Line]) -> str:
    return " ".join(" ".join(text(lines)).split())


def large(lines: Sequence[Line], words: str, scale: int = 1) -> bool:
    """Whether some words stand there in large letters."""
    shown = text(lines)
    return all(any(row.rstrip() in line for line in shown) for row in big(words, scale))


async def drawn(app: Dashboard, size: tuple[int, int] = LEAST) -> tuple[list[str], int]:
    """What stands on the screen line by line, and how many lines the panels take."""
    async with app.run_test(size=size) as pilot:
        app.draw()
        await pilot.pause()
        panels = [panel for panel in app.screen_stack[0].query(Lines) if panel.display]
        lines = [line for panel in panels for line in panel.text().split("\n")]
        await app.finish()
        return lines, sum(panel.outer_size.height for panel in panels)


PLACES = {place.step: (plan, place) for plan in (Plan("travel"), Plan()) for place in places(plan)}


# A panel of text, the large contacts, a curve, and a verdict; the pictures show every step at this size.
@pytest.mark.parametrize("step", typical([CAUTIONS, STOP, SWEEP, RESULT], PLACES))
async def test_at_the_least_size_the_instruction_stands_whole_below_the_title_whatever_is_said(walks: Walks, step: str) -> None:
    plan, place = PLACES[step]
    walk = walks(plan=plan)
    standing_at(walk, place, 1)
    for _ in range(6):
        walk.station.say(NOTE, "02-sweep-intake.csv was not finished: it was put aside in captures/unfinished.")
        walk.station.say(ERROR, "a long trouble " * 20)
    lines, height = await drawn(app_of(walk))
    whole_do = text(do(snapshot_of(walk.station), LEAST[0]))
    assert lines[1 : 1 + len(whole_do)] == whole_do
    assert said_by(do(snapshot_of(walk.station), LEAST[0])) == " ".join(place.do)
    assert height == LEAST[1] - 1, "with the keys below it fills the screen, and nothing is pushed out"


@pytest.mark.parametrize(
    ("late", "words"),
    [(4.0, "ADVANCE 4"), (0.0, "WITHIN"), *thorough((-4.0, "RETARD 4"))],
)
@pytest.mark.parametrize(("size", "scale"), [((80, 20), 1), ((100, 26), 1), ((160, 44), 2)], ids=str)
def test_the_decision_is_the_largest_thing(late: float, words: str, size: tuple[int, int], scale: int) -> None:
    lines = large_decision(whole(late), "", *size)
    assert large(lines, words, scale)
    assert max(map(len, text(lines))) <= size[0]
    if late:
        assert text(lines)[-1] == f" {words} crank degrees: position {late:+g}"


def test_two_camshafts_are_two_lines_where_large_letters_do_not_fit() -> None:
    decision = whole(4.0)
    assert decision.correction is not None
    (move,) = decision.correction.moves
    moves = (replace(move, camshaft="intake camshaft"), replace(move, camshaft="exhaust camshaft", advance_deg=-3.0, teeth=-1))
    both = replace(decision, correction=replace(decision.correction, moves=moves))
    assert text(large_decision(both, "", 80, 20)) == [
        " intake camshaft: ADVANCE 4 crank degrees: position +4",
        " exhaust camshaft: RETARD 3 crank degrees: position +4, and 1 tooth back",
    ]
    lines = large_decision(both, "", 100, 30)
    assert large(lines, "ADVANCE 4")
    assert large(lines, "RETARD 3")


def stopped(walk: Walk, **changes: Any) -> Snapshot:
    """A picture of the stop with contacts, said to be fitted."""
    contacts = Contacts((-1166,), (766, 767), (0.0, 0.15))
    usual: dict[str, Any] = {"contacts": contacts, "counts": Counts(contacts=(1, 2)), "said": True, "forward": 1, "armed": False}
    return replace(snapshot_of(walk.station), **(usual | changes))


@pytest.fixture
def at_the_stop(walks: Walks) -> Walk:
    walk = walks()
    walk.jump(Place(STOP))
    return walk


def test_the_stop_draws_the_contacts_of_both_sides_large(at_the_stop: Walk) -> None:
    lines = stop_panel(stopped(at_the_stop), [], 80, 12)
    assert len(lines) <= 12
    left, right = big("1/3"), big("2/3")
    assert all(
        any(line.startswith(f" {a}") and line.endswith(b) for line in text(lines)) for a, b in zip(left, right, strict=True)
    )
    down = text(stop_panel(stopped(at_the_stop, forward=-1), [], 80, 12))
    assert any(line.startswith(f" {right[1]}") and line.endswith(left[1]) for line in down), (
        "forward is right, however it is counted"
    )
    assert large(stop_panel(stopped(at_the_stop), [], 160, 36), "1/3", 2)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"said": False}, "press Enter"),
        ({"armed": True}, "either way"),
        ({"way": 1}, "Go on FORWARD until the piston touches the stop, then turn BACKWARD."),
        ({"way": -1}, "Go on BACKWARD until the piston touches the stop, then turn FORWARD."),
        (
            {"way": 1, "counts": Counts(contacts=(3, 3)), "contacts": Contacts((0, 40, 0), (700,) * 3, (6.0, 0.0))},
            "The contacts of a side lie apart.",
        ),
    ],
    ids=["not fitted", "not begun", "forward", "backward", "apart"],
)
def test_the_stop_says_which_side_comes_next(at_the_stop: Walk, changes: dict[str, Any], words: str) -> None:
    assert words in next_move(stopped(at_the_stop, **changes))


def test_before_a_cycle_was_seen_nothing_is_held_against_the_rig(walks: Walks) -> None:
    """A valve that does not open in the first degrees of its base circle is no finding."""
    walk = walks()
    walk.jump(Place(ZERO, "intake"))
    assert snapshot_of(walk.station).waiting_for == "", "nothing is waited for while a person sets the indicator up"
    seen = []
    while (picture := snapshot_of(walk.station)).counts.covered_deg < COVERED_DEG:
        if walk.station.said or picture.place.step == SWEEP:
            assert (
                picture.waiting_for
                == f"Waiting for the whole cycle: {picture.counts.covered_deg:.0f} of 720 crank degrees seen so far."
            )
            seen.append(picture.counts.covered_deg)
        walk.speak()
        walk.feed(size=2 * BLOCK)
        walk.workers.settle()
    assert 0 < min(filter(None, seen)) < 200


def test_what_is_wrong_is_said_once_the_cycle_was_seen(walks: Walks) -> None:
    walk = walks()
    walk.sweep("intake")
    walk.until(lambda: walk.station.recording.counts().covered_deg >= COVERED_DEG)  # type: ignore[union-attr]
    walk.workers.settle()
    assert walk.station.live is not None
    walk.station.live = replace(walk.station.live, why="the indicator moved by 0.01 mm only")
    assert snapshot_of(walk.station).waiting_for == "the indicator moved by 0.01 mm only"


def test_counts_are_those_of_the_recording(walks: Walks) -> None:
    walk = walks()
    walk.sweep("intake")
    walk.feed(3)
    assert walk.station.recording is not None
    picture, counts = snapshot_of(walk.station), walk.station.recording.counts()
    assert picture.counts == counts
    assert {need.text: need.have for need in picture.needs}["cycle seen"] == counts.covered_deg


def test_which_way_the_engine_rotates_is_not_claimed_before_it_is_known(walks: Walks) -> None:
    walk = walks()
    assert walk.job.rig.direction == "auto"
    walk.jump(Place(RIG))
    walk.until(lambda: snapshot_of(walk.station).way != 0)
    picture = snapshot_of(walk.station)
    said = said_by(banner(picture)) + " ".join(need.text for need in picture.needs)
    assert "FORWARD" not in said
    assert "BACKWARD" not in said
    assert "turned in the direction of rotation" not in said
    assert "this way is taken as the direction of rotation" in said


@pytest.mark.parametrize("direction", ["up", "down"])
def test_turned_backward_is_not_ticked_as_turned_in_the_direction_of_rotation(walks: Walks, direction: str) -> None:
    """The hand turns one way; job.toml says that the engine rotates this way, or the other."""
    walk = walks()
    rig = walk.job.rig.model_copy(update={"direction": direction})
    walk.job = walk.job.model_copy(update={"rig": rig})
    walk.jump(Place(RIG))
    walk.engine.asks(Place(RIG), False)
    walk.until(lambda: walk.station.recording is not None and abs(walk.station.recording.counts().turned_deg) > 100)
    assert walk.station.recording is not None
    up = walk.station.recording.counts().turned_deg > 0
    met = {need.text: need.met for need in snapshot_of(walk.station).needs}
    assert met["turned in the direction of rotation"] == (up == (direction == "up"))
    assert met["encoder counts the way job.toml says"] == (up == (direction == "up"))


@pytest.mark.parametrize("step", [STOP_OUT, ZERO, SWEEP])
def test_where_the_index_pulse_carries_tdc_nobody_is_told_to_find_it_again(walks: Walks, step: str) -> None:
    walk = walks()
    walk.jump(Place(step, "intake" if step != STOP_OUT else ""))
    walk.speak()
    walk.feed(2)
    walk.station.take(Broken(LOST))
    walk.engine.starts_again(boot=58)
    walk.station.take(Connected(Hello(replace(walk.engine.rig.hello, boot=58), 0, 0), False, 0, None))  # type: ignore[arg-type]
    assert "Top dead center is kept" in walk.station.messages.current()[-1].text
    for _ in range(60):
        walk.speak()
        walk.feed()
        walk.workers.settle()
        picture = snapshot_of(walk.station)
        for said in (picture.waiting_for, *(message.text for message in picture.messages)):
            assert "find TDC" not in said
            assert "Find TDC" not in said
            assert "found again" not in said
        if picture.tdc_known and picture.counts.covered_deg > 0:
            break
    assert snapshot_of(walk.station).tdc_known


def test_a_link_that_is_back_is_no_trouble_any_more(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(RIG))
    walk.station.take(Broken(LOST))
    assert "the link was lost" in snapshot_of(walk.station).messages[-1].text
    walk.feed()
    assert not [message for message in snapshot_of(walk.station).messages if message.kind == ERROR]


def test_a_disk_that_has_room_again_is_no_trouble_any_more(walks: Walks) -> None:
    walk = walks()
    walk.sweep("intake")
    walk.station.failed("recorder", CaptureError("no space left on device", where="02.csv", do="Make room"))
    walk.feed()
    picture = snapshot_of(walk.station)
    assert "RECORDER FAILED" in picture.messages[-1].text
    assert "NOTHING IS RECORDED: make room, then press r" in said_by(banner(picture))
    walk.station.redo(Place(ZERO, "intake"))
    walk.to(Place(SWEEP, "intake"))
    picture = snapshot_of(walk.station)
    assert not [message for message in picture.messages if message.kind == ERROR]
    assert "NOTHING IS RECORDED" not in said_by(banner(picture))
    assert "RECORDER FAILED" in " ".join(message.text for message in walk.station.messages), "it stays in what has been said"


def test_only_what_is_over_leaves() -> None:
    log = MessageLog(lambda: 0.0)
    log.say(ERROR, "the link", about="link")
    log.say(ERROR, "the disk", about="recorder")
    log.resolved("link")
    assert [message.text for message in log.current()] == ["the disk"]
    log.say(ERROR, "the link again", about="link")
    assert [message.text for message in log.current()] == ["the disk", "the link again"]


@pytest.mark.parametrize("step", [STOP, SWEEP, *thorough(RIG, ZERO)])
async def test_a_held_picture_is_marked_in_the_title_and_beside_the_large_angle(walks: Walks, step: str) -> None:
    walk = walks()
    walk.jump(Place(step, "intake" if step in (ZERO, SWEEP) else ""))
    app = app_of(walk)
    app.paused = True
    lines, _ = await drawn(app)
    assert "‖ PAUSED" in lines[0]
    angle = next(k for k, line in enumerate(lines) if "reading of the indicator" in line)
    assert "‖ PAUSED" in lines[angle]
    picture = snapshot_of(walk.station)
    assert said_by(head(picture, 80)) in said_by(head(replace(picture), 80))
    assert "PAUSED" not in said_by(head(picture, 80)) + said_by(readout(picture, 80, 1))


def test_the_bell_sounds_at_what_is_new() -> None:
    assert Heard(0, 0).rings(Heard(0, 1)), "a contact or a pass"
    assert Heard(0, 1).rings(Heard(1, 1)), "the end of a step"
    assert Heard(0, 3).rings(Heard(1, 0))
    assert not Heard(0, 1).rings(Heard(0, 1))
    assert not Heard(0, 3).rings(Heard(0, 0)), "a recording that begins anew"


@pytest.mark.parametrize(
    ("before", "place", "least"),
    [(Place(STOP), Place(STOP), 6), (Place(ZERO, "intake"), Place(SWEEP, "intake"), 3)],
    ids=["contacts", "passes"],
)
def test_the_bell_sounds_at_each_contact_and_at_each_pass(walks: Walks, before: Place, place: Place, least: int) -> None:
    walk = walks()
    walk.jump(before)
    walk.to(place)
    last, rung = heard(walk.station), 0

    def over() -> bool:
        nonlocal last, rung
        now = heard(walk.station)
        rung += last.rings(now)
        last = now
        return walk.station.session.at != place

    walk.until(over)
    assert rung >= least, "each of them, and the end of the step"


def test_a_plot_without_readings_has_no_numbers(walks: Walks) -> None:
    walk = walks()
    walk.jump(Place(ZERO, "intake"))
    picture = replace(snapshot_of(walk.station), cursor=None)
    assert not picture.has_readings
    lines = text(trace(picture, 80, 8))
    assert len(lines) == 8
    assert not any(letter.isdigit() for line in lines for letter in line)


@pytest.mark.parametrize("units", ["mm", "in"])
def test_the_axis_of_the_plot_is_labelled_with_round_numbers(walks: Walks, units: str) -> None:
    walk = walks()
    walk.sweep("intake")
    walk.feed(8)
    picture = snapshot_of(walk.station)
    assert picture.has_readings
    measure = picture.job.measure.model_copy(update={"units": units})
    label = text(trace(replace(picture, job=picture.job.model_copy(update={"measure": measure})), 100, 8))[0].split()
    assert label[1] == units
    steps = float(label[0]) / (0.05 if units == "in" else 1.0)
    assert steps == pytest.approx(round(steps))


def test_the_travel_waits_for_the_top(walks: Walks) -> None:
    walk = walks(plan=Plan("travel"))
    walk.jump(Place(TRAVEL))
    walk.speak()
    walk.feed()
    walk.workers.settle()
    assert snapshot_of(walk.station).waiting_for.startswith("Waiting for the piston to go forward over the top: 0 of 3")
